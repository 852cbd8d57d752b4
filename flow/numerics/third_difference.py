"""Third differences: they leave next to nothing of smooth motion, and white noise they enlarge by a known gain."""

from __future__ import annotations

import numpy as np

THIRD_DIFFERENCE = np.array([-1.0, 3.0, -3.0, 1.0])  # size: weights, of four values in order of time
OF_WHITE = float(THIRD_DIFFERENCE @ THIRD_DIFFERENCE)
"""Variance of the third difference of white noise over its own: 20."""
OF_DIFFERENCES = float(np.square(np.convolve(THIRD_DIFFERENCE, [-1.0, 1.0])).sum()) / 2
"""The same for e(k) = p(k) - p(k-1) of white p: the fourth difference of p, 70 var(p), over 2 var(p)."""
