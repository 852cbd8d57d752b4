"""Register: matches between two images, and the velocity that they agree on.

Matching and solving take turns until the step between them is below the noise (:mod:`flow.pair.search`).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.search import Found, NotFound
from flow.stages.state import State
from flow.stages.values import Predicted
from flow.tracks import Picture

Array: TypeAlias = NDArray[np.float64]


def register(
    state: State, images: tuple[Picture, Picture], predicted: Predicted, start_m_s: Array | None
) -> Found | NotFound:
    """Find the velocity from a start (3,), camera axes; from afar where that is None."""
    found = state.search.find(*images, predicted.view, start_m_s)
    state.camera.light_moved = state.light.often_moves
    return found
