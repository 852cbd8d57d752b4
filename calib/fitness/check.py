"""Is a recording fit to be measured? All looks at it, in one pass of each of its files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.attitude_log import attitude_facts, attitude_findings, gathered_attitude
from calib.fitness.axes import SEARCH_S
from calib.fitness.finding import SEVERITIES, Finding, Fitness
from calib.fitness.frames import FrameTimes, frame_findings, frame_times, stamps_jitter, usual_step
from calib.fitness.gyro_log import GyroFacts, GyroWatch, gyro_findings
from calib.fitness.judged_causes import with_refused
from calib.fitness.judging import Judging
from calib.fitness.picture import PictureWatch, picture_facts, picture_findings
from calib.fitness.placing import Placing
from calib.fitness.range_log import RangeFacts, gathered, range_facts, range_findings
from calib.fitness.rest import rest_estimates, rest_findings
from calib.fitness.sample import Sample, Sampler
from calib.fitness.stretches import GyroKeeper, Stretch, follow
from calib.fitness.telling import told_and_untold
from calib.fitness.tracking import tracking_findings
from calib.fitness.turning import Turning, look_at_turns, turning_estimates, turning_findings
from flow.faults.sound_gyro import SoundGyro
from flow.recording import Recording
from flow.video import Frame, Video

Array: TypeAlias = NDArray[np.float64]

_SPARE_S = 0.05
_STEPS = 65_536  # tell the usual step


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
    pictures, sampler = PictureWatch(), Sampler(video.times_s, video.width_px * video.height_px)

    def see(frame: Frame) -> None:
        pictures.add(frame)
        sampler.add(frame)
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
    turning = look_at_turns(stretches, module, heights)
    sample = sampler.measured(recording)
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
        *turning_findings(turning, judging, stretches),
        *attitude_findings(leaning, offset_s),
        *range_findings(reading, module.range, turning.flying, span_s, offset_s),
    ]
    findings = [*with_refused(findings, sample, turning.causes, judging)]
    begin_s = float(video.times_s[0])
    estimates = (*turning_estimates(turning, module), *rest_estimates(gyro, module))
    told, untold = told_and_untold(estimates)
    return Fitness(
        recording=str(recording.folder),
        module=module.name,
        facts=_facts(times, picture_facts(series), gyro, reading, turning, stretches, sample),
        estimates=estimates,
        findings=tuple(_from_start(f, begin_s) for f in sorted(findings, key=lambda f: SEVERITIES.index(f.severity))),
        told=told,
        untold=untold,
    )


def _stamps(placing: Placing | None, times: FrameTimes, video: Video) -> tuple[float, float] | None:
    return None if placing is None or times.jitter_s == 0 else stamps_jitter(placing, video.times_s)


def _facts(
    times: FrameTimes,
    picture: dict[str, float | int | str | bool | None],
    gyro: GyroFacts,
    reading: RangeFacts,
    turning: Turning,
    stretches: Sequence[Stretch],
    sample: Sample,
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
        "sample_rows": sample.rows,
        "sample_refused": sum(sample.refused.values()),
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
