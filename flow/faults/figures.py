"""The figures of a module that a flight can contradict: how far each may be off, and what each does to a velocity."""

from __future__ import annotations

import itertools
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.air import LIKELY_AIR_C, air_scale_sigma
from flow.error_sources import ErrorSource
from flow.module import Module
from flow.pair.shared_errors import UnitEffects

Array: TypeAlias = NDArray[np.float64]

# A figure is as the module says (and a little beside: what accelerometers and lens models leave), or off by about so much.
# prior: (number, off by, beside) in rad/s, share, share, s, share, rad; off by as far as a unit mixed up, a lens swapped or a
# mount knocked leave it; beside as accelerometers and lens models do
_CAUSES = {
    ErrorSource.GYRO_BIAS: (2, 0.03, 0.001),  # rad/s about body x and y: what it does about z is seen in the picture
    ErrorSource.GYRO_SCALE: (3, 0.1, 0.003),  # share, about body x, y and z
    ErrorSource.FOCAL_LENGTH: (1, 0.04, 0.002),
    ErrorSource.CLOCK: (1, 0.01, 1e-4),  # s
    ErrorSource.RANGE: (1, 0.04, 0.004),  # share
    ErrorSource.MOUNTING: (3, 0.04, 0.002),  # rad
}
OFF_CHANCE = 0.03  # prior: chance, of each cause, that a module's file is off by more than it states
"""Of each to be off, before anything is seen."""

_COUNTS = [count for count, _, _ in _CAUSES.values()]
_STOPS = np.cumsum(_COUNTS)
_OFF = np.repeat([off for _, off, _ in _CAUSES.values()], _COUNTS)
_BESIDE = np.repeat([beside for _, _, beside in _CAUSES.values()], _COUNTS)
WHERE = {source: slice(stop - count, stop) for source, count, stop in zip(_CAUSES, _COUNTS, _STOPS, strict=True)}
"""Where those of a source are among all."""
FIGURES = len(_OFF)
OF_RANGE = np.arange(FIGURES) == WHERE[ErrorSource.RANGE].start
HYPOTHESES = [frozenset(some) for most in range(3) for some in itertools.combinations(_CAUSES, most)]
"""None, one or two of them are off; the first: all is well."""


def weights(module: Module) -> tuple[Array, Array]:
    """Give one over the variance of each figure, (FIGURES,) if all are off and (hypotheses, FIGURES) under each of them."""
    alignment, gyro = module.alignment.sigma, module.gyro.sigma
    range_scale = np.hypot(module.range.sigma.scale, air_scale_sigma(module.range, LIKELY_AIR_C))
    said = np.concatenate(
        [
            gyro.bias_rad_s[:2],
            np.zeros(3),
            [module.camera.focal_sigma.max(), alignment.time_offset_s, range_scale],
            module.alignment.rotation_sigma_rad,
        ]
    )
    loose, tight = np.hypot(said, _OFF) ** -2.0, np.hypot(said, _BESIDE) ** -2.0
    free = np.array([np.repeat([source in some for source in _CAUSES], _COUNTS) for some in HYPOTHESES])
    return loose, np.where(free, loose, tight)


def by_figure(units: UnitEffects, velocity: Array, interval_s: float, rate_rad_s: Array) -> Array:
    """Give the unit effects of all figures side by side, (3, FIGURES)."""
    gyro = units.gyro * interval_s
    focal = units.focal_length.sum(axis=1)[:, None]
    columns = [gyro[:, :2], gyro * rate_rad_s, focal, units.clock, velocity[:, None], units.mounting]
    return np.hstack(columns)
