"""Straight lines through series whose errors hang together."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]

LAG_S = 0.5
"""Errors so far apart may still be correlated."""

_ROUNDS = 4
_HUBER = 2.5


def fitted(target: Array, rows: Array, time_s: Array, lag_s: float = LAG_S) -> tuple[Array, Array]:
    """Fit ``rows @ x = target`` robustly; ``x`` (K,) and its covariance (K, K).

    Parameters
    ----------
    target, rows
        (N, M) and (N, M, K): M equations at each of N instants.
    time_s
        (N,) increasing: the covariance sums products of the scores of instants up to ``lag_s`` apart (Newey and West
        1987), so that errors which last count once.
    lag_s
        See ``time_s``.

    Notes
    -----
    Weights are Huber's, with the scale from the median absolute residual.
    """
    count, size = len(target), rows.shape[-1]
    flat, aim = rows.reshape(-1, size), target.ravel()
    weight = np.ones(len(aim))
    for _ in range(_ROUNDS):
        inverse = np.linalg.pinv(flat.T @ (flat * weight[:, None]), hermitian=True)
        x = inverse @ (flat.T @ (weight * aim))
        left = aim - flat @ x
        scale = max(1.4826 * float(np.median(np.abs(left))), 1e-15)
        weight = np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(left), 1e-15))
    scores = (flat * (weight * left)[:, None]).reshape(count, -1, size).sum(axis=1)
    middle = scores.T @ scores
    lags = min(int(lag_s / float(np.median(np.diff(time_s)))), count // 4)
    for lag in range(1, lags + 1):
        shared = scores[lag:].T @ scores[:-lag]
        middle += (1 - lag / (lags + 1)) * (shared + shared.T)
    freedom = max(count / max(lags, 1) - size, 1.0)
    return x, inverse @ middle @ inverse * (1 + size / freedom)


def slope(target: Array, along: Array, time_s: Array) -> tuple[float, float]:
    """Slope of ``target`` (N,) over ``along`` (N,), through the origin, and its one-sigma."""
    x, covariance = fitted(target[:, None], along[:, None, None], time_s)
    return float(x[0]), float(np.sqrt(max(covariance[0, 0], 0.0)))


def integral(values: Array, time_s: Array) -> Array:
    """Give the running integral of ``values`` (N, ...) over ``time_s`` (N,) by trapezoids, from zero."""
    steps = np.diff(time_s).reshape(-1, *[1] * (values.ndim - 1))
    area = np.cumsum(0.5 * (values[1:] + values[:-1]) * steps, axis=0)
    return np.concatenate([np.zeros((1, *values.shape[1:])), area])
