"""The two steps of a linear Kalman filter, by their textbook names (Bar-Shalom, Li and Kirubarajan 2001, chapter 5)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled
from flow.numerics.least_squares import inverted

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
    return _predicted(x, P, F, Q)


def correct(x: Array, P: Array, z: Array, H: Array, R: Array, gate: float = np.inf) -> Corrected:
    """Correct by a measurement z (m,) = H x + noise of covariance R (m, m), Joseph's form.

    A measurement whose squared normalised innovation, chi-square with m degrees of freedom, is beyond ``gate`` is left out.
    """
    found_x, found_P, nis = _corrected(x, P, z, H, R)
    accepted = bool(nis <= gate)
    return Corrected(found_x, found_P, nis, accepted) if accepted else Corrected(x, P, nis, accepted)


@compiled
def _predicted(x: Array, P: Array, F: Array, Q: Array) -> tuple[Array, Array]:
    return F @ x, F @ P @ F.T + Q


@compiled
def _corrected(x: Array, P: Array, z: Array, H: Array, R: Array) -> tuple[Array, Array, float]:
    PH = P @ H.T
    weight = inverted(H @ PH + R)
    innovation = z - H @ x
    K = PH @ weight
    keep = np.eye(len(x)) - K @ H
    P = keep @ P @ keep.T + K @ R @ K.T
    nis: float = np.dot(innovation, weight @ innovation)
    return x + K @ innovation, 0.5 * (P + P.T), nis
