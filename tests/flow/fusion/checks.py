"""Twenty flights, fused, and whether their errors are within chi-square bounds."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable

import numpy as np
from scipy.stats import chi2

from flow.fusion import FusedStates
from tests.flow.fusion.flown import Array, Flown, Run, errors, fly, fuse, hover, squared

SEEDS = range(20)
MOMENTS_S = (1.0, 2.5, 4.0, 5.5)
QUANTITIES = {"velocity": 3, "tilt": 2, "height": 1, "gyro_bias": 3, "accel_bias": 3}
NEVER = 1e-5  # two-sided chance of a bound; some 60 are tested


@functools.cache
def flown(seed: int) -> Flown:
    # Half of them hover, half pass at 1 m/s.
    return fly(hover(6.5, seed, speed_m_s=float(seed % 2)), seed)


@functools.cache
def fused(seed: int) -> Run:
    return fuse(flown(seed))


def picked(states: list[FusedStates]) -> FusedStates:
    """Pick the states at some moments."""
    joined = {
        field.name: np.concatenate([getattr(part, field.name) for part in states])
        for field in dataclasses.fields(FusedStates)
    }
    rows = np.searchsorted(joined["time_s"], MOMENTS_S)
    return FusedStates(**{name: column[rows] for name, column in joined.items()})


def within(sums: Array, degrees: int) -> bool:
    """Whether sums of squared normalised errors are within their chi-square bounds."""
    low, high = chi2.ppf([NEVER / 2, 1 - NEVER / 2], degrees)
    return bool(((sums > low) & (sums < high)).all())


def state_sums(run_of: Callable[[int], Run], of: Callable[[Run], list[FusedStates]]) -> dict[str, Array]:
    """Sum over the seeds at each moment."""
    found = [errors(flown(seed), picked(of(run_of(seed)))) for seed in SEEDS]
    return {name: np.sum([squared(one, name) for one in found], axis=0) for name in QUANTITIES}
