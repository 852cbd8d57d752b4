"""How hard the body rocks: an accelerometer off its origin feels that."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]

_AT_FIRST_RAD_S2 = 5.0  # prior: rad/s^2, a small rotorcraft that rocks by 0.1 rad at 1.3 Hz about two axes
# size: share, of the squares of two lengths, along an axis of the cross product with an arm of any direction
_ALONG = 2 / 3


class Rocking:
    """Running mean square of the angular acceleration, of the mean rates of steps.

    Parameters
    ----------
    memory_s
        How long it is averaged over.
    """

    def __init__(self, memory_s: float) -> None:
        self._memory_s, self._square = memory_s, _AT_FIRST_RAD_S2**2
        self._rate: Array | None = None

    @property
    def per_arm_rad_s2(self) -> float:
        """RMS acceleration along an axis of a point off the origin, by its distance along each axis, any of them alike likely.

        Of a cross product with such an arm, two thirds of the squares of both lengths are left along an axis.
        """
        return float(np.sqrt(_ALONG * self._square))

    def add(self, R_still_before: Array, R_still_now: Array, span_s: float) -> None:
        """Take a step, by the attitudes (3, 3) of the body at its ends."""
        turn = R_still_before.T @ R_still_now
        rate = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]) / (2 * span_s)
        if self._rate is not None:
            kept = float(np.exp(-span_s / self._memory_s))
            square = float(np.square(rate - self._rate).sum()) / span_s**2
            self._square = kept * self._square + (1 - kept) * square
        self._rate = rate
