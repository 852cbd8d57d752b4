"""How far the body has moved since the anchor, what turn the gyro missed, what slope the tilt: from matches, some wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.anchoring.view import Equations
from flow.numerics.least_squares import normal_equations, squared_misses, whitened
from flow.numerics.middle import upper_median

Array: TypeAlias = NDArray[np.float64]

_TUKEY = 4.685  # 95 % efficiency on Gaussian scatter (Huber and Ronchetti 2009)
_STRAIGHT, _ROUNDS = 6, 3
_HELD = 1e12  # of a slope that may not change: a microradian
_USED = 0.1  # weight from which on a match counts as one that agrees


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Change (8,) of D, e and s, its ``covariance`` (8, 8), the matches ``used`` (N,), their ``miss`` (N, 2) and ``scale``.

    ``pictures_alone`` (6,) is the change of D and e without what was known of the turn, and ``alone_covariance`` its (6, 6).
    """

    change: Array
    covariance: Array
    pictures_alone: Array
    alone_covariance: Array
    used: NDArray[np.bool_]
    miss: Array
    scale: float


def fit(equations: Equations, prior_rad2: Array, mean_rad: Array) -> Fit | None:
    """Solve the equations of an anchor; None where they do not determine the unknowns.

    Parameters
    ----------
    equations
        At least a dozen matches.
    prior_rad2
        (5, 5) covariance of what is known of turn and slope beforehand.
    mean_rad
        (5,) change of them that is most likely beforehand.

    Notes
    -----
    Rounds of least absolute misses, beginning from what was expected, then Tukey's weights. The scale is that of the
    median, never below 1: what the matches share does not show in how they scatter.
    """
    rows, target = whitened(equations.rows, equations.target, equations.covariance)
    prior = np.zeros((8, 8))
    prior[3:, 3:] = np.linalg.inv(prior_rad2)
    mean = np.concatenate([np.zeros(3), mean_rad])
    # With the slope free something that moves in a third of the view would find a plane that suits it too.
    steady = prior.copy()
    steady[6:, 6:] += _HELD * np.eye(2)
    # What was expected is close, or every match is as far from it as the others.
    weight: Array = 1 / np.sqrt(np.maximum(squared_misses(rows, target, np.zeros(8)), 1.0))
    spread = 1.0
    for k in range(_STRAIGHT + _ROUNDS):
        square, product = normal_equations(rows, target, weight)
        known = steady if k < _STRAIGHT else prior
        try:
            change = np.asarray(np.linalg.solve(square / spread + known, product / spread + prior @ mean), np.float64)
        except np.linalg.LinAlgError:
            return None
        squared = squared_misses(rows, target, change)
        if k < _STRAIGHT - 1:
            weight = 1 / np.sqrt(np.maximum(squared, 1.0))
        else:
            # The median of chi-square with two degrees of freedom is 2 ln 2.
            near = squared if k == _STRAIGHT - 1 else squared[weight > _USED]
            spread = max(upper_median(near) / (2 * np.log(2)), 1e-6)
            weight = np.square(np.maximum(1 - squared / (_TUKEY**2 * spread), 0.0))
            if np.count_nonzero(weight > _USED) < 6:
                return None
    square, product = (sums / max(spread, 1.0) for sums in normal_equations(rows, target, weight))
    slope = np.zeros((8, 8))
    slope[6:, 6:] = np.linalg.inv(prior_rad2[3:, 3:])
    if not np.linalg.eigvalsh(square + slope)[0] > 0:
        return None
    alone = np.asarray(np.linalg.inv(square + slope), np.float64)
    return Fit(
        change=change,
        covariance=np.asarray(np.linalg.inv(square + prior), np.float64),
        pictures_alone=(alone @ (product + slope @ mean))[:6],
        alone_covariance=alone[:6, :6],
        used=weight > _USED,
        miss=np.asarray(equations.target - equations.rows @ change, np.float64),
        scale=spread,
    )
