"""Focal length, gyro scale, and metres held against accelerometer and picture scale."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from calib.fitness.finding import Estimate, Finding
from calib.fitness.focal import FocalFound
from calib.fitness.judged_placing import NOT_DETERMINED
from calib.fitness.judging import LIKELY, STOP_M_S, STOP_SHARE, SURE, Judging
from calib.fitness.priors import FIGURES
from calib.fitness.scales import Ratio
from flow.module import Module


def scale_estimates(focal: FocalFound | None, module: Module, why_not: str) -> list[Estimate]:
    """Focal length, found again by how the picture turns."""
    value = module.camera.fx_px
    if focal is not None and not FIGURES["focal length"].determined(
        -np.log1p(max(focal.focal, -0.9)), focal.focal_sigma
    ):
        focal, why_not = None, NOT_DETERMINED
    return [
        Estimate(
            quantity="focal length",
            unit="px",
            by_module=value,
            module_sigma=value * float(module.camera.focal_sigma[0]),
            by_flight=None if focal is None else value / (1 + focal.focal),
            sigma=None if focal is None else value * focal.focal_sigma,
            why_not=""
            if focal is not None
            else why_not or "a view too narrow, or a rotation that cannot be distinguished from displacement",
        )
    ]


def scale_findings(
    focal: FocalFound | None, speed: Sequence[Ratio], heights: Sequence[Ratio], judging: Judging
) -> Iterator[Finding]:
    """Judge focal length, gyro scale, and metres against accelerometer and picture scale."""
    flying = judging.flying
    blamed = False
    if focal is not None:
        spread = math.hypot(focal.focal_sigma, float(judging.module.camera.focal_sigma.max()))
        sigmas, cost = focal.focal / spread, flying.by_focal(focal.focal)
        if severity := judging.severity(cost, sigmas):
            surely = abs(focal.focal) - 2 * spread
            severity = "stop" if surely > STOP_SHARE else severity
            blamed = True
            way = "long" if focal.focal > 0 else "short"
            yield Finding(
                severity=severity,
                topic="lens",
                figure="focal length",
                what=f"the focal length in the module file is {100 * abs(focal.focal):.1f} ± {100 * focal.focal_sigma:.1f} % too"
                f" {way}, by the rotation of the image: {abs(sigmas):.0f} sigma",
                when_s=None,
                effect=judging.effect(cost),
                remedy="groundpace calibrate lens; is it this camera's file, at this image size, zoom and focus?",
            )
        sigmas = focal.gyro_scale / math.hypot(focal.gyro_scale_sigma, 0.005)
        if severity := judging.severity(flying.by_gyro_scale(focal.gyro_scale), sigmas):
            yield Finding(
                severity=severity,
                topic="gyro",
                what=f"the gyro reads {100 * focal.gyro_scale:+.1f} ± {100 * focal.gyro_scale_sigma:.1f} % compared with the"
                " rotation of the image about the optical axis",
                when_s=None,
                effect=judging.effect(flying.by_gyro_scale(focal.gyro_scale)),
                remedy="look at the gyro's measuring range and conversion to rad/s",
            )
    stuck = [*_height_findings(heights, judging)]
    yield from stuck
    if (joint := joined(speed)) is not None:
        yield from _speed_finding(joint, judging, explained=blamed or bool(stuck))


def joined(ratios: Sequence[Ratio]) -> Ratio | None:
    """Weighted mean of the stretches; None of none."""
    if not ratios:
        return None
    weight = np.array([1 / max(ratio.sigma, 1e-6) ** 2 for ratio in ratios])
    value = float(weight @ [ratio.value for ratio in ratios] / weight.sum())
    # Their systematic part does not average out: the best one's sigma stays.
    return Ratio(value=value, sigma=min(r.sigma for r in ratios), signal=max(r.signal for r in ratios))


def _speed_finding(ratio: Ratio, judging: Judging, *, explained: bool) -> Iterator[Finding]:
    off = ratio.value - 1
    cost = judging.flying.by_scale(off)
    if abs(off) < LIKELY * ratio.sigma or abs(off) < 0.03:
        return
    cause = "as the findings above explain" if explained else "range scale, offset or unit, or focal length"
    surely = abs(off) - 2 * ratio.sigma
    yield Finding(
        severity="stop" if surely > STOP_SHARE and abs(off) > SURE * ratio.sigma else "care",
        topic="range",
        what=f"speed by image and range changes {ratio.value:.3f} ± {ratio.sigma:.3f} times as much as the accelerometer says:"
        f" {cause}",
        when_s=None,
        effect=f"every speed reads {100 * off:+.0f} %: {judging.effect(cost)}",
        remedy="tape a height and compare; groundpace calibrate range; then the lens; is the accelerometer in m/s²?",
    )


def _height_findings(heights: Sequence[Ratio], judging: Judging) -> Iterator[Finding]:
    ratio = min(heights, key=lambda r: r.sigma, default=None)
    if ratio is None:
        return
    off, height = ratio.value - 1, judging.flying.height_m
    if abs(off) < SURE * ratio.sigma or abs(off) < 0.05:
        return
    measured = f"the range changes {ratio.value:.2f} ± {ratio.sigma:.2f} times as much as the image scale"
    if ratio.value < 0.3:
        share = ratio.signal / height
        cost = judging.flying.by_scale(share)
        yield Finding(
            severity="stop" if share > STOP_SHARE or cost > STOP_M_S else "care",
            topic="range",
            what=f"{measured}: it does not follow the height (stuck, or it sees something else)",
            when_s=None,
            effect=f"the height is off by {1000 * ratio.signal:.0f} mm RMS and the speed by the same share:"
            f" {judging.effect(cost)}",
            remedy="look whether the driver repeats old readings, and what is in the beam",
        )
        return
    surely = abs(off) - 2 * ratio.sigma
    yield Finding(
        severity="stop" if surely > STOP_SHARE and judging.flying.by_scale(off) > STOP_M_S else "care",
        topic="range",
        what=f"{measured}: as a range that reads {1000 * -off * height:+.0f} mm beside a constant share",
        when_s=None,
        effect=f"if it is an offset, speeds read {-100 * off:+.0f} %: {judging.effect(judging.flying.by_scale(off))}",
        remedy="groundpace calibrate range at two heights; look at range.beam and range.position_m",
    )
