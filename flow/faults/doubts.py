"""What rows say against figures of the module (:mod:`flow.faults.inertia_check`)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.error_sources import ErrorSource

Array: TypeAlias = NDArray[np.float64]

_WORTH = 0.1  # rate: of all chances, doubts by which the rows before should have been judged, too


@dataclass(frozen=True, slots=True)
class Guess:
    """That some figures are off: by how much likelier than before anything was seen, and how wrong all are then.

    ``range_scale`` is how far off the range's scale may be then, share: that of the focal length stands for it where the
    force tells the two apart no better than by chance.
    """

    more: float
    causes: frozenset[ErrorSource]
    figures: Array
    range_scale: float = 0.0


@dataclass(frozen=True, slots=True)
class Doubts:
    """What a number of rows said against the module."""

    guesses: tuple[Guess, ...] = ()
    rows: int = 0

    @property
    def sources(self) -> frozenset[ErrorSource]:
        """The figures that are in doubt so much that it is worth a word."""
        some = {source for guess in self.guesses for source in guess.causes}
        return frozenset(s for s in some if sum(g.more for g in self.guesses if s in g.causes) > _WORTH)

    @property
    def range_scale_sigma(self) -> float:
        """One-sigma of the range's scale by all of them, share."""
        return float(np.sqrt(sum(guess.more * guess.range_scale**2 for guess in self.guesses)))

    @property
    def worth_knowing(self) -> bool:
        """Whether the rows before should have been judged by it, too."""
        return sum(guess.more for guess in self.guesses) > _WORTH
