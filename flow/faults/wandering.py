"""A speed that wanders against the accelerometer: what moves in the picture is not only the ground.

Grass in wind, say, or shadows that sway; whatever it is, the speed is no better than that.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.geometry import LONGEST_INTERVAL_S

Array: TypeAlias = NDArray[np.float64]

_AVERAGED_S = 1.0  # size: s, of the running mean
_CHANCE = 1.5  # rate: 1 in 50, times the noise: the mean of chi-square over some 40 rows, which strays by a fifth
# prior: m/s and share one-sigma, what the force leaves of it itself (measured: 2-15 mm/s in gusts)
_OWN_M_S, _OWN_SHARE = 0.012, 0.008
_MOST_M_S = 0.5  # a single jump counts no more


class Wandering:
    """Learns how much there is of it, along axes that do not rotate."""

    def __init__(self) -> None:
        self._beyond = np.zeros(3)  # mean square of what noise and force do not explain

    @property
    def m_s(self) -> Array:
        """How far the speed of late wanders (3,), one-sigma; 0 where noise and force explain it."""
        return np.sqrt(np.maximum(self._beyond, 0.0))

    def faded_m_s(self, idle_s: float) -> Array:
        """Give the same so long after the last row that was heard: what is averaged over a second is forgotten as fast.

        Else a band that is too wide for a row to be heard would stay so for ever.
        """
        return self.m_s * float(np.exp(-0.5 * max(idle_s - LONGEST_INTERVAL_S, 0.0) / _AVERAGED_S))

    def learn(
        self,
        since_s: float,
        velocity_m_s: Array,
        expected_m_s: Array,
        variance: Array,
        shaken: float,
        lag_m_s: float = 0.0,
    ) -> None:
        """Hear a row. The less it and what is expected are known the less it tells.

        Parameters
        ----------
        since_s
            Time since the row before.
        velocity_m_s, expected_m_s
            (3,) by the picture, and by the rows of the last second and the force since.
        variance
            (3,) of the row by itself and of what is expected, m^2/s^2, new in every row.
        shaken
            How many times the force is noisier than that of a quiet sensor.
        lag_m_s
            One-sigma by which what is expected is off for long.
        """
        beyond = _unexplained(velocity_m_s, expected_m_s, variance, shaken) - lag_m_s**2
        own_m2_s2 = _own_m_s(velocity_m_s, shaken) ** 2
        share = min(since_s, LONGEST_INTERVAL_S) / _AVERAGED_S  # after a gap a row counts as one row
        self._beyond += share * own_m2_s2 / (own_m2_s2 + variance + lag_m_s**2) * (beyond - self._beyond)

    def disagree(self, velocity_m_s: Array, carried_m_s: Array, open_m2_s2: Array, shaken: float) -> None:
        """Hear a row that is taken for the ground although the force carried another velocity to it, both (3,).

        Which of the two is right is open: the band holds the other one too, and forgets it within seconds. ``open_m2_s2`` (3,) is
        what the force has drifted by since, and the row's own noise.
        """
        self._beyond = np.maximum(self._beyond, _unexplained(velocity_m_s, carried_m_s, open_m2_s2, shaken))


def _unexplained(velocity_m_s: Array, expected_m_s: Array, variance: Array, shaken: float) -> Array:
    """Square of what a velocity has beyond what noise and force explain, (3,)."""
    missed = np.minimum(np.abs(velocity_m_s - expected_m_s), _MOST_M_S)
    return np.asarray(np.square(missed) - _CHANCE * variance - _own_m_s(velocity_m_s, shaken) ** 2)


def _own_m_s(velocity_m_s: Array, shaken: float) -> float:
    return shaken * _OWN_M_S + _OWN_SHARE * float(np.linalg.norm(velocity_m_s))
