"""Why ``measure`` refuses the rows of a sample, by the fault hypothesis that explains the matches best."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.finding import Finding
from calib.fitness.hypotheses import Cause
from calib.fitness.judging import Judging
from calib.fitness.priors import FIGURES
from calib.fitness.sample import MOST_REFUSED, Sample
from flow.camera import Lens
from flow.module import Camera

Array: TypeAlias = NDArray[np.float64]

_GRID = 9  # places across the picture, and down, at which two lenses are compared
_AXES = "xyz"


def distortion_finding(causes: Sequence[Cause], judging: Judging) -> Iterator[Finding]:
    """Judge a distortion that the flight contradicts."""
    camera = judging.module.camera
    for cause in causes:
        if cause.figure != "distortion":
            continue
        cost = judging.flying.by_focal(_apart(camera, cause.unknowns.camera(camera)))
        sigmas = float(np.max(np.abs(cause.difference) / cause.sigma))
        if severity := judging.severity(cost, sigmas):
            yield Finding(
                severity=severity,
                topic="lens",
                figure="distortion",
                what=_what(cause, judging),
                when_s=None,
                effect=judging.effect(cost),
                remedy="groundpace calibrate lens; is it this camera's file, with its distortion?",
            )


def with_refused(
    findings: Sequence[Finding], sample: Sample, causes: Sequence[Cause], judging: Judging
) -> Iterator[Finding]:
    """Give the findings, and where most rows of the sample are refused the most likely cause among them, to stop for."""
    if sample.refused_share <= MOST_REFUSED:
        yield from findings
        return
    named = causes[0].figure if causes else None
    for finding in findings:
        if named is not None and finding.figure == named:
            yield replace(finding, severity="stop", what=f"{finding.what}{_alike(causes[0])}; {sample.worded}")
        else:
            yield finding
    if named is not None and not any(finding.figure == named for finding in findings):
        yield Finding(
            severity="stop",
            topic=FIGURES[named].topic,
            figure=named,
            what=f"{_what(causes[0], judging)}{_alike(causes[0])}; {sample.worded}",
            when_s=None,
            effect="rows without speed",
            remedy="look at this figure of the module file first; groundpace calibrate finds it",
        )
    elif named is None and not any(finding.severity == "stop" for finding in findings):
        yield sample.finding()


def _alike(cause: Cause) -> str:
    return f" (cannot be distinguished from: {', '.join(cause.alike)})" if cause.alike else ""


def _what(cause: Cause, judging: Judging) -> str:
    """Word a figure found and the module file's; one that is not determined by its name alone."""
    if not FIGURES[cause.figure].determined(cause.difference, cause.sigma):
        return f"most likely the {cause.figure} is wrong, by how much is not determined by this flight"
    module, found, sigma = judging.module, cause.difference, cause.sigma
    terms = module.camera.distortion_terms[:2]
    said, names, unit, factor = {
        "clock offset": (np.array([module.alignment.time_offset_s]), ("",), " ms", 1e3),
        "mounting": (np.zeros(3), tuple(f"about body {a} " for a in _AXES), "°", float(np.degrees(1))),
        "gyro bias": (np.array(module.gyro.bias_rad_s), tuple(f"{a} " for a in _AXES), " mrad/s", 1e3),
        "readout": (np.array([module.camera.readout_s]), ("",), " ms", 1e3),
        "distortion": (terms, ("k1 ", "k2 "), "", 1.0),
        "focal length": (np.zeros(1), ("",), " %", 100.0),
    }[cause.figure]
    by_flight = ", ".join(
        f"{name}{factor * (s + d):+.3g} ± {factor * e:.2g}{unit}"
        for name, s, d, e in zip(names, said, found, sigma, strict=True)
    )
    by_file = ", ".join(f"{factor * s:+.3g}{unit}" for s in said) if said.any() else "none"
    return f"{cause.figure} {by_flight} by the flight, the module file says {by_file}"


def _apart(one: Camera, other: Camera) -> float:
    """RMS of how far two lenses place the ground apart, as a share of its distance from the middle."""
    across, down = (np.linspace(0.05, 0.95, _GRID) * size for size in (one.width_px, one.height_px))
    pixels = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2)
    rays = [Lens(camera).rays(pixels) for camera in (one, other)]
    known = np.isfinite(rays[0]).all(axis=1) & np.isfinite(rays[1]).all(axis=1)
    if not known.any():
        return 1.0
    first, second = rays[0][known], rays[1][known]
    return float(np.sqrt(np.sum((second - first) ** 2) / np.sum(second**2)))
