"""The error budget of one velocity: for each source the velocity errors that one sigma of it causes.

The effect of a source is an array (3, k), m/s, of k independent columns, (3, 0) where it has none. A column's sign is that of
the figure behind it in every row alike, so columns of a constant figure may be added up with their signs; what differs from
row to row has no sign to keep. The covariance is the sum of the columns' outer products.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.error_sources import ErrorSource
from flow.per_source import PerSource

Array: TypeAlias = NDArray[np.float64]
Effects: TypeAlias = PerSource[Array]

NO_EFFECT = np.empty((3, 0))
NO_EFFECT.flags.writeable = False


def covariance_of(effect: Array) -> Array:
    """Covariance (3, 3) of independent one-sigma effects (3, k)."""
    return np.asarray(effect @ effect.T)


def total_covariance(effects: Effects) -> Array:
    """Covariance (3, 3) of a row: all sources, which are independent of each other.

    Examples
    --------
    >>> import numpy as np
    >>> from flow.effects import NO_EFFECT, total_covariance
    >>> from flow.error_sources import ErrorSource
    >>> from flow.per_source import PerSource
    >>> none = PerSource.of(lambda source: NO_EFFECT)
    >>> total_covariance(none.replaced(ErrorSource.CLOCK, np.array([[0.1], [0.0], [0.2]]))).diagonal().round(6)
    array([0.01, 0.  , 0.04])
    """
    return covariance_of(np.hstack(list(effects.values())))


def sigmas_m_s(effects: Effects) -> Effects:
    """One-sigma (3,) of each source along each axis."""
    return effects.mapped(lambda effect: np.sqrt(np.square(effect).sum(axis=1)))


def turned(effects: Effects, R: Array) -> Effects:
    """Give the effects in the axes that ``R`` (3, 3) turns into."""
    return effects.mapped(lambda effect: R @ effect if effect.shape[1] else effect)


def with_more(effects: Effects, source: ErrorSource, columns: Array) -> Effects:
    """Add independent columns (3, k) to a source."""
    return effects.replaced(source, np.hstack([effects[source], columns]))
