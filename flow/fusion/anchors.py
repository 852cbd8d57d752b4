"""What pictures show against an anchor, as readings of the way and the turn since then.

The state keeps what the anchor's picture knew when it was taken: tilt and height then are clones of the state's own, so
whatever is learnt later is learnt of both (stochastic cloning: Roumeliotis and Burdick 2002). Way and turn since are
counted from zero. The error of the anchor's own picture goes into the four of them: it is as if the anchor had been
taken elsewhere.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from flow.anchoring.sight import LAG_S, Sight
from flow.fusion import layout as at
from flow.fusion.considered import SightColumns
from flow.fusion.estimate import Estimate
from flow.fusion.heard import LEANING
from flow.fusion.quantities import turned_about_down
from flow.module import Module

Array: TypeAlias = NDArray[np.float64]

_GATE = 33.1  # rate: 1 in 100,000 sights, chi-square with 6 degrees of freedom
_REMEMBERED = 12  # size: anchors, that may be taken up again
# Errors of the state that a reading's error is one of, in its order: way (3), turn (3).
_PLACES = np.r_[at.POSITION, at.ANCHOR_HEIGHT, at.ANCHOR_TILT, at.TURN]
_SIGNS = np.array([1.0, 1.0, 1.0, -1.0, -1.0, 1.0])


class AnchorReader:
    """Corrects by sights."""

    def __init__(self, module: Module) -> None:
        self._columns = SightColumns(module)
        self._anchor: int | None = None
        self._R_anchor = np.eye(3)  # R_track_body when it was taken, as believed then
        self._seen_s = 0.0
        self._moving: dict[int, Array] = {}  # velocity and rate (6,) at each anchor, its axes
        self._own = False  # whether the error of the anchor's picture is in the state

    def forget(self) -> None:
        """Hear that the state has begun anew."""
        self._anchor = None

    def see(self, estimate: Estimate, sight: Sight, rate_rad_s: Array) -> None:
        """Correct by a sight of this moment, at which the body turns at a rate (3,), its own axes."""
        if sight.anchor != self._anchor:
            self._begin(estimate, sight, rate_rad_s)
            return
        noise, lasting = self._in_track(sight.covariance), self._in_track(sight.lasting)
        if not self._own:
            estimate.blend(np.eye(at.ERRORS), _among_states(noise + lasting))
            self._own = True
        # An error that lasts counts in each of many sights as white noise of the same density.
        often = 2 * LAG_S / min(max(sight.time_s - self._seen_s, 1e-3), 2 * LAG_S)
        self._seen_s = sight.time_s
        rows, miss = self._compare(estimate.values, sight)
        estimate.correct(
            rows, miss, noise + often * lasting, self._considered(estimate.values, sight, rate_rad_s), gate=_GATE
        )

    def _begin(self, estimate: Estimate, sight: Sight, rate_rad_s: Array) -> None:
        """Count from another anchor: the picture of this moment, or one that has come back into view."""
        values = estimate.values
        self._anchor, self._seen_s = sight.anchor, sight.time_s
        self._R_anchor = values[at.V_ROTATION].reshape(3, 3) @ sight.R_anchor_now.T
        way = self._R_anchor @ sight.way_m
        values[at.V_POSITION], values[at.V_TURN], values[at.V_ANCHOR_TILT] = way[:2], 0.0, 0.0
        values[at.V_ANCHOR_HEIGHT] = values[at.V_HEIGHT] + way[2]
        F = np.eye(at.ERRORS)
        F[_PLACES] = 0.0
        F[at.ANCHOR_TILT, at.TILT] = np.eye(2)
        F[at.ANCHOR_HEIGHT, at.HEIGHT] = 1.0
        F[at.SLOPE] = 0.0
        slope = self._slope_by_lean(sight)
        values[at.V_SLOPE] = slope @ values[at.V_LEAN]
        F[at.SLOPE, at.LEAN] = slope
        more = _among_states(self._in_track(sight.covariance + sight.lasting))
        more[at.SLOPE, at.SLOPE] = (LEANING * sight.tilt_sigma_rad) ** 2 * np.eye(2)
        estimate.blend(F, more)
        if sight.covariance.any():  # an anchor of before: the tilt was another then
            estimate.renew(at.SLOPE, sight.tilt_sigma_rad**2 * np.eye(2))
            values[at.V_SLOPE] = 0.0
        estimate.considered[_PLACES] -= _SIGNS[:, None] * self._considered(values, sight, rate_rad_s)
        self._own = bool(sight.covariance.any())

    def _slope_by_lean(self, sight: Sight) -> Array:
        """Slope (2,) of the ground against the anchor's plane by one sigma of the lean of rows: both are the tilt's error.

        Rows' axes that lean by (a, b) about forward and right take for down what is (b, -a) off it along forward and right.
        """
        heading_rad = float(np.arctan2(self._R_anchor[1, 0], self._R_anchor[0, 0]))
        R_level_body = turned_about_down(-heading_rad) @ self._R_anchor
        off = np.array([[0.0, 1.0], [-1.0, 0.0], [0.0, 0.0]])
        return np.asarray(-sight.tilt_sigma_rad * sight.slope_axes.T @ R_level_body.T @ off)

    def _compare(self, values: Array, sight: Sight) -> tuple[Array, Array]:
        """Errors (6, 28) that a sight shows, and how far it is from the values (6,)."""
        R_anchor = Rotation.from_rotvec([*values[at.V_ANCHOR_TILT], 0.0]).as_matrix() @ self._R_anchor
        # Way and height are to one scale; the height at the anchor that we believe now is as good and its error is known.
        seen = R_anchor @ sight.way_m
        way = seen * (1 + (values[at.V_ANCHOR_HEIGHT] - sight.height_m) / sight.distance_m)
        expected = [*values[at.V_POSITION], values[at.V_ANCHOR_HEIGHT] - values[at.V_HEIGHT]]
        now = turned_about_down(values[at.V_TURN]) @ values[at.V_ROTATION].reshape(3, 3)
        turned = Rotation.from_matrix(R_anchor @ sight.R_anchor_now @ now.T).as_rotvec()
        rows = np.zeros((6, at.ERRORS))
        rows[np.arange(6), _PLACES] = _SIGNS
        rows[2, at.HEIGHT] = -1.0
        rows[3:5, at.TILT] = np.eye(2)
        # Tilted by (a, b) the anchor saw the way turned by (b z, -a z, a y - b x).
        x, y, z = way
        rows[:3, at.ANCHOR_TILT] -= np.array([[0.0, z], [-z, 0.0], [y, -x]])
        rows[:3, at.ANCHOR_HEIGHT] -= seen / sight.distance_m
        # A sight is given for the plane as it was taken.
        by_slope = np.kron(np.eye(2), R_anchor) @ sight.by_slope
        rows[:, at.SLOPE] = -by_slope
        return rows, np.concatenate([way - expected, turned]) + by_slope @ values[at.V_SLOPE]

    def _considered(self, values: Array, sight: Sight, rate_rad_s: Array) -> Array:
        """Errors (6, C) of a sight by one sigma of each constant figure, track frame."""
        R_anchor_body, R_body_track = sight.R_anchor_now, values[at.V_ROTATION].reshape(3, 3).T
        velocity = R_body_track @ values[at.V_VELOCITY]
        moving = np.concatenate([R_anchor_body @ velocity, R_anchor_body @ (rate_rad_s - values[at.V_GYRO_BIAS])])
        begun = self._moving.setdefault(sight.anchor, moving)
        while len(self._moving) > _REMEMBERED:
            del self._moving[next(iter(self._moving))]
        return np.kron(np.eye(2), self._R_anchor) @ self._columns.of(sight, moving - begun)

    def _in_track(self, covariance: Array) -> Array:
        """Covariance (6, 6) in the track frame of one in body axes at the anchor."""
        turn = np.kron(np.eye(2), self._R_anchor)
        return np.asarray(turn @ covariance @ turn.T)


def _among_states(noise: Array) -> Array:
    """Place a covariance (6, 6) of a reading among the errors that it becomes."""
    more = np.zeros((at.ERRORS, at.ERRORS))
    more[np.ix_(_PLACES, _PLACES)] = _SIGNS[:, None] * noise * _SIGNS
    return more
