"""The moments in which a speed log was most wrong, to be looked up in the video."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.accuracy.pairs import Pairs

Array: TypeAlias = NDArray[np.float64]

_MOST = 5
_APART_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A row: its time on the log's clock, its signed errors, and the largest of them in units of its own sigma.

    ``sigmas`` is None where the row claims a sigma of zero.
    """

    time_s: float
    forward_error_m_s: float
    right_error_m_s: float
    down_error_m_s: float
    sigmas: float | None


def largest_errors(pairs: Pairs) -> list[Moment]:
    """Up to five moments, at least a second apart, with the largest level error; largest first."""
    return _moments(pairs, np.hypot(pairs.error_m_s[:, 0], pairs.error_m_s[:, 1]))


def farthest_outside(pairs: Pairs, band: float) -> list[Moment]:
    """Up to five moments, at least a second apart, farthest outside the band of ``band`` of their own sigma."""
    sigmas = _sigmas(pairs)
    return _moments(pairs, np.where(sigmas > band, sigmas, np.nan))


def _sigmas(pairs: Pairs) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.fmax.reduce(np.abs(pairs.error_m_s) / pairs.sigma_m_s, axis=1))


def _moments(pairs: Pairs, size: Array) -> list[Moment]:
    sigmas = _sigmas(pairs)
    left = np.where(np.isnan(size), -np.inf, size)
    found: list[Moment] = []
    while len(found) < _MOST and left.max() > 0:
        row = int(left.argmax())
        forward, right, down = (float(e) for e in pairs.error_m_s[row])
        found.append(
            Moment(
                time_s=float(pairs.time_s[row]),
                forward_error_m_s=forward,
                right_error_m_s=right,
                down_error_m_s=down,
                sigmas=float(sigmas[row]) if np.isfinite(sigmas[row]) else None,
            )
        )
        left[np.abs(pairs.time_s - pairs.time_s[row]) < _APART_S] = -np.inf
    return found
