"""Clean: images freed of what is the sensor's own or hides the ground, and none that were stored twice."""

from __future__ import annotations

from flow.stages.state import State
from flow.stages.values import Frame, Refused
from flow.tracks import Picture


def clean(state: State, first: Frame, second: Frame) -> tuple[Picture, Picture] | Refused:
    """Give both images without fixed pattern and glints; refuse the copy of an image."""
    pattern = state.camera.pattern
    pair = pattern.clean(first.picture), pattern.clean(second.picture)
    if state.copies.holds(*pair):
        return Refused(reason="repeated_frame")
    return state.glints.pair(*pair)
