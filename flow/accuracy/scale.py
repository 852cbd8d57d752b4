"""A scale error against a reference: the share by which a log is above it throughout."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.accuracy.jackknife import ratio

Array: TypeAlias = NDArray[np.float64]

SIGNIFICANT_SIGMAS = 2.6
"""1 % of honest figures are farther off (normal distribution, two-sided)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """By what share values are above the reference, and the one-sigma."""

    value: float
    sigma: float

    def differs(self, other: Scale) -> bool:
        """Whether two scales differ significantly."""
        return bool(abs(self.value - other.value) >= SIGNIFICANT_SIGMAS * np.hypot(self.sigma, other.sigma))


def scale_error(seen: Array, reference: Array, sigma: Array) -> Scale | None:
    """Share by which ``seen`` (N, D) is above ``reference`` (N, D) throughout; None where that is not significant.

    Parameters
    ----------
    seen, reference
        Values in order of time; rows with NaN are left out.
    sigma
        (N,), one-sigma of the length of ``seen``.

    Notes
    -----
    Least squares without an intercept: the slope of the error on the reference, with a sigma that allows for errors which
    hang together in time (:mod:`flow.accuracy.jackknife`). It counts where it is beyond chance and beyond what the bands leave
    open: errors of one sigma that go with the value throughout.

    Examples
    --------
    >>> import numpy as np
    >>> from flow.accuracy.scale import scale_error
    >>> speed = np.sin(np.linspace(0, 20, 400))[:, None]
    >>> found = scale_error(1.02 * speed, speed, np.full(400, 1e-3))
    >>> round(found.value, 6)
    0.02
    """
    known = np.isfinite(seen).all(axis=1) & np.isfinite(reference).all(axis=1) & np.isfinite(sigma)
    seen, reference, sigma = seen[known], reference[known], sigma[known]
    square = np.square(reference).sum(axis=1)
    if not square.any():
        return None
    found = ratio(((seen - reference) * reference).sum(axis=1), square)
    if found.sigma is None or abs(found.value) <= SIGNIFICANT_SIGMAS * found.sigma:
        return None
    left_open = float(sigma @ np.sqrt(square) / square.sum())
    return Scale(value=found.value, sigma=found.sigma) if abs(found.value) > left_open else None
