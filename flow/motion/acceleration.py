"""The body's acceleration during a pair of frames.

Rows that are exposed one after the other see a speed that changes at different values of it: left out, 1 m/s^2 looks
like a climb of 6 mm/s at 14 ms of readout.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceleration:
    """``vector_m_s2`` (3,) of the body origin in the local inertial frame, the mean of a pair, and its one-sigma along each."""

    vector_m_s2: Array
    sigma_m_s2: float
