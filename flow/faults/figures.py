"""The figures of a module that a flight can contradict: how far each may be off, and what each does to a velocity."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.error_sources import ErrorSource
from flow.module import Module
from flow.pair.shared_errors import UnitEffects
from flow.per_source import PerSource
from flow.stated_sigmas import stated_sigma

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flown:
    """A row as its figures act on it: velocity (3,), m/s, time between the frames, and rate (3,) of the body, its axes."""

    velocity_m_s: Array
    interval_s: float
    rate_rad_s: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """That figures of a source are off.

    Attributes
    ----------
    figures
        How many are told apart in flight.
    off, beside
        One-sigma by which a figure is off if it is, and if it is not: what accelerometers and lens models leave beside the
        module's own sigma. In the unit of the source.
    effect
        What one unit of each does to a velocity, (3, figures), by the source's sensitivity (3, k) and the row.
    stated
        Picks these figures from those that the module file states, (n,).
    """

    figures: int
    off: float
    beside: float
    effect: Callable[[Array, Flown], Array]
    stated: Callable[[Array], Array]


# prior: rad/s, share, s, rad as the source's unit says; off by as far as a unit mixed up, a lens swapped or a mount knocked
# leave it; beside as accelerometers and lens models do
FAULTS: PerSource[Fault | None] = PerSource(
    image=None,
    image_drift=None,
    height=None,
    range=Fault(
        figures=1, off=0.04, beside=0.004,
        effect=lambda _, row: row.velocity_m_s[:, None],
        stated=lambda sigma: sigma,
    ),
    air=None,  # a share of every distance as well: not to be told from the range's
    focal_length=Fault(
        figures=1, off=0.04, beside=0.002,
        effect=lambda unit, _: unit.sum(axis=1)[:, None],
        stated=lambda sigma: np.array([sigma.max()]),
    ),
    gyro_noise=None,
    gyro_bias=Fault(
        figures=2, off=0.03, beside=0.001,  # about body x and y: what it does about z is seen in the image
        effect=lambda unit, row: (unit * row.interval_s)[:, :2],
        stated=lambda sigma: sigma[:2],
    ),
    gyro_scale=Fault(
        figures=3, off=0.1, beside=0.003,
        effect=lambda unit, row: unit * row.interval_s * row.rate_rad_s,
        stated=lambda _: np.zeros(3),
    ),
    clock=Fault(figures=1, off=0.01, beside=1e-4, effect=lambda unit, _: unit, stated=lambda sigma: sigma),
    mounting=Fault(figures=3, off=0.04, beside=0.002, effect=lambda unit, _: unit, stated=lambda sigma: sigma),
    tilt=None,
    lever_arm=None,
    acceleration=None,
    frame_times=None,
    relief=None,
    light=None,
    accelerometer=None,
)  # fmt: skip
"""What the force can say against each source; None where it is no figure of the module, or none that the force can tell."""

OFF_CHANCE = 0.03  # prior: chance, of each cause, that a module's file is off by more than it states

_HELD = {source: fault for source, fault in FAULTS.items() if fault is not None}
_COUNTS = [fault.figures for fault in _HELD.values()]
_STOPS = np.cumsum(_COUNTS)
_OFF = np.repeat([fault.off for fault in _HELD.values()], _COUNTS)
_BESIDE = np.repeat([fault.beside for fault in _HELD.values()], _COUNTS)
WHERE = {
    source: slice(int(stop) - count, int(stop)) for source, count, stop in zip(_HELD, _COUNTS, _STOPS, strict=True)
}
"""Where those of a source are among all."""
FIGURES = len(_OFF)
OF_RANGE = np.arange(FIGURES) == WHERE[ErrorSource.RANGE].start
HYPOTHESES = [frozenset(some) for most in range(3) for some in itertools.combinations(_HELD, most)]
"""None, one or two of them are off; the first: all is well."""


def weights(module: Module) -> tuple[Array, Array]:
    """Give one over the variance of each figure, (FIGURES,) if all are off and (hypotheses, FIGURES) under each of them."""
    said = np.concatenate([fault.stated(stated_sigma(source, module, np.inf)) for source, fault in _HELD.items()])
    said[OF_RANGE] = np.hypot(said[OF_RANGE], stated_sigma(ErrorSource.AIR, module))
    loose, tight = np.hypot(said, _OFF) ** -2.0, np.hypot(said, _BESIDE) ** -2.0
    free = np.array([np.repeat([source in some for source in _HELD], _COUNTS) for some in HYPOTHESES])
    return loose, np.where(free, loose, tight)


def by_figure(units: UnitEffects, velocity: Array, interval_s: float, rate_rad_s: Array) -> Array:
    """Give the unit effects of all figures side by side, (3, FIGURES)."""
    row = Flown(velocity_m_s=velocity, interval_s=interval_s, rate_rad_s=rate_rad_s)
    return np.hstack([fault.effect(units.of(source.acts_on), row) for source, fault in _HELD.items()])
