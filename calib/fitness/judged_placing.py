"""Clock, mounting, bias and readout of the flight held against the module file."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from calib.fitness.axes import AxesFound
from calib.fitness.finding import Estimate, Finding
from calib.fitness.judging import SURE, Judging
from calib.fitness.placing import Placing
from flow.module import Module

_NO_TURNING = "the craft hardly turned: nothing to compare"
_NO_FIT = "the matches do not agree on one plane, or the gyro does not explain the picture"


def placing_estimates(placing: Placing | None, axes: AxesFound | None, module: Module) -> list[Estimate]:
    """Clock, mounting, bias and readout, found again."""
    why = "" if placing is not None else _NO_TURNING if axes is None or not axes.enough else _NO_FIT
    gyro, alignment, camera = module.gyro, module.alignment, module.camera
    turn_sigma = alignment.rotation_sigma_rad
    table = [
        ("clock offset", "s", alignment.time_offset_s, alignment.sigma.time_offset_s, 3),
        *((f"mounting, turn about body {a}", "rad", 0.0, float(turn_sigma[k]), k) for k, a in enumerate("xyz")),
        *(
            (f"gyro bias {a}", "rad/s", gyro.bias_rad_s[k], gyro.sigma.bias_rad_s[k], 4 + k)
            for k, a in enumerate("xyz")
        ),
        ("readout", "s", camera.readout_s, camera.sigma.readout_s, 9),
    ]
    return [
        Estimate(
            quantity=quantity,
            unit=unit,
            by_module=value,
            module_sigma=sigma,
            by_flight=None if placing is None else value + float(placing.difference[place]),
            sigma=None if placing is None else float(placing.sigma[place]),
            why_not=why,
        )
        for quantity, unit, value, sigma, place in table
    ]


def placing_findings(placing: Placing, judging: Judging) -> Iterator[Finding]:
    """Judge clock, mounting, bias and readout."""
    module, flying = judging.module, judging.flying
    alignment, difference = module.alignment, placing.difference
    remedy = "groundpace calibrate alignment, with the module as it flies"
    known = np.hypot(placing.sigma[3], alignment.sigma.time_offset_s)
    clock = difference[3] / known
    if severity := judging.severity(flying.by_clock(difference[3]), clock):
        now = alignment.time_offset_s + difference[3]
        yield Finding(
            severity=severity,
            topic="clock",
            what=f"clock offset {1000 * now:+.2f} ± {1000 * placing.sigma[3]:.2f} ms, the module file says"
            f" {1000 * alignment.time_offset_s:+.2f} ms: {abs(clock):.0f} sigma",
            when_s=None,
            effect=judging.effect(flying.by_clock(difference[3])),
            remedy=f"{remedy}, or set alignment.time_offset_s",
        )
    turn, turn_sigma = difference[:3], np.hypot(placing.sigma[:3], alignment.rotation_sigma_rad)
    sigmas = float(np.abs(turn / turn_sigma).max())
    if severity := judging.severity(flying.by_mounting(turn), sigmas):
        degrees, spread = np.degrees(turn), np.degrees(placing.sigma[:3])
        about = ", ".join(f"{'xyz'[k]} {degrees[k]:+.2f} ± {spread[k]:.2f}°" for k in range(3))
        yield Finding(
            severity=severity,
            topic="mounting",
            what=f"the camera sits turned against the module file, about body {about}: {sigmas:.0f} sigma",
            when_s=None,
            effect=f"{judging.effect(flying.by_mounting(turn))}; the speed's direction by {abs(degrees[2]):.1f}°",
            remedy=f"is it loose or was it bumped? {remedy}",
        )
    yield from _bias(placing, judging, remedy)
    yield from _readout(placing, judging)
    worst = int(placing.spread[:7].argmax())
    if placing.spread[worst] > SURE and len(placing.parts) > 1:
        name = ("the mounting", "the mounting", "the mounting", "the clock offset", *["the gyro bias"] * 3)[worst]
        yield Finding(
            severity="care",
            topic="clock" if worst == 3 else "gyro" if worst > 3 else "mounting",
            what=f"{name} changes during the flight ({placing.spread[worst]:.0f} sigma between stretches)",
            when_s=None,
            effect="one figure in the module file cannot serve the whole flight",
            remedy="a loose camera, clocks that drift apart, or a gyro that was not warm",
        )


def _bias(placing: Placing, judging: Judging, remedy: str) -> Iterator[Finding]:
    module, bias = judging.module, placing.difference[4:7]
    sigma = np.hypot(placing.sigma[4:7], module.gyro.sigma.bias_rad_s)
    sigmas = float(np.abs(bias / sigma).max())
    if severity := judging.severity(judging.flying.by_bias(bias), sigmas):
        about = ", ".join(f"{'xyz'[k]} {1000 * bias[k]:+.1f} ± {1000 * placing.sigma[4 + k]:.1f}" for k in range(3))
        yield Finding(
            severity=severity,
            topic="gyro",
            what=f"bias in flight less that of the module file, mrad/s: {about}: {sigmas:.0f} sigma",
            when_s=None,
            effect=f"{judging.effect(judging.flying.by_bias(bias))}, always the same way",
            remedy=f"groundpace calibrate gyro from a log at rest of that day, warmed up; or {remedy}",
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
        what=f"rolling shutter: rows are read over {1000 * now:.1f} ± {1000 * placing.sigma[9]:.1f} ms, the module file says"
        f" {'none' if undeclared else f'{1000 * camera.readout_s:.1f} ms'}: {abs(sigmas):.0f} sigma",
        when_s=None,
        effect=f"{judging.effect(cost)}, growing with the square of the picture's motion",
        remedy="groundpace calibrate alignment --readout, or set camera.readout_s",
    )
