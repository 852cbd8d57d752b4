"""The shift between the clocks of a speed log and a reference log, from the motion that both saw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from flow.reference import Reference
from flow.speedlog import SpeedLog

Array: TypeAlias = NDArray[np.float64]

LARGEST_SHIFT_S = 0.5
_STEP_S = 0.01  # a fifth of the period of the fastest motion an airframe makes as a whole (some 20 Hz)
_LOOSEST_SIGMA_S = 0.02
_FEWEST_ROWS = 20
_SURE = 25.0  # five sigma: how much worse the next best shift must be, in units of the residual variance


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeShift:
    """``log time + shift_s = reference time``; ``sigma_s`` supposes independent errors: a lower bound."""

    shift_s: float
    sigma_s: float


def find_time_shift(log: SpeedLog, reference: Reference) -> TimeShift | None:
    """Find the shift, within 0.5 s, at which the log fits the reference best.

    At each shift the log is fitted, axis by axis, by a constant and a scale times the reference: what is left
    over is least at the right one. This is the maximum of the cross-correlation, blind to bias and scale.

    Returns
    -------
    None where the motion cannot tell: hardly any acceleration against the noise, a motion that repeats itself
    within the search, a best shift at its edge, or too few rows.
    """
    fit = _Fit(log, reference)
    if fit.rows < _FEWEST_ROWS:
        return None
    shifts = np.arange(-LARGEST_SHIFT_S, LARGEST_SHIFT_S + _STEP_S / 2, _STEP_S)
    misfits = np.array([fit.misfit(shift) for shift in shifts])
    best = int(np.argmin(misfits))
    if best in (0, len(shifts) - 1):
        return None
    bracket = shifts[best - 1], shifts[best + 1]
    found = minimize_scalar(fit.misfit, bounds=bracket, method="bounded", options={"xatol": 1e-6})
    shift_s, least = float(found.x), float(found.fun)
    variance = least / (3 * fit.rows - 7)
    inner = np.flatnonzero((misfits[1:-1] <= misfits[:-2]) & (misfits[1:-1] <= misfits[2:])) + 1
    rivals = misfits[[i for i in (*inner, 0, len(shifts) - 1) if abs(i - best) > 1]]
    if (rivals - least <= _SURE * variance + 1e-6 * fit.spread).any():
        return None
    push = fit.sensitivity(shift_s)
    sigma_s = float(np.sqrt(variance / push)) if push > 0 else np.inf
    return TimeShift(shift_s=shift_s, sigma_s=sigma_s) if sigma_s <= _LOOSEST_SIGMA_S else None


class _Fit:
    """The rows that the reference covers at every shift, fitted by constant and scale at any of them."""

    def __init__(self, log: SpeedLog, reference: Reference) -> None:
        self._reference = reference
        rows = log.usable.copy()
        for shift in np.arange(-LARGEST_SHIFT_S, LARGEST_SHIFT_S + 0.05, 0.1):
            rows &= ~np.isnan(reference.mean_velocity_m_s(log.time_s + shift, log.interval_s)[:, 0])
        self._time, self._interval = log.time_s[rows], log.interval_s[rows]
        self._log = (
            log.velocity_m_s[rows] - log.velocity_m_s[rows].mean(axis=0) if rows.any() else np.empty((0, 3))
        )
        self.rows = int(rows.sum())
        self.spread = float(np.sum(self._log**2))

    def misfit(self, shift_s: float) -> float:
        """Sum of squares, m2/s2, that the reference at this shift does not explain."""
        return self.spread - float(np.sum(self._scales(shift_s)[1]))

    def sensitivity(self, shift_s: float) -> float:
        """Sum of squared derivatives of the fitted reference by the shift, m2/s4."""
        later, earlier = (self._truth(shift_s + d) for d in (0.5 * _STEP_S, -0.5 * _STEP_S))
        return float(np.sum((self._scales(shift_s)[0] * (later - earlier) / _STEP_S) ** 2))

    def _scales(self, shift_s: float) -> tuple[Array, Array]:
        truth = self._truth(shift_s)
        size, shared = np.sum(truth**2, axis=0), np.sum(truth * self._log, axis=0)
        scale = np.divide(shared, size, out=np.zeros(3), where=size > 1e-12)
        # Only a scale above zero explains anything: a mirrored motion is another motion.
        scale = np.maximum(scale, 0.0)
        return scale, scale * shared

    def _truth(self, shift_s: float) -> Array:
        truth = self._reference.mean_velocity_m_s(self._time + shift_s, self._interval)
        return np.asarray(truth - truth.mean(axis=0))
