"""Is a recording fit to be measured? All looks at it, in one pass of each of its files."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.attitude_log import attitude_facts, attitude_findings, gathered_attitude
from calib.fitness.axes import SEARCH_S, AxesFound, find_axes, still_gyro
from calib.fitness.finding import SEVERITIES, Estimate, Finding, Fitness
from calib.fitness.flying import Flying, flying_of
from calib.fitness.focal import FocalFound, find_focal
from calib.fitness.frames import FrameTimes, frame_findings, frame_times, stamps_jitter, usual_step
from calib.fitness.gyro_log import GyroFacts, GyroWatch, gyro_findings
from calib.fitness.judged_axes import axes_findings
from calib.fitness.judged_placing import placing_estimates, placing_findings
from calib.fitness.judged_scales import joined, scale_estimates, scale_findings
from calib.fitness.judging import Judging
from calib.fitness.motion import PairMotions, pair_motions
from calib.fitness.picture import PictureWatch, picture_facts, picture_findings
from calib.fitness.placing import Placing, place
from calib.fitness.posed import Posed, as_filed
from calib.fitness.range_log import RangeFacts, gathered, range_facts, range_findings
from calib.fitness.rest import rest_estimates, rest_findings
from calib.fitness.scales import (
    RANGE_RATIO,
    SPEED_RATIO,
    Ratio,
    flown,
    range_against_scale,
    speed_against_accelerometer,
)
from calib.fitness.stretches import GyroKeeper, Stretch, follow
from calib.fitness.telling import told_and_untold
from calib.fitness.tracking import tracking_findings, unsolved_findings
from calib.turn_model import TurnModel, Unknowns
from flow.faults.sound_gyro import SoundGyro
from flow.module import Module
from flow.recording import Recording
from flow.series import RangeSamples
from flow.video import Frame, Video

Array: TypeAlias = NDArray[np.float64]

_SPARE_S = 0.05
_STEPS = 65_536  # tell the usual step
_LEAST_CHANGE_M_S, _LEAST_CLIMB = 0.05, 0.03  # RMS, of speed and of height (its share)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turning:
    """What the turns say: gyro axes, module figures, how it was flown, scales."""

    axes: AxesFound | None
    placing: Placing | None
    flying: Flying
    focal: FocalFound | None
    speed: tuple[Ratio, ...]
    heights: tuple[Ratio, ...]


def check_recording(recording: Recording, *, watch: Callable[[Frame], None] | None = None) -> Fitness:
    """Look at a recording before it is measured.

    Parameters
    ----------
    recording
        As :func:`flow.open_recording` gives it.
    watch
        Called with each frame: progress.

    Raises
    ------
    DataError
        A file cannot be read; the message names file and place.

    Examples
    --------
    >>> import calib, flow
    >>> verdict = calib.check_recording(flow.open_recording("sample_video/flight"))
    >>> verdict.fit
    True
    """
    module, video = recording.module, recording.video()
    offset_s = module.alignment.time_offset_s
    pictures = PictureWatch()

    def see(frame: Frame) -> None:
        pictures.add(frame)
        if watch is not None:
            watch(frame)

    pairs = follow(video, see)
    keeper, gyro_watch = GyroKeeper(pairs, offset_s, SEARCH_S + _SPARE_S), GyroWatch(module)
    sound = SoundGyro(module.gyro)
    for samples in recording.gyro():
        gyro_watch.add(samples)
        answered = sound.sound(samples)  # as a measurement believes them
        if len(answered.time_s):
            keeper.add(answered)
    gyro, heights = gyro_watch.result(), gathered(recording.range())
    stretches = keeper.stretches(offset_s, _SPARE_S, pictures.copies_s)
    turning = _turning(stretches, module, heights)
    span_s = float(video.times_s[0]) + offset_s, float(video.times_s[-1]) + offset_s
    times = frame_times(video.times_s, _container_hz(video, recording.times_path))
    reading = range_facts(heights, module.range, span_s)
    series = pictures.series()
    looked = [stretch.gyro for stretch in stretches]
    attitude = gathered_attitude(
        recording.attitude(), [(float(part.time_s[0]), float(part.time_s[-1])) for part in looked]
    )
    leaning = None if attitude is None else attitude_facts(attitude, looked, np.array(module.gyro.bias_rad_s))
    judging = Judging(module=module, flying=turning.flying)
    findings = [
        *frame_findings(times, _stamps(turning.placing, times, video), turning.flying),
        *picture_findings(series, float(np.linalg.norm(turning.flying.rate_rad_s))),
        *tracking_findings(pairs, turning.placing, series),
        *gyro_findings(gyro, span_s, offset_s),
        *rest_findings(gyro, judging),
        *_turning_findings(turning, judging, stretches),
        *attitude_findings(leaning, offset_s),
        *range_findings(reading, module.range, turning.flying, span_s, offset_s),
    ]
    begin_s = float(video.times_s[0])
    estimates = (*_estimates(turning, module), *rest_estimates(gyro, module))
    told, untold = told_and_untold(estimates)
    return Fitness(
        recording=str(recording.folder),
        module=module.name,
        facts=_facts(times, picture_facts(series), gyro, reading, turning, stretches),
        estimates=estimates,
        findings=tuple(_from_start(f, begin_s) for f in sorted(findings, key=lambda f: SEVERITIES.index(f.severity))),
        told=told,
        untold=untold,
    )


def _turning(stretches: Sequence[Stretch], module: Module, heights: RangeSamples) -> _Turning:
    axes = _axes(stretches, module)
    placing, focal = None, None
    if axes is not None and axes.enough and axes.explained > 0.6 and not axes.dead:
        mended = [_mended(stretch, axes.matrix, module) for stretch in stretches]
        placing, focal = _placed(mended, module, axes.clock_s)
    steady = axes is not None and not axes.enough and not axes.apart
    parts: Sequence[Posed] = () if placing is None else placing.parts
    if steady:
        parts = [posed for stretch in stretches if (posed := as_filed(stretch, module)) is not None]
    flights = [flown(part, module, heights) for part in parts]
    speeds = [speed_against_accelerometer(part, flight) for part, flight in zip(parts, flights, strict=True)]
    scales = [range_against_scale(part, flight) for part, flight in zip(parts, flights, strict=True)]
    flying = flying_of(parts, flights, [stretch.gyro for stretch in stretches], module)
    # Where a flight is steady, what little changed may be noise, which would pass for a ratio of 0.
    least_m_s, least_m = (_LEAST_CHANGE_M_S, _LEAST_CLIMB * flying.height_m) if steady else (0.0, 0.0)
    return _Turning(
        axes=axes,
        placing=placing,
        flying=flying,
        focal=focal,
        speed=tuple(ratio for ratio in speeds if ratio is not None and ratio.signal >= least_m_s),
        heights=tuple(ratio for ratio in scales if ratio is not None and ratio.signal >= least_m),
    )


def _axes(stretches: Sequence[Stretch], module: Module) -> AxesFound | None:
    seen = [(stretch, _by_picture(stretch, module)) for stretch in stretches]
    seen = [(stretch, motions) for stretch, motions in seen if motions.good.sum() > 20]
    return find_axes([(s.pairs, motions, s.gyro) for s, motions in seen], module) if seen else None


def _by_picture(stretch: Stretch, module: Module) -> PairMotions:
    """Motion by the picture alone, over ground that is level on average."""
    alignment = module.alignment
    at = Unknowns(
        R_body_camera=alignment.R_body_camera,
        time_offset_s=alignment.time_offset_s,
        bias_rad_s=np.zeros(3),
        readout_s=module.camera.readout_s,
        normal=np.array([0.0, 0.0, 1.0]),
    )
    model = TurnModel(stretch.pairs, still_gyro(stretch.gyro), module.camera)
    return pair_motions(model.equations(at), model.covariance, model.known)


def _placed(stretches: Sequence[Stretch], module: Module, clock_s: float) -> tuple[Placing | None, FocalFound | None]:
    """Find module figures and focal length; where the lens or the gyro's scale is off, the others anew without that."""
    placing = place(stretches, module, clock_s)
    focal = None if placing is None else find_focal(placing)
    if focal is None or not (focal.lens_off or focal.gyro_off):
        return placing, focal
    other, scale = module, 1.0
    if focal.lens_off:
        fx, fy = (f / (1 + focal.focal) for f in (module.camera.fx_px, module.camera.fy_px))
        other = module.model_copy(update={"camera": module.camera.model_copy(update={"fx_px": fx, "fy_px": fy})})
    if focal.gyro_off:
        scale = 1 / (1 + focal.gyro_scale)
    again = place([_mended(stretch, scale * np.eye(3), module) for stretch in stretches], other, clock_s)
    if again is None:
        return placing, focal
    rest = find_focal(again)
    return again, focal if rest is None else focal.then(rest)


