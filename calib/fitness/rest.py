"""The gyro's bias where the log is at rest, against the module file's."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from calib.fitness.finding import Estimate, Finding
from calib.fitness.gyro_log import GyroFacts
from calib.fitness.judging import Judging
from calib.fitness.spans import whole
from flow.module import Module

_NO_REST = "the log is never at rest for half a second"


def rest_bias(facts: GyroFacts, module: Module) -> tuple[np.ndarray, np.ndarray] | None:
    """Mean rate (3,) at rest and its one-sigma: by noise, and by how the rests differ. None without a rest."""
    if not facts.rests:
        return None
    means = np.array([rest.rate_rad_s for rest in facts.rests])
    lasts_s = sum(rest.span_s[1] - rest.span_s[0] for rest in facts.rests)
    noise = module.gyro.noise_per_axis / np.sqrt(lasts_s)
    differ = means.std(axis=0, ddof=1) / np.sqrt(len(means)) if len(means) > 2 else np.zeros(3)
    return np.median(means, axis=0), np.maximum(noise, differ)


def rest_estimates(facts: GyroFacts, module: Module) -> list[Estimate]:
    """Bias at rest, an estimate an axis."""
    found = rest_bias(facts, module)
    return [
        Estimate(
            quantity=f"gyro bias {axis}, at rest",
            unit="rad/s",
            by_module=module.gyro.bias_rad_s[k],
            module_sigma=module.gyro.sigma.bias_rad_s[k],
            by_flight=None if found is None else float(found[0][k]),
            sigma=None if found is None else float(found[1][k]),
            why_not="" if found is not None else _NO_REST,
        )
        for k, axis in enumerate("xyz")
    ]


def rest_findings(facts: GyroFacts, judging: Judging) -> Iterator[Finding]:
    """Judge the bias at rest."""
    module = judging.module
    found = rest_bias(facts, module)
    if found is None:
        return
    bias = found[0] - module.gyro.bias_rad_s
    sigmas = float(np.abs(bias / np.hypot(found[1], module.gyro.sigma.bias_rad_s)).max())
    cost = judging.flying.by_bias(bias)
    if severity := judging.severity(cost, sigmas):
        about = ", ".join(f"{'xyz'[k]} {1000 * bias[k]:+.1f} ± {1000 * found[1][k]:.1f}" for k in range(3))
        offset_s = module.alignment.time_offset_s
        yield Finding(
            severity=severity,
            topic="gyro",
            what=f"bias at rest less that of the module file, mrad/s: {about}: {sigmas:.0f} sigma",
            when_s=whole([(rest.span_s[0] - offset_s, rest.span_s[1] - offset_s) for rest in facts.rests]),
            effect=f"{judging.effect(cost)}, always the same way",
            remedy="groundpace calibrate gyro from a log at rest of that day, warmed up",
        )
