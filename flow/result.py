"""What comes of a pair of frames: a row of the speed log, and the evidence behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.anchoring import Position
from flow.effects import Effects
from flow.error_sources import ErrorSource
from flow.height import Height
from flow.numerics.middle import share_of
from flow.row import LevelVelocity, NoVelocity, SpeedRow
from flow.tracks import Matches

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameResult:
    """A row of the speed log and the evidence behind it.

    ``matches`` are the points followed (None where the row failed before), ``used`` (N,) those that agree with the
    velocity, ``effects_m_s`` the one-sigma effects of each source of error in level axes, each (3, k)
    (:mod:`flow.effects`), None where there was no velocity to err; ``position`` is where the
    body is at the end of the row, None where that is not kept. ``scale_sigma`` is how well the accelerometer has told so far
    that range scale and focal length hold, as a share of the speed; infinite without one. ``doubted`` are the figures of the
    module that the rows so far speak against (:mod:`flow.faults.inertia_check`). ``pair`` is what the two frames alone show,
    for whoever takes rows for differences of two images; None where that is the row itself.

    Examples
    --------
    >>> import flow
    >>> results = flow.measure(flow.open_recording("sample_video/flight"), positions=False, first_pass=False)
    >>> result = next(results)
    >>> result.row.status, len(result.matches) == len(result.used) == result.row.tracks
    ('ok', True)
    """

    row: SpeedRow
    matches: Matches | None
    used: NDArray[np.bool_] | None
    effects_m_s: Effects | None
    position: Position | None = None
    scale_sigma: float = np.inf
    doubted: frozenset[ErrorSource] = frozenset()
    pair: PairRow | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PairRow:
    """What a row's own pair of frames shows, where the row comes from a longer baseline: velocity (3,), level axes, and effects."""

    velocity_m_s: Array
    effects_m_s: Effects


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a pair of frames."""

    velocity: LevelVelocity | NoVelocity
    matches: Matches | None = None
    used: NDArray[np.bool_] | None = None
    hidden: bool = False
    height: Height | None = None
    effects: Effects | None = None
    position: Position | None = None
    pair: PairRow | None = None

    def result(
        self,
        time_s: float,
        interval_s: float,
        scale_sigma: float,
        doubted: frozenset[ErrorSource],
        range_scale_sigma: float = 0.0,
    ) -> FrameResult:
        """Make the row of an interval around a time of it.

        ``range_scale_sigma`` is how far the flight says that the range's scale is off: height and speed share that.
        """
        height = self.height
        row = SpeedRow(
            time_s=time_s, interval_s=interval_s, velocity=self.velocity,
            height_m=None if height is None else height.height_m,
            height_sigma_m=None
            if height is None
            else float(np.hypot(height.sigma_m, range_scale_sigma * height.height_m)),
            tracks=0 if self.matches is None else len(self.matches),
            inlier_share=None if self.used is None else share_of(self.used),
        )  # fmt: skip
        return FrameResult(
            row=row, matches=self.matches, used=self.used, effects_m_s=self.effects, position=self.position,
            scale_sigma=scale_sigma, doubted=doubted, pair=self.pair,
        )  # fmt: skip
