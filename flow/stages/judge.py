"""Judge: whether what the matches agree on is the ground's motion under the craft."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.search import Found, NotFound
from flow.stages.state import State
from flow.stages.values import Predicted, Verdict
from flow.tracks import Picture

Array: TypeAlias = NDArray[np.float64]


def judge(
    state: State,
    images: tuple[Picture, Picture],
    predicted: Predicted,
    found: Found | NotFound,
    start_m_s: Array | None,
) -> Verdict:
    """Hold a solution against the images, the gyro and the motion before; every check learns from it, too."""
    if isinstance(found, NotFound):
        return Verdict(against=found.reason)
    if state.hidden.shown(*images, found.matches, found.solution.used):
        return Verdict(against="contradictory", hidden=True)
    return Verdict(against=_against(state, predicted, found, start_m_s))


def _against(state: State, predicted: Predicted, found: Found, start_m_s: Array | None) -> str | None:
    view, copied = predicted.view, state.copies.likely
    if state.standstill.holds(view, found.matches, start_m_s, state.focal_px, copied=copied):
        return "repeated_frame" if copied else "picture_fixed"
    turned_rad, rate_change = view.turned_rad(), state.errors.rate_change(view)
    usual_scale, interval_s = found.noise.scale, predicted.interval_s
    if state.turns.disagrees(found.pair, found.solution, turned_rad, rate_change, interval_s, usual_scale):
        return "gyro_disagrees"
    return None if found.agree else "contradictory"
