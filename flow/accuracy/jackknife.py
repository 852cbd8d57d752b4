"""One-sigma of a figure drawn from rows whose errors are not independent: leave out one block after the other."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]

_MOST_BLOCKS = 20
_FEWEST_BLOCKS = 5
_ROWS_A_BLOCK = 5


class Estimate(NamedTuple):
    """A figure and its one-sigma; the sigma is None where too few rows tell it."""

    value: float
    sigma: float | None


def jackknife(features: Array, statistic: Callable[[Array], Array]) -> Estimate:
    """Estimate a statistic of sums over rows, with its one-sigma under errors that are correlated in time.

    The rows, in order of time, are cut into up to 20 blocks; the spread of the estimates that each lack one
    block gives the sigma (the block jackknife of Künsch 1989, Annals of Statistics 17(3) 1217). Errors that
    last longer than a block would still slip through: twice the covariance of neighbouring blocks is added
    where it is positive (the first lag of Newey and West 1987, Econometrica 55(3) 703, without its taper).

    Parameters
    ----------
    features
        (N, F): what is summed, row by row.
    statistic
        Turns sums (..., F) into values (...).

    Examples
    --------
    The mean of 1, 2, ..., 100, and what is known of it when neighbours go together:

    >>> rows = np.arange(1.0, 101.0)
    >>> mean = jackknife(np.column_stack([np.ones(100), rows]), lambda s: s[..., 1] / s[..., 0])
    >>> print(round(mean.value, 6), mean.sigma > rows.std() / 10)
    50.5 True
    """
    total = features.sum(axis=0)
    value = float(statistic(total))
    count = min(_MOST_BLOCKS, len(features) // _ROWS_A_BLOCK)
    if count < _FEWEST_BLOCKS:
        return Estimate(value, None)
    starts = np.arange(count) * len(features) // count
    with np.errstate(divide="ignore", invalid="ignore"):
        without = statistic(total - np.add.reduceat(features, starts, axis=0))
    if not np.isfinite(without).all():
        return Estimate(value, None)
    off = without - without.mean()
    squares = float(off @ off) + max(0.0, 2 * float(off[1:] @ off[:-1]))
    return Estimate(value, float(np.sqrt((count - 1) / count * squares)))


def mean(values: Array) -> Estimate:
    """Mean of (N,) values."""
    return ratio(values, np.ones(len(values)))


def ratio(above: Array, below: Array) -> Estimate:
    """Sum of (N,) values over the sum of others; not finite where the second is zero."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return jackknife(np.column_stack([above, below]), lambda sums: sums[..., 0] / sums[..., 1])


def slope(y: Array, x: Array) -> Estimate:
    """Slope of the least-squares line through (N,) points; NaN where ``x`` does not vary."""
    x, y = x - x.mean(), y - y.mean()  # or the squares below would cancel
    features = np.column_stack([np.ones(len(x)), x, y, x * x, x * y])
    with np.errstate(divide="ignore", invalid="ignore"):
        return jackknife(features, _slope)


def _slope(sums: Array) -> Array:
    n, x, y, xx, xy = np.moveaxis(sums, -1, 0)
    return np.asarray((n * xy - x * y) / (n * xx - x * x))
