"""One row of the speed log: a velocity with its covariance, or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flow.statuses import OK, SPEED_STATUSES

REASONS = {status.word: status.meaning for status in SPEED_STATUSES if status is not OK}
"""Every status other than ``ok``, in words."""

_WIDEST_M_S, _WIDEST_SHARE = 0.15, 0.25  # a sigma beyond this much plus this share of the speed helps nobody


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelVelocity:
    """Velocity of the body origin over the ground, level axes (forward, right, down).

    ``covariance_m2_s2`` is 3 x 3 in the same axes.

    Examples
    --------
    >>> import numpy as np
    >>> from flow import LevelVelocity
    >>> velocity = LevelVelocity(forward_m_s=1.2, right_m_s=0.0, down_m_s=0.0, covariance_m2_s2=np.diag([1e-4, 1e-4, 4e-4]))
    >>> velocity.sigma_m_s
    array([0.01, 0.01, 0.02])
    """

    forward_m_s: float
    right_m_s: float
    down_m_s: float
    covariance_m2_s2: NDArray[np.float64]

    @property
    def vector_m_s(self) -> NDArray[np.float64]:
        """(forward, right, down), m/s."""
        return np.array([self.forward_m_s, self.right_m_s, self.down_m_s])

    @property
    def sigma_m_s(self) -> NDArray[np.float64]:
        """One-sigma of forward, right, down, m/s."""
        return np.sqrt(np.diag(self.covariance_m2_s2))


@dataclass(frozen=True, slots=True, kw_only=True)
class NoVelocity:
    """Why a pair of frames gives no velocity; ``reason`` is a key of :data:`REASONS`.

    Examples
    --------
    >>> from flow import NoVelocity
    >>> from flow.row import REASONS
    >>> REASONS[NoVelocity(reason="no_height").reason]
    'no plausible range reading for too long'
    """

    reason: str

    def __post_init__(self) -> None:
        if self.reason not in REASONS:
            raise ValueError(f"unknown reason {self.reason!r}")


def level_velocity(
    velocity_m_s: NDArray[np.float64], covariance_m2_s2: NDArray[np.float64]
) -> LevelVelocity | NoVelocity:
    """Make a velocity of (3,) and (3, 3), level axes, unless it is too uncertain to be of use."""
    widest = float(np.sqrt(covariance_m2_s2[:2, :2].diagonal().max()))
    if widest > _WIDEST_M_S + _WIDEST_SHARE * float(np.linalg.norm(velocity_m_s[:2])):
        return NoVelocity(reason="uncertain")
    forward, right, down = map(float, velocity_m_s)
    return LevelVelocity(forward_m_s=forward, right_m_s=right, down_m_s=down, covariance_m2_s2=covariance_m2_s2)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedRow:
    """What one pair of consecutive frames says.

    ``time_s`` is the middle of the interval on the gyro clock; ``height_m`` is the body origin above the ground
    under it (None when unknown); ``tracks`` counts the points followed and ``inlier_share`` (None without tracks)
    is the share of them that agree with the velocity.

    Examples
    --------
    >>> from flow import NoVelocity, SpeedRow
    >>> SpeedRow(time_s=0.5, interval_s=0.02, velocity=NoVelocity(reason="few_tracks"), height_m=1.5, height_sigma_m=0.01,
    ...          tracks=3, inlier_share=None).status
    'few_tracks'
    """

    time_s: float
    interval_s: float
    velocity: LevelVelocity | NoVelocity
    height_m: float | None
    height_sigma_m: float | None
    tracks: int
    inlier_share: float | None

    @property
    def status(self) -> str:
        """``ok``, or the reason in one word."""
        return self.velocity.reason if isinstance(self.velocity, NoVelocity) else "ok"
