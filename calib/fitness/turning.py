"""What the turns of a flight say: gyro axes, figures of the module file, how it was flown, scales."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.axes import AxesFound, find_axes, still_gyro
from calib.fitness.finding import Estimate, Finding
from calib.fitness.flying import Flying, flying_of
from calib.fitness.focal import FocalFound, find_focal, focal_of
from calib.fitness.hypotheses import Cause, find_causes
from calib.fitness.judged_axes import axes_findings
from calib.fitness.judged_causes import distortion_finding
from calib.fitness.judged_placing import placing_estimates, placing_findings
from calib.fitness.judged_scales import joined, scale_estimates, scale_findings
from calib.fitness.judging import Judging
from calib.fitness.motion import PairMotions, pair_motions
from calib.fitness.placing import Placing, place
from calib.fitness.posed import Posed, as_filed
from calib.fitness.scales import (
    RANGE_RATIO,
    SPEED_RATIO,
    Ratio,
    flown,
    range_against_scale,
    speed_against_accelerometer,
)
from calib.fitness.stretches import Stretch
from calib.fitness.tracking import unsolved_findings
from calib.turn_model import TurnModel, Unknowns
from flow.module import Module
from flow.series import RangeSamples

Array: TypeAlias = NDArray[np.float64]

_LEAST_EXPLAINED = 0.6  # of the picture's turning by the gyro, whichever way its axes are: less is another log
_LEAST_CHANGE_M_S, _LEAST_CLIMB = 0.05, 0.03  # RMS, of speed and of height (its share)


@dataclass(frozen=True, slots=True, kw_only=True)
class Turning:
    """What the turns say; ``causes`` are the figures that explain what speaks against the module file, the likeliest first."""

    axes: AxesFound | None
    causes: tuple[Cause, ...]
    placing: Placing | None
    flying: Flying
    focal: FocalFound | None
    speed: tuple[Ratio, ...]
    heights: tuple[Ratio, ...]


def look_at_turns(stretches: Sequence[Stretch], module: Module, heights: RangeSamples) -> Turning:
    """Hold the turns by the picture against the gyro's, and what follows from them against range and accelerometer."""
    axes = _axes(stretches, module)
    causes: tuple[Cause, ...] = ()
    placing, focal = None, None
    if axes is not None and axes.enough and axes.explained > _LEAST_EXPLAINED and not axes.dead:
        mended = [_mended(stretch, axes.matrix, module) for stretch in stretches]
        causes = find_causes(mended, module, axes.clock_s)
        placing, focal = _placed(mended, module, axes.clock_s, causes)
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
    return Turning(
        axes=axes,
        causes=causes,
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


def _placed(
    stretches: Sequence[Stretch], module: Module, clock_s: float, causes: Sequence[Cause]
) -> tuple[Placing | None, FocalFound | None]:
    """Find module figures and focal length; where the lens or the gyro's scale is off, the others anew without that."""
    lens = next((cause for cause in causes if any(cause.unknowns.lens)), None)
    known = None
    if lens is not None:  # through a wrong lens all the others would look wrong
        camera = replace(lens.unknowns, readout_s=module.camera.readout_s).camera(module.camera)
        module = module.model_copy(update={"camera": camera})
        known = focal_of(lens)
    placing = place(stretches, module, clock_s)
    focal = None if placing is None else find_focal(placing)
    if placing is None or focal is None or not (focal.lens_off or focal.gyro_off):
        return placing, focal if known is None else known.then(focal)
    other, scale = module, 1.0
    if focal.lens_off:
        fx, fy = (f / (1 + focal.focal) for f in (module.camera.fx_px, module.camera.fy_px))
        other = module.model_copy(update={"camera": module.camera.model_copy(update={"fx_px": fx, "fy_px": fy})})
    if focal.gyro_off:
        scale = 1 / (1 + focal.gyro_scale)
    again = place([_mended(stretch, scale * np.eye(3), module) for stretch in stretches], other, clock_s)
    if again is not None:
        placing, focal = again, focal.then(find_focal(again))
    return placing, focal if known is None else known.then(focal)


def _mended(stretch: Stretch, matrix: Array, module: Module) -> Stretch:
    """Give the stretch with the gyro's axes and scale put right, so that the rest can be judged all the same."""
    bias = np.array(module.gyro.bias_rad_s)
    rate = (stretch.gyro.rate_rad_s - bias) @ matrix.T + bias
    return replace(stretch, gyro=replace(stretch.gyro, rate_rad_s=rate))


def turning_findings(turning: Turning, judging: Judging, stretches: Sequence[Stretch]) -> Iterator[Finding]:
    """Judge them."""
    if turning.axes is None:
        yield from unsolved_findings(stretches)
    yield from axes_findings(turning.axes)
    if turning.placing is not None:
        yield from placing_findings(
            turning.placing, judging, mixed_up=turning.axes is not None and turning.axes.mixed_up
        )
    yield from distortion_finding(turning.causes, judging)
    yield from scale_findings(turning.focal, turning.speed, turning.heights, judging)


def turning_estimates(turning: Turning, module: Module) -> Iterator[Estimate]:
    """Give the figures of the module file found again."""
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
