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

_TUKEY = 4.685  # source: sigmas, 95 % efficiency on Gaussian scatter (Huber and Ronchetti 2009)
_STRAIGHT, _ROUNDS = 6, 3  # size: rounds, of least absolute residuals and of Tukey's weights
_HELD = 1e12  # size: rad^-2, weight of a slope that may not change: a microradian
_USED = 0.1  # size: weight, from which on a match counts as an inlier


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What matches say of the eight unknowns (D, e, s), linearised.

    ``change`` (8,) is the likeliest with what was known beforehand; ``information`` (8, 8) and ``pull`` (8,) are the
    matches' alone: ``information @ change = pull`` is their own solution, which they need not determine. ``used`` (N,) are
    the matches that agree, ``miss`` (N, 2) how far each is off and ``scale`` by how much more than it should.
    """

    change: Array
    information: Array
    pull: Array
    used: NDArray[np.bool_]
    miss: Array
    scale: float

    def of_turn(self) -> tuple[Array, Array]:
        """Information (5, 5) and pull (5,) of turn and slope, the way left open."""
        way, across = self.information[:3, :3], self.information[:3, 3:]
        gain = np.linalg.solve(way, across).T
        return self.information[3:, 3:] - gain @ across, self.pull[3:] - gain @ self.pull[:3]

    def way_given(self, wrong: Array) -> tuple[Array, Array, Array]:
        """Change (3,) of the way if turn and slope (5,) are known, its covariance (3, 3), and (3, 5) what they move it by."""
        covariance = np.linalg.inv(self.information[:3, :3])
        per_wrong = -covariance @ self.information[:3, 3:]
        return covariance @ self.pull[:3] + per_wrong @ wrong, np.asarray(covariance), per_wrong

    def given_slope(self, slope_rad: Array) -> tuple[Array, Array, Array]:
        """Change (6,) of way and turn by these matches if the slope changes so (2,), its covariance, and (6, 2) by slope."""
        covariance = np.asarray(np.linalg.inv(self.information[:6, :6]))
        by_slope = -covariance @ self.information[:6, 6:]
        return covariance @ self.pull[:6] + by_slope @ slope_rad, covariance, by_slope

    def alone(self, slope_rad: Array, slope_rad2: Array) -> tuple[Array, Array]:
        """Change (6,) of way and turn by these matches, and its covariance (6, 6); of the slope (2,) is known what is given."""
        known = np.zeros((8, 8))
        known[6:, 6:] = np.linalg.inv(slope_rad2)
        covariance = np.linalg.inv(self.information + known)
        change = covariance @ (self.pull + known[:, 6:] @ slope_rad)
        return change[:6], np.asarray(covariance[:6, :6])


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
    if not min(np.linalg.eigvalsh(square + prior)[0], np.linalg.eigvalsh(square[:3, :3])[0]) > 0:
        return None
    return Fit(
        change=change,
        information=square,
        pull=product,
        used=weight > _USED,
        miss=np.asarray(equations.target - equations.rows @ change, np.float64),
        scale=spread,
    )
