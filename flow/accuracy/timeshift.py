"""The shift between the clocks of a speed log and a reference log, from the motion that both saw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from flow.accuracy.jackknife import ratio
from flow.accuracy.reference import Reference
from flow.speedlog import SpeedLog

Array: TypeAlias = NDArray[np.float64]

LARGEST_SHIFT_S = 0.5
_STEP_S = 0.01  # a fifth of the period of the fastest motion an airframe makes as a whole (some 20 Hz)
_LOOSEST_SIGMA_S = 0.02
_FEWEST_ROWS = 25  # below, no sigma can be had of blocks
_SURE = 25.0  # five sigma, squared: how much worse the next best shift must be, in units of its own variance


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeShift:
    """``log time + shift_s = reference time``, with its one-sigma under errors that are correlated in time."""

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
    sigma_s, wider = fit.sigma_s(shift_s)
    if not sigma_s <= _LOOSEST_SIGMA_S:
        return None
    if (rivals - least <= _SURE * wider**2 * variance + 1e-6 * fit.spread).any():
        return None
    return TimeShift(shift_s=shift_s, sigma_s=sigma_s)


class _Fit:
    """The rows that the reference covers at every shift, fitted by constant and scale at any of them."""

    def __init__(self, log: SpeedLog, reference: Reference) -> None:
        self._reference = reference
        rows = log.usable.copy()
        for shift in np.arange(-LARGEST_SHIFT_S, LARGEST_SHIFT_S + 0.05, 0.1):
            rows &= ~np.isnan(reference.mean_velocity_m_s(log.time_s + shift, log.interval_s)[:, 0])
        self._time, self._interval = log.time_s[rows], log.interval_s[rows]
        self._log = log.velocity_m_s[rows] - log.velocity_m_s[rows].mean(axis=0) if rows.any() else np.empty((0, 3))
        self.rows = int(rows.sum())
        self.spread = float(np.sum(self._log**2))

    def misfit(self, shift_s: float) -> float:
        """Sum of squares, m2/s2, that the reference at this shift does not explain."""
        return self.spread - float(np.sum(self._scales(self._truth(shift_s))[1]))

    def sigma_s(self, shift_s: float) -> tuple[float, float]:
        """One-sigma of the best shift, and how many times what independent errors would give, at least 1.

        To first order a shift d from the best one leaves the residual r - d p, p the derivative of the fitted
        reference by the shift without what a change of scale explains: d = sum(p r) / sum(p p), which is zero
        at the best shift and moves as blocks of rows are left out.
        """
        truth = self._truth(shift_s)
        scale = self._scales(truth)[0]
        push = scale * (self._truth(shift_s + _STEP_S / 2) - self._truth(shift_s - _STEP_S / 2)) / _STEP_S
        size = np.sum(truth**2, axis=0)
        push -= truth * np.divide(np.sum(push * truth, axis=0), size, out=np.zeros(3), where=size > 1e-12)
        left = self._log - scale * truth
        found = ratio(np.sum(push * left, axis=1), np.sum(push**2, axis=1)).sigma
        if found is None:
            return np.inf, 1.0
        alone = float(np.sqrt(np.sum(left**2) / (3 * self.rows - 7) / np.sum(push**2)))
        return found, max(found / alone, 1.0) if alone > 0 else 1.0

    def _scales(self, truth: Array) -> tuple[Array, Array]:
        size, shared = np.sum(truth**2, axis=0), np.sum(truth * self._log, axis=0)
        scale = np.divide(shared, size, out=np.zeros(3), where=size > 1e-12)
        # Only a scale above zero explains anything: a mirrored motion is another motion.
        scale = np.maximum(scale, 0.0)
        return scale, scale * shared

    def _truth(self, shift_s: float) -> Array:
        truth = self._reference.mean_velocity_m_s(self._time + shift_s, self._interval)
        return np.asarray(truth - truth.mean(axis=0))
