"""The picture's own turning held against the gyro's.

A gyro whose axes are swapped, whose sign is wrong or that is not connected gives a speed for every pair, all points
agreeing: in a narrow view a turn looks almost like a shift. Almost: about the optical axis it looks like nothing else,
and about the others its motion grows with the square of the distance from the middle. So the turn that the gyro left in
the picture can be solved for together with the velocity; over a second it is plain when that is no small rest.
"""

from __future__ import annotations

from collections import deque
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.velocity import PairGeometry, Solution, motion_of_turn

Array: TypeAlias = NDArray[np.float64]

_MEMORY = 45  # pairs
_FEWEST = 6
_EVERY = 6  # of so many pairs two are looked at, one after the other, once there are a few
_WRONG_SHARE, _RIGHT_SHARE = 0.3, 0.1  # of an axis' turning, squared: a sign error leaves 4, a dead axis 1
_CERTAIN = 4.0  # times what scatter explains
# Turning that lens, relief, mounting and codec may leave: so much about camera x, y, z (about x and y a turn is almost
# a shift), and such shares of the ground's angular speed and of the turning about all axes.
_LEAST_RAD_S = np.array([0.2, 0.2, 0.1])
_LEAST_OF_FLOW, _LEAST_OF_TURN = 0.1, 0.05


class TurnCheck:
    """Tells whether image and gyro speak of the same turns, over the last second or two."""

    def __init__(self) -> None:
        self._left: deque[Array] = deque(maxlen=_MEMORY)  # turn that the gyro has too much, rad/s
        self._turned: deque[Array] = deque(maxlen=_MEMORY)  # turn by the gyro, rad/s
        self._flow: deque[float] = deque(maxlen=_MEMORY)  # speed over distance, rad/s
        self._scatter: deque[Array] = deque(maxlen=_MEMORY // 2)  # variance shown by two pairs in a row, (rad/s)^2
        self._pairs = 0
        self._wrong = False

    def disagrees(self, pair: PairGeometry, solution: Solution, turned_rad: Array, interval_s: float) -> bool:
        """Take a pair into account and give the verdict.

        Parameters
        ----------
        pair, solution
            The equations and what came of them with the gyro's turn taken out.
        turned_rad
            The gyro's turn of the camera over the interval, camera axes.
        interval_s
            Its length.
        """
        self._pairs += 1
        if len(self._left) < _FEWEST or self._pairs % _EVERY < 2:
            left = turn_left_over(pair, solution) / interval_s
            if self._left and self._pairs % 2:
                # Scatter changes from pair to pair, a wrong turn as slowly as the craft turns.
                self._scatter.append(0.5 * (left - self._left[-1]) ** 2)
            self._left.append(left)
            self._turned.append(turned_rad / interval_s)
            self._flow.append(float(np.linalg.norm(solution.velocity_m_s)) / pair.distance_m)
            if len(self._left) >= _FEWEST:
                self._judge()
        return self._wrong

    def _judge(self) -> None:
        left, by_gyro = np.array(self._left), np.array(self._turned)
        size = np.mean(left**2, axis=0)
        noise = np.mean(self._scatter, axis=0)
        turning = np.maximum(np.mean(by_gyro**2, axis=0), np.mean((by_gyro - left) ** 2, axis=0))
        excess = size - noise
        allowed = _LEAST_RAD_S + _LEAST_OF_FLOW * np.mean(self._flow) + _LEAST_OF_TURN * np.sqrt(turning.sum())
        if self._wrong:  # believed again when nothing speaks against it any more
            self._wrong = bool(((excess > _RIGHT_SHARE * turning) | (size > allowed**2)).any())
        else:
            certain = (size > _CERTAIN * noise) & (excess > allowed**2)
            self._wrong = bool((certain & (excess > _WRONG_SHARE * turning)).any())


def turn_left_over(pair: PairGeometry, solution: Solution) -> Array:
    """Solve for the turn of the camera (3,), rad, that the gyro has too much, by the picture.

    Solved together with the velocity (Schur complement of the six normal equations) over the matches that agree.
    """
    used = solution.used
    rows, miss = solution.rows[used], solution.miss[used]
    turns = motion_of_turn(pair.second_ray[used])
    weight = np.linalg.inv(pair.covariance[used])
    weighted_rows, weighted_turns = weight @ rows, weight @ turns
    across = np.einsum("nij,nik->jk", rows, weighted_turns)
    square = np.einsum("nij,nik->jk", rows, weighted_rows)
    left = np.einsum("nij,nik->jk", turns, weighted_turns) - across.T @ np.linalg.solve(square, across)
    pull = np.einsum("nij,ni->j", weighted_turns, miss)
    return np.asarray(-np.linalg.solve(left, pull), np.float64)
