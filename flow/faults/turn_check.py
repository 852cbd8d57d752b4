"""The picture's own turning held against the gyro's.

A gyro whose axes are swapped, whose sign is wrong or that is not connected gives a speed for every pair, all points
agreeing: in a narrow view a turn looks almost like a shift. Almost: about the optical axis it looks like nothing else,
and about the others its motion grows with the square of the distance from the middle. So the turn that the gyro left in
the picture can be solved for together with the velocity; over a second it is plain when that is no small rest.

A wrong clock leaves what goes with the turn's acceleration, a wrong focal length what goes with the turn itself about x
and y and not about z, undeclared rolling rows a turn about z that goes with the acceleration about y. Each is far smaller
than a wrong axis, and as plain, since it is known what to look for.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.module import Module
from flow.pair.equations import PairGeometry, motion_of_turn
from flow.pair.velocity import Solution

Array: TypeAlias = NDArray[np.float64]

_MEMORY = 45  # size: pairs, a second or two
_FEWEST, _FEWEST_MATCHES = 6, 25  # size: pairs for a variance, and matches, four for each of the six unknowns
_EACH = 20  # size: pairs, that are all looked at; of _EVERY later ones two are, one after the other: cost only
_EVERY = 6  # size: pairs, see _EACH
_WRONG_SHARE = (
    0.3  # prior: share of an axis' turning, squared; a sign error leaves 4, a dead axis 1, a scale of 10 % 0.01
)
_CERTAIN = 4.0  # times what scatter explains
# A single pair at the beginning is doubted beyond this (about x, y, z) and so many sigmas; two of them settle it.
_AT_ONCE_RAD_S = np.array([0.06, 0.06, 0.03])
_AT_ONCE_SIGMAS = 5.0  # rate: 6e-7 two-sided, five sigmas
# prior: rad/s and shares of the ground's angular speed and of the turning, that lens, relief, mounting and codec may leave about
# camera x, y, z (about x and y a turn is almost a shift).
_LEAST_RAD_S, _LEAST_OF_FLOW, _LEAST_OF_TURN = np.array([0.2, 0.2, 0.04]), np.array([0.1, 0.1, 0.03]), 0.05
_STRANGE = 4.0  # scatter beyond the usual that no turn explains: ground of two heights, things that move by themselves
# Shown right about an axis: so many pairs, turning by so many times what is left on clean flights, all but such a share
# of it (squared) the gyro's.
_SHOWN_PAIRS = 12  # size: pairs, twice those of a variance
_SHOWN_TURNING = 5.0  # rate: 6e-7 two-sided, five sigmas of what is left on clean flights
_SHOWN_SHARE = 0.1
# prior: sigmas and rad/s, what is left about camera x, y, z on clean flights: so many formal sigmas, and so much (measured)
_SIGMAS, _FLOOR_RAD_S = np.array([2.5, 2.5, 2.0]), np.array([0.012, 0.012, 0.004])
# prior: s, s, share and rad/s one-sigma, of clock, half the readout, focal length, and a bias of the gyro, which is no one's
# fault here: its sigma is the module file's matter.
_PRIOR = np.array([0.05, 0.02, 0.2, 0.01, 0.01, 0.01])
_LIMIT = np.array([0.005, 0.003, 0.03])  # of clock, half the readout and focal length, not to be passed over
# Pairs running without anything left, and against those that were wrong before: a stretch without much turning proves little.
_BELIEVED_AGAIN, _AGAIN_SHARE = 8, 0.25
_SURE = 4.0  # rate: 6e-5 two-sided, four sigmas
# prior: s, s, share, and chance; each is as the module says and a little beside, or off by about so much, one time in ten.
_OFF, _BESIDE, _OFF_CHANCE = np.array([0.01, 0.01, 0.1]), np.array([1e-4, 1e-4, 0.002]), 0.1
_UNRULY = 0.05  # size: share, a running mean of twenty pairs
_UNRULY_FIRST = 4.0  # prior: ratio of variances, before any has been seen: a codec's
_FOCAL_SHOWN = 0.75  # of a wrong focal length, what it leaves as a turn in a view of 60 degrees
_FADING = 0.98  # size: share, a running sum of fifty pairs


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """How far clock (s) and focal length (share) seem off, by the picture; 0 where little speaks for it."""

    clock_s: float
    focal: float


class TurnCheck:
    """Tells whether image and gyro speak of the same turns, over the last second or two.

    Parameters
    ----------
    module
        How well it says that it knows clock, readout and focal length.
    """

    def __init__(self, module: Module) -> None:
        self._pairs = 0
        self._wrong = self._doubted = self._misfits = False
        self._shown_right = np.zeros(3, bool)  # about camera x, y, z
        self._never_right = np.zeros(3, bool)  # axes that are wrong and never were shown right
        readout_s = module.camera.sigma.readout_s or 0.0
        stated = [module.alignment.sigma.time_offset_s, 0.5 * readout_s, float(module.camera.focal_sigma.max())]
        self._limit = np.maximum(_LIMIT, 3 * np.array(stated))
        self._right2, self._off2 = np.square(np.hypot(stated, _BESIDE)), np.square(np.hypot(stated, _OFF))
        self._forget()

    def disagrees(
        self,
        pair: PairGeometry,
        solution: Solution,
        turned_rad: Array,
        rate_change_rad_s: Array,
        interval_s: float,
        usual_scale: float,
    ) -> bool:
        """Take a pair into account and give the verdict.

        Parameters
        ----------
        pair, solution
            The equations and what came of them with the gyro's turn taken out.
        turned_rad, rate_change_rad_s
            The gyro's turn of the camera over the interval and the change of its rate, camera axes.
        interval_s
            Its length.
        usual_scale
            ``Solution.scale`` of the pairs before.
        """
        self._pairs += 1
        doubted = self._wrong or self._misfits
        if np.count_nonzero(solution.used) < _FEWEST_MATCHES:
            return doubted  # six unknowns from a handful of matches agree with anything
        if self._pairs > _EACH and self._pairs % _EVERY >= 2 and not doubted:
            return False
        left, sigma, scale = turn_left_over(pair, solution)
        if scale > _STRANGE * usual_scale + 1 and scale > 0.5 * solution.scale:
            return doubted  # something else is in the picture, and no turn takes it out
        left, sigma = left / interval_s, sigma / interval_s
        turned, flow = turned_rad / interval_s, float(np.linalg.norm(solution.velocity_m_s)) / pair.distance_m
        if self._left and self._pairs % 2:
            # Scatter changes from pair to pair, a wrong turn as slowly as the craft turns.
            self._scatter.append(0.5 * (left - self._left[-1]) ** 2)
        self._left.append(left)
        self._turned.append(turned)
        self._flow.append(flow)
        sigma_left = np.hypot(_SIGMAS * sigma, _FLOOR_RAD_S)
        if len(self._left) > 1 and self._pairs % 2:
            self._unruly += _UNRULY * (self._scatter[-1] / sigma_left**2 - self._unruly)
        if self._wrong:
            if self._right_again(left, turned, sigma_left):
                self._forget()
            return self._wrong
        self._weigh(left, sigma_left, turned, rate_change_rad_s / interval_s)
        if len(self._left) < _FEWEST:
            at_once = np.abs(left) > _at_once(flow, turned, left) + _AT_ONCE_SIGMAS * self._spread * sigma
            doubtful = bool(at_once.any())
            self._wrong, self._doubted = doubtful and self._doubted, doubtful or self._doubted
            self._never_right = at_once & ~self._shown_right
            return doubtful or self._wrong or self._misfits
        self._judge()
        return self._wrong or self._misfits

    @property
    def wrong_throughout(self) -> bool:
        """Whether it disagrees now and was never shown right before about the axis in question.

        A hand before the lens or another scene turns otherwise than the gyro too, which before turned as the picture did.
        A clock or a lens that is off was so from the start.
        """
        return bool(self._never_right.any()) if self._wrong else self._misfits

    @property
    def misfit(self) -> Misfit:
        """What the pairs so far say about clock and focal length.

        The noise of a codec alone leaves one sigma of anything: what counts is how much likelier the turns left over are
        with a figure that is off than with one that is right (Bayes), and the larger it may be the less of it is chance.
        """
        found, sigma = self._found()
        known = np.maximum(sigma**-2.0 - _PRIOR[:3] ** -2.0, 1e-9)  # by the pairs alone
        seen, spread2 = found / (sigma**2 * known), self._spread**2 / known
        if_right, if_off = spread2 + self._right2, spread2 + self._off2
        odds = np.exp(np.minimum(0.5 * (seen**2 / if_right - seen**2 / if_off + np.log(if_right / if_off)), 50.0))
        chance = odds * _OFF_CHANCE / (odds * _OFF_CHANCE + 1 - _OFF_CHANCE)
        more = np.maximum(chance - _OFF_CHANCE, 0.0)
        likely = np.sqrt(more) * np.abs(seen) * self._off2 / if_off
        return Misfit(clock_s=float(likely[0]), focal=float(likely[2]) / _FOCAL_SHOWN)

    @property
    def _spread(self) -> float:
        """Sigmas that turns left over scatter by, for one of their own."""
        return float(np.sqrt(max(1.0, self._unruly.max())))

    def _forget(self) -> None:
        self._left: deque[Array] = deque(maxlen=_MEMORY)  # turn that the gyro has too much, rad/s
        self._turned: deque[Array] = deque(maxlen=_MEMORY)  # turn by the gyro, rad/s
        self._flow: deque[float] = deque(maxlen=_MEMORY)  # speed over distance, rad/s
        self._scatter: deque[Array] = deque(maxlen=_MEMORY // 2)  # variance shown by two pairs in a row, (rad/s)^2
        self._unruly = np.full(
            3, _UNRULY_FIRST
        )  # scatter over the square of what is usual: neighbours that a codec moves together
        # Since it was found wrong: squares (3, 3) of what is left, of the turn and of what is noise; and how many pairs.
        self._since: deque[Array] = deque(maxlen=_MEMORY)
        self._accused = 0
        self._wrong = self._doubted = self._misfits = False
        self._square, self._product = np.diag(_PRIOR**-2), np.zeros(len(_PRIOR))

    def _found(self) -> tuple[Array, Array]:
        covariance = np.linalg.inv(self._square)
        return (covariance @ self._product)[:3], np.sqrt(np.diag(covariance)[:3])

    def _weigh(self, left: Array, sigma: Array, turned: Array, change: Array) -> None:
        """Learn which clock error, half readout and focal length would leave such turns."""
        # About x, y and z by each: (3, 6).
        by = np.array([[change[0], 0, turned[0]], [change[1], 0, turned[1]], [change[2], change[1], 0]])
        by = np.hstack([by, np.eye(3)])
        by, left = by / sigma[:, None], left / sigma
        self._square = _FADING * self._square + (1 - _FADING) * np.diag(_PRIOR**-2) + by.T @ by
        self._product = _FADING * self._product + by.T @ left
        found, sure = self._found()
        limit = (0.5 if self._misfits else 1.0) * self._limit
        self._misfits = bool((np.abs(found) > limit + _SURE * self._spread * sure).any())

    def _right_again(self, left: Array, turned: Array, sigma: Array) -> bool:
        """Whether what spoke against the gyro has gone: a hand before the lens, say, that moved by itself.

        Over the last pairs, the more the longer it was accused, what is left must be no more than noise, or so little of the
        turning as shows a gyro right.
        """
        self._since.append(np.stack([left**2, np.maximum(turned**2, (turned - left) ** 2), (2.5 * sigma) ** 2]))
        self._accused += 1
        run = min(max(_BELIEVED_AGAIN, round(_AGAIN_SHARE * self._accused)), _MEMORY)
        size, turning, noise = np.mean(list(self._since)[-run:], axis=0)
        return bool(self._accused >= run and (size < np.maximum(noise, _SHOWN_SHARE * turning)).all())

    def _judge(self) -> None:
        left, by_gyro = np.array(self._left), np.array(self._turned)
        size = np.mean(left**2, axis=0)
        noise = np.mean(self._scatter, axis=0)
        turning = np.maximum(np.mean(by_gyro**2, axis=0), np.mean((by_gyro - left) ** 2, axis=0))
        excess = size - noise
        allowed = _LEAST_RAD_S + _LEAST_OF_FLOW * np.mean(self._flow) + _LEAST_OF_TURN * np.sqrt(turning.sum())
        certain = (size > _CERTAIN * noise) & (excess > allowed**2)
        wrong = certain & (excess > _WRONG_SHARE * turning)
        self._wrong, self._never_right = bool(wrong.any()), wrong & ~self._shown_right
        if len(left) >= _SHOWN_PAIRS:
            turns = turning > np.square(_SHOWN_TURNING * _FLOOR_RAD_S)
            self._shown_right |= turns & (size < _SHOWN_SHARE * turning)


def _at_once(flow: float, by_gyro: Array, left: Array) -> Array:
    turning = max(float(np.linalg.norm(by_gyro)), float(np.linalg.norm(by_gyro - left)))
    return np.asarray(_AT_ONCE_RAD_S + _LEAST_OF_FLOW * flow + _LEAST_OF_TURN * turning)


def turn_left_over(pair: PairGeometry, solution: Solution) -> tuple[Array, Array, float]:
    """Solve for the turn of the camera (3,), rad, that the gyro has too much, by the picture.

    Solved together with the velocity over the matches that agree. Gives its one-sigma too, (3,), and the scatter that is
    then left, on the scale of ``Solution.scale``.
    """
    used = solution.used
    rows = np.concatenate([solution.rows[used], -motion_of_turn(pair.second_ray[used])], axis=2)
    miss, weight = solution.miss[used], np.linalg.inv(pair.covariance[used])
    weighted = weight @ rows
    square = np.einsum("nij,nik->jk", rows, weighted)
    covariance = np.linalg.inv(square + 1e-12 * np.trace(square) * np.eye(6))
    found = covariance @ np.einsum("nij,ni->j", weighted, miss)
    rest = miss - rows @ found
    # The median of chi-square with two degrees of freedom is 2 ln 2.
    scale = float(np.median(np.einsum("ni,nij,nj->n", rest, weight, rest))) / (2 * np.log(2))
    return found[3:], np.sqrt(scale * covariance.diagonal()[3:]), scale
