"""What stages hand to each other: values that do not change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.effects import Effects, covariance_of
from flow.error_sources import ErrorSource
from flow.height import Height
from flow.motion.acceleration import Acceleration
from flow.pair.geometry import PairView
from flow.pair.search import Found
from flow.result import PairRow
from flow.row import LevelVelocity, NoVelocity
from flow.tilt import Tilt
from flow.tracks import Picture

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Frame:
    """An image and when its middle row was exposed, gyro clock.

    ``keyframe`` says whether its codec stored it without reference to another one; None where that is unknown.
    """

    time_s: float
    picture: Picture
    keyframe: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Predicted:
    """What is known of a pair before its images are compared.

    ``view`` holds rotation and ground plane; ``expected_m_s`` (3,) is the velocity expected, camera axes, None without
    history; ``interval_sigma_s`` is the one-sigma of the interval between the frames; ``keyframes`` says how many of the two
    are keyframes of the codec.
    """

    view: PairView
    expected_m_s: Array | None
    tilt: Tilt
    height: Height
    acceleration: Acceleration
    interval_sigma_s: float = 0.0
    keyframes: int = 0

    @property
    def interval_s(self) -> float:
        """Time between the two frames."""
        return self.view.second_s - self.view.first_s

    @property
    def starts(self) -> tuple[Array | None, ...]:
        """Where matching starts: at the velocity expected, then from afar."""
        return (None,) if self.expected_m_s is None else (self.expected_m_s, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """Why a pair shows no velocity, found out before its images were compared; the height where that is known."""

    reason: str
    height: Height | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Whether a solution is the ground's motion: ``against`` is the reason why not.

    ``hidden`` says that the ground moved on unseen (:mod:`flow.faults.hidden_motion`).
    """

    against: str | None
    hidden: bool = False

    @property
    def velocity(self) -> NoVelocity:
        """What a solution that is refused leaves of the row."""
        assert self.against is not None
        return NoVelocity(reason=self.against)

    @property
    def final(self) -> bool:
        """Whether another start for the matching would change nothing."""
        return self.against in (None, "gyro_disagrees")


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """A velocity with its error budget.

    Attributes
    ----------
    velocity_m_s
        (3,), of the body origin, camera axes at the middle of the interval.
    level
        The same in level axes with its whole covariance, or why that is too uncertain.
    level_m_s
        (3,), level axes, whatever its covariance.
    R_level_camera
        Turns camera axes at the middle of the interval into level axes.
    matches_m2_s2
        Variance (3,) by the scatter of the matches alone, level axes.
    effects
        One-sigma effects of every source, each (3, k), level axes.
    relief
        Those of ground that is not one plane, None where it may be one.
    m_s_per_px
        Speed that moves the image by one pixel over the interval.
    pairs
        How many pairs the images span that it comes from.
    """

    velocity_m_s: Array
    level: LevelVelocity | NoVelocity
    level_m_s: Array
    R_level_camera: Array
    matches_m2_s2: Array
    effects: Effects
    relief: Array | None
    m_s_per_px: float
    pairs: int = 1

    @property
    def image_m2_s2(self) -> Array:
        """Covariance (3, 3) by the images, level axes."""
        return covariance_of(self.effects.image)

    @property
    def vouched(self) -> bool:
        """Whether the row gives a velocity."""
        return isinstance(self.level, LevelVelocity)

    @property
    def plain(self) -> bool:
        """Whether it is vouched for, of one plane in steady light."""
        return self.vouched and self.relief is None and not self.effects.light.size

    def variance_m2_s2(self, *sources: ErrorSource) -> float:
        """Mean variance of a level direction by some sources."""
        return 0.5 * float(sum(np.square(self.effects[source][:2]).sum() for source in sources))

    @property
    def images_m2_s2(self) -> float:
        """Mean variance of a level direction by the images."""
        return self.variance_m2_s2(ErrorSource.IMAGE, ErrorSource.IMAGE_DRIFT)

    @property
    def whole_m2_s2(self) -> float:
        """Mean variance of a level direction by all errors."""
        assert isinstance(self.level, LevelVelocity)
        return float(np.mean(self.level.covariance_m2_s2.diagonal()[:2]))

    def pair_row(self, best: Weighed) -> PairRow | None:
        """Give what the pair shows by itself; None where the ``best`` row is that."""
        return None if best is self else PairRow(velocity_m_s=self.level_m_s, effects_m_s=self.effects)


@dataclass(frozen=True, slots=True)
class Solved:
    """Two images, of a pair or farther apart: what was known before, what was found, and the row that comes of it."""

    predicted: Predicted
    found: Found
    row: Weighed
