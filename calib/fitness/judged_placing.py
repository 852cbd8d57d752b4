"""Clock, mounting, bias and readout of the flight held against the module file."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from calib.fitness.axes import AxesFound
from calib.fitness.finding import Estimate, Finding
from calib.fitness.judging import SURE, Judging
from calib.fitness.placing import Placing
from calib.fitness.priors import FIGURES
from calib.fitness.telling import ROCK
from flow.module import Module

_ALIGN = "groundpace calibrate alignment, with the module as it flies"
_NO_TURNING = "the craft hardly changed its turning: nothing to compare"
_AXES_FIRST = "the gyro's axes come first: whose bias the module file holds is open until then"
NOT_DETERMINED = f"not determined by this flight; to determine it, {ROCK}"
_NO_FIT = "the matches do not agree on one plane, or the gyro does not explain the rotation of the image"


def placing_estimates(placing: Placing | None, axes: AxesFound | None, module: Module) -> list[Estimate]:
    """Clock, mounting, bias and readout, found again."""
    mixed_up = axes is not None and axes.mixed_up
    why = "" if placing is not None else _NO_TURNING if axes is None or not axes.enough else _NO_FIT
    gyro, alignment, camera = module.gyro, module.alignment, module.camera
    turn_sigma = alignment.rotation_sigma_rad
    open_ = set() if placing is None else _not_determined(placing, module)
    table = [
        ("clock offset", "s", alignment.time_offset_s, alignment.sigma.time_offset_s, 3),
        *((f"mounting, turn about body {a}", "rad", 0.0, float(turn_sigma[k]), k) for k, a in enumerate("xyz")),
        *(
            (f"gyro bias {a}", "rad/s", gyro.bias_rad_s[k], gyro.sigma.bias_rad_s[k], 4 + k)
            for k, a in enumerate("xyz")
        ),
        ("readout", "s", camera.readout_s, camera.sigma.readout_s, 9),
    ]
    estimates = []
    for quantity, unit, value, sigma, place in table:
        unknown = _AXES_FIRST if mixed_up and unit == "rad/s" else NOT_DETERMINED if place in open_ else why
        told = placing is not None and not unknown
        estimates.append(
            Estimate(
                quantity=quantity,
                unit=unit,
                by_module=value,
                module_sigma=sigma,
                by_flight=value + float(placing.difference[place]) if told and placing is not None else None,
                sigma=float(placing.sigma[place]) if told and placing is not None else None,
                why_not=unknown,
            )
        )
    return estimates


def _not_determined(placing: Placing, module: Module) -> set[int]:
    """Places of ``calib.turn_model.UNKNOWNS`` that the flight leaves about as open as they were before it."""
    by_module = np.array([0.0] * 4 + [*module.gyro.bias_rad_s, 0.0, 0.0, module.camera.readout_s])
    return {
        place
        for figure in FIGURES.values()
        for place in figure.places
        if place < len(by_module)
        and not figure.determined(placing.difference[place], placing.sigma[place], by_module[place])
    }


def placing_findings(placing: Placing, judging: Judging, *, mixed_up: bool) -> Iterator[Finding]:
    """Judge clock, mounting, bias (unless the gyro's axes are ``mixed_up``) and readout."""
    yield from _clock(placing, judging)
    yield from _mounting(placing, judging)
    if not mixed_up:
        yield from _bias(placing, judging)
    yield from _readout(placing, judging)
    yield from _changing(placing)


def _clock(placing: Placing, judging: Judging) -> Iterator[Finding]:
    alignment, offset = judging.module.alignment, float(placing.difference[3])
    sigmas = offset / float(np.hypot(placing.sigma[3], alignment.sigma.time_offset_s))
    cost = judging.flying.by_clock(offset)
    if severity := judging.severity(cost, sigmas):
        now = alignment.time_offset_s + offset
        yield Finding(
            severity=severity,
            topic="clock",
            figure="clock offset",
            what=f"clock offset {1000 * now:+.2f} ± {1000 * placing.sigma[3]:.2f} ms, the module file says"
            f" {1000 * alignment.time_offset_s:+.2f} ms: {abs(sigmas):.0f} sigma",
            when_s=None,
            effect=judging.effect(cost),
            remedy=f"{_ALIGN}, or set alignment.time_offset_s",
        )


def _mounting(placing: Placing, judging: Judging) -> Iterator[Finding]:
    turn = placing.difference[:3]
    sigma = np.hypot(placing.sigma[:3], judging.module.alignment.rotation_sigma_rad)
    sigmas, cost = float(np.abs(turn / sigma).max()), judging.flying.by_mounting(turn)
    if severity := judging.severity(cost, sigmas):
        degrees, spread = np.degrees(turn), np.degrees(placing.sigma[:3])
        about = ", ".join(f"{'xyz'[k]} {degrees[k]:+.2f} ± {spread[k]:.2f}°" for k in range(3))
        yield Finding(
            severity=severity,
            topic="mounting",
            figure="mounting",
            what=f"the camera sits turned against the module file, about body {about}: {sigmas:.0f} sigma",
            when_s=None,
            effect=f"{judging.effect(cost)}; the speed's direction by {abs(degrees[2]):.1f}°",
            remedy=f"is it loose or was it bumped? {_ALIGN}",
        )


def _changing(placing: Placing) -> Iterator[Finding]:
    """Find what one figure cannot describe: a loose camera, clocks that drift apart, a gyro that warms up."""
    worst = int(placing.spread[:7].argmax())
    if placing.spread[worst] > SURE:
        topic, name = ("clock", "the clock offset") if worst == 3 else ("gyro", "the gyro bias")
        if worst < 3:
            topic, name = "mounting", "the mounting"
        yield Finding(
            severity="care",
            topic=topic,
            what=f"{name} changes during the flight ({placing.spread[worst]:.0f} sigma between stretches)",
            when_s=None,
            effect="one figure in the module file cannot serve the whole flight",
            remedy="a loose camera, clocks that drift apart, or a gyro that was not warm",
        )


def _bias(placing: Placing, judging: Judging) -> Iterator[Finding]:
    module, bias = judging.module, placing.difference[4:7]
    sigma = np.hypot(placing.sigma[4:7], module.gyro.sigma.bias_rad_s)
    sigmas = float(np.abs(bias / sigma).max())
    if severity := judging.severity(judging.flying.by_bias(bias), sigmas):
        about = ", ".join(f"{'xyz'[k]} {1000 * bias[k]:+.1f} ± {1000 * placing.sigma[4 + k]:.1f}" for k in range(3))
        yield Finding(
            severity=severity,
            topic="gyro",
            figure="gyro bias",
            what=f"bias in flight less that of the module file, mrad/s: {about}: {sigmas:.0f} sigma",
            when_s=None,
            effect=f"{judging.effect(judging.flying.by_bias(bias))}, always the same way",
            remedy=f"groundpace calibrate gyro from a log at rest of that day, warmed up; or {_ALIGN}",
        )


def _readout(placing: Placing, judging: Judging) -> Iterator[Finding]:
    camera, error = judging.module.camera, float(placing.difference[9])
    sigmas = error / float(np.hypot(placing.sigma[9], camera.sigma.readout_s))
    cost = judging.flying.by_readout(error, camera)
    if abs(sigmas) < SURE or abs(error) < 5e-4:
        return
    now = camera.readout_s + error
    undeclared = camera.readout_s == 0
    yield Finding(
        severity="stop" if judging.severity(cost, sigmas) == "stop" else "care",
        topic="lens",
        figure="readout",
        what=f"rolling shutter: rows are read over {1000 * now:.1f} ± {1000 * placing.sigma[9]:.1f} ms, the module file says"
        f" {'none' if undeclared else f'{1000 * camera.readout_s:.1f} ms'}: {abs(sigmas):.0f} sigma",
        when_s=None,
        effect=f"{judging.effect(cost)}, growing with the square of the image motion",
        remedy="groundpace calibrate alignment --readout, or set camera.readout_s",
    )
