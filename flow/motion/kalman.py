"""The two steps of a linear Kalman filter, by their textbook names (Bar-Shalom, Li and Kirubarajan 2001, chapter 5)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Corrected:
    """State after a measurement: x (n,), P (n, n); ``nis`` is the squared normalised innovation.

    ``accepted`` says whether the measurement passed the gate; where it did not, x and P are those before it.
    """

    x: Array
    P: Array
    nis: float
    accepted: bool


def predict(x: Array, P: Array, F: Array, Q: Array) -> tuple[Array, Array]:
    """Propagate x (n,) and P (n, n) by a transition F (n, n) and process noise Q (n, n)."""
    return F @ x, F @ P @ F.T + Q


def correct(x: Array, P: Array, z: Array, H: Array, R: Array, gate: float = np.inf) -> Corrected:
    """Correct by a measurement z (m,) = H x + noise of covariance R (m, m), Joseph's form.

    A measurement whose squared normalised innovation, chi-square with m degrees of freedom, is beyond ``gate`` is left out.
    """
    PH = P @ H.T
    S = H @ PH + R
    weight = np.linalg.inv(S)
    innovation = z - H @ x
    nis = float(innovation @ weight @ innovation)
    if not nis <= gate:
        return Corrected(x, P, nis, accepted=False)
    K = PH @ weight
    keep = np.eye(len(x)) - K @ H
    P = keep @ P @ keep.T + K @ R @ K.T
    return Corrected(x + K @ innovation, 0.5 * (P + P.T), nis, accepted=True)
