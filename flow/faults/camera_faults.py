"""What is wrong with the pictures themselves, learnt on the way: bad pixels and dirt, false stamps, light that moves."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.faults.frame_clock import FrameClock
from flow.faults.sensor_pattern import SensorPattern
from flow.faults.standing_grain import StandingGrain
from flow.pair.geometry import PairView
from flow.tracks import Matches

Marks: TypeAlias = NDArray[np.bool_]


class CameraFaults:
    """Learns them, pair by pair.

    Parameters
    ----------
    width_px, height_px
        Picture size.
    """

    def __init__(self, width_px: int, height_px: int) -> None:
        self.pattern = SensorPattern(width_px, height_px)
        self.clock = FrameClock()
        self.grain = StandingGrain()
        self.light_moved = False
        """Whether light is often seen to move by itself (:mod:`flow.faults.moving_light`)."""

    @property
    def worth_knowing(self) -> bool:
        """Whether the rows before would have been better with what is known now."""
        return self.pattern.found or self.clock.settled or self.light_moved

    def begun_again(self) -> CameraFaults:
        """Give what is known now for the same frames from the first one on."""
        again = CameraFaults(*self.pattern.size_px)
        again.pattern, again.clock = self.pattern.begun_again(), self.clock.begun_again()
        again.grain = self.grain.begun_again()
        again.light_moved = self.light_moved and not self.pattern.lined  # the pattern may have been all of it
        return again

    def learn(
        self, view: PairView, matches: Matches | None, used: Marks | None, *, vouched: bool, hidden: bool
    ) -> bool:
        """Hear what came of a pair, and tell whether it shows a fault that was not known before.

        Parameters
        ----------
        view
            The pair.
        matches, used
            What was found, and which of it agrees, (N,); None where nothing was.
        vouched
            Whether that was taken for the ground.
        hidden
            Whether the ground moved on unseen (:mod:`flow.faults.hidden_motion`).
        """
        known, believed = self.pattern.found, not self.clock.on_beat
        self.pattern.learn(view, matches if vouched else None, used, hidden=hidden)
        self.clock.learn(matches, used)
        return (self.pattern.found and not known) or (self.clock.on_beat and believed)