def _mended(stretch: Stretch, matrix: Array, module: Module) -> Stretch:
    """Give the stretch with the gyro's axes and scale put right, so that the rest can be judged all the same."""
    bias = np.array(module.gyro.bias_rad_s)
    rate = (stretch.gyro.rate_rad_s - bias) @ matrix.T + bias
    return replace(stretch, gyro=replace(stretch.gyro, rate_rad_s=rate))


def _stamps(placing: Placing | None, times: FrameTimes, video: Video) -> tuple[float, float] | None:
    return None if placing is None or times.jitter_s == 0 else stamps_jitter(placing, video.times_s)


def _turning_findings(turning: _Turning, judging: Judging, stretches: Sequence[Stretch]) -> Iterator[Finding]:
    if turning.axes is None:
        yield from unsolved_findings(stretches)
    yield from axes_findings(turning.axes)
    if turning.placing is not None:
        yield from placing_findings(
            turning.placing, judging, mixed_up=turning.axes is not None and turning.axes.mixed_up
        )
    yield from scale_findings(turning.focal, turning.speed, turning.heights, judging)


def _estimates(turning: _Turning, module: Module) -> Iterator[Estimate]:
    placed = placing_estimates(turning.placing, turning.axes, module)
    yield from placed
    yield from scale_estimates(turning.focal, module, placed[0].why_not)
    speed = joined(turning.speed)
    no_height = "" if turning.flying.height_known else placed[0].why_not or "no height"
    yield _ratio(SPEED_RATIO, speed, no_height or "no accelerometer, or a speed that hardly changed")
    heights = min(turning.heights, key=lambda r: r.sigma, default=None)
    yield _ratio(RANGE_RATIO, heights, no_height or "a height that hardly changed")


