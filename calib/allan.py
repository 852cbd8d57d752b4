"""Overlapping Allan deviation of a rate log, and the three noise terms that explain it.

Two-sided noise spectra and their Allan variances, terms and symbols of IEEE Std 952 (formulas from memory,
checked by simulation in the tests):

====================  ==============  ========================
term                  S(f)            Allan variance
====================  ==============  ========================
angle random walk N   N^2             N^2 / tau
bias instability B    B^2 / (2 pi f)  B^2 (2 ln 2 / pi)
rate random walk K    K^2/(2 pi f)^2  K^2 tau / 3
====================  ==============  ========================
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

Array: TypeAlias = NDArray[np.float64]

FLICKER_FLOOR = 2 * math.log(2) / math.pi
"""Allan variance of bias instability over B^2; its root, 0.664, turns the floor of the curve into B."""

_LONGEST_TAU_S = 1000.0  # beyond it a bench only measures its own temperature
_REWEIGHTINGS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseTerms:
    """Least-squares fit of the three terms to one axis's Allan variances.

    Attributes
    ----------
    squares
        N^2, B^2, K^2 in SI units of the rate; none is negative.
    squares_covariance
        Their 3 x 3 covariance, from the statistics of the overlapping estimator and widened where the fit is
        poor.
    misfit_p
        Probability that sheer chance fits this badly. Tiny: the log holds something else than the three
        terms.
    variance_sigma
        One-sigma of each Allan variance.
    """

    squares: Array
    squares_covariance: Array
    misfit_p: float
    variance_sigma: Array


def overlapping_deviation(rate: Array, interval_s: float, factors: NDArray[np.int64]) -> Array:
    """Overlapping Allan deviation at ``factors * interval_s``.

    Parameters
    ----------
    rate
        (n,) evenly sampled, any unit.
    interval_s
        Sampling interval, s.
    factors
        Averaging factors m, each at least 1 and at most n / 2.

    Returns
    -------
    One deviation a factor, in the unit of ``rate``.

    Notes
    -----
    NIST SP 1065 (Riley 2008), equation 11 on its phase data: here the angle.
    """
    angle = np.concatenate(([0.0], np.cumsum(rate - rate.mean()))) * interval_s
    out = np.empty(len(factors))
    for k, m in enumerate(factors):
        bends = angle[2 * m :] - 2 * angle[m:-m] + angle[: -2 * m]
        out[k] = math.sqrt(bends @ bends / (2 * len(bends))) / (m * interval_s)
    return out


def octaves(samples: int, interval_s: float, shortest_s: float) -> NDArray[np.int64]:
    """Averaging factors, each twice the one before, up to an eighth of the log or 1000 s."""
    first = max(1, math.ceil(shortest_s / interval_s - 1e-9))
    last = min(samples / 8, _LONGEST_TAU_S / interval_s)
    count = math.floor(math.log2(last / first) + 1e-9) + 1 if last >= first else 0
    return first * 2 ** np.arange(count)


def model_variance(squares: Array, tau_s: Array) -> Array:
    """Allan variance of the three terms with N^2, B^2, K^2 = ``squares``."""
    return np.asarray(_design(tau_s) @ squares)


def fit_terms(variance: Array, tau_s: Array, duration_s: float) -> NoiseTerms:
    """N, B and K from overlapping Allan variances by generalised least squares.

    The variances are linear in the squares of the three terms, and their covariance follows from the terms
    themselves (:func:`estimator_covariance`): solved by reweighting, with no square allowed below zero.

    Parameters
    ----------
    variance, tau_s
        (k,) Allan variances and averaging times; at least 4.
    duration_s
        Length of the log, s.
    """
    design = _design(tau_s)
    gains = _gains(tau_s)
    squares = np.array([float(np.median(variance * tau_s)), 0.0, 0.0])
    for _ in range(_REWEIGHTINGS):
        root = _root(estimator_covariance(squares, tau_s, duration_s, gains))
        white = _whitened(root, design)
        squares = _not_negative(white, _whitened(root, variance))
    spread = estimator_covariance(squares, tau_s, duration_s, gains)
    root = _root(spread)
    white = _whitened(root, design)
    misfit = float(np.sum(np.square(_whitened(root, variance - design @ squares))))
    freedom = len(tau_s) - 3
    return NoiseTerms(
        squares=squares,
        squares_covariance=np.asarray(np.linalg.inv(white.T @ white) * max(1.0, misfit / freedom)),
        misfit_p=float(chi2.sf(misfit, freedom)),
        variance_sigma=np.sqrt(np.diag(spread)),
    )


def estimator_covariance(
    squares: Array, tau_s: Array, duration_s: float, gains: tuple[Array, Array] | None = None
) -> Array:
    """Covariance of overlapping Allan variances at different averaging times for Gaussian noise.

    With G the estimator's filter, ``cov(i, j) = 4 / T_ij * integral of |G_i|^2 |G_j|^2 S^2 df`` over
    positive frequencies (Percival 1995, Biometrika 82, 619, for the Haar wavelet; from memory), T_ij the
    geometric mean of the spans averaged over, T - 2 tau. For white noise its diagonal agrees with the
    degrees of freedom in NIST SP 1065 to a few per cent, which a test checks.
    """
    turn, gain = gains or _gains(tau_s)
    passed = gain * (squares[0] + squares[1] / turn + squares[2] / turn**2)
    passed /= np.sqrt(duration_s - 2 * tau_s)[:, None]
    return np.asarray(4 * (turn[1] - turn[0]) / (2 * np.pi) * (passed @ passed.T))


def _gains(tau_s: Array) -> tuple[Array, Array]:
    """Angular frequencies (f,), rad/s, and the filters' |G|^2 (k, f) at them."""
    step = 1 / (8 * float(tau_s.max()))
    count = math.ceil(6 / float(tau_s.min()) / step)
    turn = np.asarray(2 * np.pi * step * (np.arange(count) + 0.5), np.float64)
    x = np.outer(tau_s / 2, turn)
    return turn, np.asarray(2 * np.square(np.square(np.sin(x)) / x))


def _root(covariance: Array) -> Array:
    """Lower Cholesky factor; a millionth more on the diagonal keeps rounding from making it impossible."""
    return np.asarray(np.linalg.cholesky(covariance + 1e-6 * np.diag(np.diag(covariance))), np.float64)


def _whitened(root: Array, values: Array) -> Array:
    """Values in the metric of a covariance whose lower Cholesky factor is ``root``."""
    return np.asarray(np.linalg.solve(root, values), np.float64)


def _design(tau_s: Array) -> Array:
    return np.column_stack([1 / tau_s, np.full_like(tau_s, FLICKER_FLOOR), tau_s / 3])


def _not_negative(design: Array, value: Array) -> Array:
    """Least squares with no negative solution; the first column always stays (every gyro has white noise)."""
    best, least = np.zeros(design.shape[1]), math.inf
    for columns in ([0, 1, 2], [0, 1], [0, 2], [0]):
        found, *_ = np.linalg.lstsq(design[:, columns], value)
        misfit = float(np.sum(np.square(value - design[:, columns] @ found)))
        if found.min() >= 0 and misfit < least:
            best, least = np.zeros(design.shape[1]), misfit
            best[columns] = found
    return best
