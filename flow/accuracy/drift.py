"""How far the position runs off when a speed log is integrated: over fixed windows, wherever they begin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.accuracy.pairs import Pairs

Array: TypeAlias = NDArray[np.float64]

WINDOWS_S = (1.0, 10.0, 60.0)
_LEAST_COVERED = 0.8
_LEAST_DISTANCE_M = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Error of the position after integrating the velocity for ``window_s``, level axes.

    Over all windows that begin with a row and of which compared rows cover at least 80 %: ``windows`` is how
    many of them fit without overlap. ``level_rms_m`` is the RMS length of the level drift, ``worst_m`` the
    longest one, in the window from ``worst_begin_s`` (log's clock) on; ``down_rms_m`` its vertical part.
    ``share_of_distance`` is ``level_rms_m`` over the RMS distance flown in a window; None in a hover.
    ``if_independent_m`` is what errors of the same sizes would add up to if each row's were independent of
    the next one's: far below ``level_rms_m`` they have a common cause. All None where no window is covered.
    """

    window_s: float
    windows: int
    level_rms_m: float | None
    down_rms_m: float | None
    worst_m: float | None
    worst_begin_s: float | None
    share_of_distance: float | None
    if_independent_m: float | None


def drift_over(pairs: Pairs, window_s: float) -> Drift:
    """Measure the drift over windows of ``window_s``.

    Rows that are missing inside a window count with the mean error of the others, since whoever integrates
    has to put something there. The level axes turn with the craft: while it yaws within a window, the drift
    is that of a map that turns along.
    """
    begin = pairs.time_s - pairs.interval_s / 2
    edges = np.maximum.accumulate(np.column_stack([begin, begin + pairs.interval_s]).ravel())
    begin = edges[::2]
    begin = begin[begin + window_s <= edges[-1] + 1e-6]
    sizes = np.column_stack([pairs.error_m_s, pairs.speed_m_s, np.ones(len(pairs.time_s))])
    sums = _between(edges, sizes * pairs.interval_s[:, None], begin, window_s)
    squares = np.sum(pairs.error_m_s[:, :2] ** 2, axis=1) * pairs.interval_s**2
    noise = _between(edges, squares[:, None], begin, window_s)[:, 0]
    covered = sums[:, 4] / window_s
    enough = covered >= _LEAST_COVERED
    if not enough.any():
        return Drift(window_s=window_s, windows=0, **dict.fromkeys(_FIGURES))
    sums, noise, begin = sums[enough] / covered[enough, None], noise[enough] / covered[enough], begin[enough]
    level = np.hypot(sums[:, 0], sums[:, 1])
    rms, flown_m, worst = _rms(level), _rms(sums[:, 3]), int(level.argmax())
    return Drift(
        window_s=window_s,
        windows=_side_by_side(begin, window_s),
        level_rms_m=rms,
        down_rms_m=_rms(sums[:, 2]),
        worst_m=float(level[worst]),
        worst_begin_s=float(begin[worst]),
        share_of_distance=rms / flown_m if flown_m > _LEAST_DISTANCE_M else None,
        if_independent_m=float(np.sqrt(noise.mean())),
    )


_FIGURES = (
    "level_rms_m",
    "down_rms_m",
    "worst_m",
    "worst_begin_s",
    "share_of_distance",
    "if_independent_m",
)


def _between(edges: Array, amounts: Array, begin: Array, window_s: float) -> Array:
    """Sum what rows (N, K) between edges (2N,) amount to in each window (M, K); a row counts by the part inside."""
    steps = np.zeros((len(edges), amounts.shape[1]))
    steps[1::2] = amounts
    whole = np.cumsum(steps, axis=0)
    ends = np.minimum(begin + window_s, edges[-1])
    return np.column_stack([np.interp(ends, edges, k) - np.interp(begin, edges, k) for k in whole.T])


def _side_by_side(begin: Array, window_s: float) -> int:
    count, free_s = 0, -np.inf
    for start in begin:
        if start >= free_s - 1e-6:
            count, free_s = count + 1, start + window_s
    return count


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))