def _ratio(quantity: str, ratio: Ratio | None, why_not: str) -> Estimate:
    if ratio is None:
        return Estimate(quantity=quantity, unit="1", by_module=1.0, module_sigma=0.0, why_not=why_not)
    return Estimate(
        quantity=quantity, unit="1", by_module=1.0, module_sigma=0.0, by_flight=ratio.value, sigma=ratio.sigma
    )


def _facts(
    times: FrameTimes,
    picture: dict[str, float | int | str | bool | None],
    gyro: GyroFacts,
    reading: RangeFacts,
    turning: _Turning,
    stretches: Sequence[Stretch],
) -> dict[str, dict[str, float | int | str | bool | None]]:
    flying = turning.flying
    frames: dict[str, float | int | str | bool | None] = {
        "count": times.count,
        "duration_s": times.duration_s,
        "nominal_hz": times.nominal_hz,
        "real_hz": times.real_hz,
        "jitter_s": times.jitter_s,
        "longest_step_s": times.longest_step_s,
        "lost": times.lost,
    }
    flight: dict[str, float | int | str | bool | None] = {
        "height_m": flying.height_m if flying.height_known else None,
        "speed_m_s": flying.speed_m_s if flying.height_known else None,
        "rocking_rad_s": flying.rocking_rad_s,
        "yawing_rad_s": float(flying.rate_rad_s[2]),
        "turning_explained": turning.axes.explained if turning.axes is not None and turning.axes.enough else None,
        "looked_at_s": float(sum(stretch.span_s[1] - stretch.span_s[0] for stretch in stretches)),
    }
    return {"frames": frames, "picture": picture, "gyro": gyro.as_dict(), "range": reading.as_dict(), "flight": flight}


def _container_hz(video: Video, times_path: Path | None) -> float | None:
    """Frame rate by the container where a frames.csv counts instead; None where it has no times of its own."""
    if times_path is None or video.container_times_s is None:
        return None
    step_s = usual_step(video.container_times_s[:_STEPS])
    return 1 / step_s if step_s > 0 else None


def _from_start(finding: Finding, begin_s: float) -> Finding:
    """Give the finding's span counted from the first frame."""
    if finding.when_s is None:
        return finding
    return replace(finding, when_s=(max(finding.when_s[0] - begin_s, 0.0), finding.when_s[1] - begin_s))
