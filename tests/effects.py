"""Error budgets made up for tests."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from flow.effects import NO_EFFECT, Effects
from flow.error_sources import ErrorSource
from flow.per_source import PerSource

NOTHING: Effects = PerSource.of(lambda _: NO_EFFECT)


def effects_of(sigmas: dict[ErrorSource, ArrayLike]) -> Effects:
    """Effects of some sources, each given by one-sigmas (3,) along the axes, which are independent of each other."""
    found = NOTHING
    for source, sigma in sigmas.items():
        found = found.replaced(source, np.diag(np.asarray(sigma, float)))
    return found
