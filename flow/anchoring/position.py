"""Position over ground, in a level frame fixed at the start.

Adding up speeds walks away: each row's error stays. Here every picture is also registered against an anchor, an earlier
picture that is still mostly in view, so that hovering keeps its place within a millimetre or two for as long as it
likes. When the anchor leaves the view the picture of the moment becomes the next one, or an earlier one that has come
back into view is taken up again: only the change of anchor adds an error that stays.

The frame: origin where the body was in the first picture measured, forward the body's x axis made level, right 90
degrees clockwise from above. The heading is held by the gyro, and between the pictures of an anchor by the pictures;
nothing holds it against north.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.anchoring.anchor import Anchor, Moment
from flow.anchoring.path_errors import root
from flow.anchoring.registrar import Registrar, Way
from flow.anchoring.sight import Sight
from flow.anchoring.turn import Turn
from flow.anchoring.view import AnchorView, across, small_turn
from flow.camera import Lens
from flow.effects import covariance_of
from flow.error_sources import ErrorSource
from flow.module import Module
from flow.registration.blocks import BlockMatcher
from flow.stated_sigmas import stated_sigma
from flow.tracks import ImageMotion

Array: TypeAlias = NDArray[np.float64]

_INTERVAL_S = (
    0.035  # size: s, 30 a second: cost only, between registrations against the anchor; in between speeds are added up
)
_LEAST_OVERLAP, _GOOD_OVERLAP = 0.6, 0.75
_MOST_GROWTH, _MOST_TURN_RAD = 0.2, 0.35
_LOST_S = 0.4  # without a registration for so long the anchor is given up
_KEPT = 6  # size: anchors, that may be taken up again
# While nothing is measured. Velocities on both sides leave open how it is shared: halves of a gap T with accelerations of
# this sigma, independent of each other, move the middle by their difference times T^2 / 8, 1 / sqrt(32) of sigma T^2.
_ACCELERATION_M_S2 = 2.0  # prior: m/s^2 one-sigma, a rotorcraft that leans by 12 degrees
_SHARPER = 1.6
_NO_WAY = Way(moved=np.zeros(3), covariance=np.zeros((3, 3)))
_HEIGHT_LASTS_S = 0.5  # prior: s, height errors farther apart than this are independent


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """Where the body is at the end of a row.

    ``forward_m`` and ``right_m`` of the start (see the module), their ``covariance_m2`` (2, 2), the number of the anchor, and
    what this very picture shows against it; None where it was not registered.
    """

    time_s: float
    forward_m: float
    right_m: float
    covariance_m2: Array
    anchor: int
    sight: Sight | None


class PositionKeeper:
    """Keeps the position; see the module.

    Parameters are those of :class:`flow.anchoring.registrar.Registrar`.
    """

    def __init__(self, module: Module, lens: Lens, fine: BlockMatcher, coarse: ImageMotion) -> None:
        self._module, self._lens = module, lens
        self._registrar, self._sharpness = Registrar(module, lens, fine, coarse), fine.sharpness
        self._anchors: list[Anchor] = []
        self._way = _NO_WAY  # since the active anchor, the last in the list
        self._latest: Moment | None = None
        self._registered_s = -np.inf
        self._sight: Sight | None = None
        self._count = 0

    def follow(self, now: Moment, *, registers: bool = True) -> Position:
        """Take in an image whose speed has been measured; call it in time order, and not at all where there is none.

        An image that is not to be trusted against others, for light that moves in it, say, ``registers`` not: the row's own
        velocity and covariance carry the position on.
        """
        self._sight = None
        if not self._anchors:
            self._begin(now)
        else:
            self._advance(now)
            if registers and now.shot.time_s - self._registered_s >= _INTERVAL_S - 0.25 * now.interval_s:
                self._register(now)
                self._choose(now)
        self._latest = now
        anchor = self._anchors[-1]
        forward, right, _ = anchor.place(self._way.moved)
        return Position(
            time_s=now.shot.time_s,
            forward_m=float(forward),
            right_m=float(right),
            covariance_m2=self._covariance(now)[:2, :2],
            anchor=anchor.number,
            sight=self._sight,
        )

    def _begin(self, now: Moment) -> None:
        cos, sin = np.cos(now.turned_rad), np.sin(now.turned_rad)
        R_start_level = np.array([[cos, sin, 0.0], [-sin, cos, 0.0], [0.0, 0.0, 1.0]])
        first = now.covariance_m2_s2 * now.interval_s**2
        origin = R_start_level @ now.velocity_m_s * now.interval_s
        self._drop(now, R_start_level @ now.R_level_still @ now.shot.middle, origin, first, np.zeros((3, 2)))

    def _drop(
        self, now: Moment, R_start_camera: Array, origin: Array, origin_m2: Array, origin_by_slope_m: Array
    ) -> None:
        """Make the picture of the moment an anchor, and the active one."""
        R_still_camera = now.shot.middle
        down = R_still_camera.T @ now.down_still
        jitter = self._registrar.lag(now) * now.distance_m
        self._count += 1
        before = (self._anchors[-1].turn, self._anchors[-1].down) if self._anchors else None
        self._anchors.append(
            Anchor(
                number=self._count,
                picture=now.picture,
                shot=now.shot,
                down=down,
                plane=down,
                distance_m=now.distance_m,
                distance_sigma_m=now.distance_sigma_m,
                tilt_sigma_rad=now.tilt_sigma_rad,
                R_start_camera=_levelled(R_start_camera, down),
                origin_m=origin,
                origin_m2=origin_m2 + jitter**2 * np.eye(3),
                origin_by_slope_m=origin_by_slope_m,
                sharpness=self._sharpness(now.picture),
                since_s=now.shot.time_s,
                turn=Turn(self._module.gyro, now.shot.time_s, now.tilt_sigma_rad, before),
            )
        )
        del self._anchors[:-_KEPT]
        self._way = _NO_WAY
        self._registered_s = now.shot.time_s
        self._sight = self._registrar.itself(self._anchors[-1], now)

    def _advance(self, now: Moment) -> None:
        """Add up the velocity since the last image; where rows are missing between, the mean of those around."""
        assert self._latest is not None
        anchor, latest = self._anchors[-1], self._latest
        gap_s = max(now.shot.time_s - latest.shot.time_s - now.interval_s, 0.0)
        R_anchor_still = small_turn(anchor.turn.true_rad[:3]) @ anchor.shot.middle.T
        moved, added = np.zeros(3), (_ACCELERATION_M_S2 * gap_s**2) ** 2 / 32 * np.eye(3)
        carried = self._way.carried
        for moment, over_s in ((now, now.interval_s + 0.5 * gap_s), (latest, 0.5 * gap_s)):
            R_anchor_level = R_anchor_still @ moment.R_level_still.T
            moved += R_anchor_level @ moment.velocity_m_s * over_s
            added += R_anchor_level @ moment.covariance_m2_s2 @ R_anchor_level.T * over_s**2
            carried = carried + R_anchor_level @ root(moment.carried_m2_s2) * over_s / anchor.distance_m
        self._way = Way(
            moved=self._way.moved + moved / anchor.distance_m,
            covariance=self._way.covariance + added / anchor.distance_m**2,
            carried=carried,
            by_slope=self._way.by_slope,
        )

    def _register(self, now: Moment) -> bool:
        """Find the picture's place against the active anchor; says whether that succeeded."""
        anchor = self._anchors[-1]
        found = self._registrar.register(anchor, now, self._way, max(now.shot.time_s - self._registered_s, 1e-3))
        if found is None:
            return False
        self._way, self._sight = found
        self._registered_s = now.shot.time_s
        self._average(anchor, now)
        return True

    def _average(self, anchor: Anchor, now: Moment) -> None:
        """Let every picture of an anchor speak for the plane that they all see: distance and which way is down."""
        moved = self._way.moved
        share = 1 - float(moved @ anchor.sloping)  # of the anchor's distance
        distance = now.distance_m / share
        if abs(distance - anchor.distance_m) > 4 * np.hypot(now.distance_sigma_m, 0.01 * anchor.distance_m):
            return  # the range sensor meets other ground than the picture's
        anchor.heard += 1
        part = 1 / anchor.heard
        anchor.distance_m += part * (distance - anchor.distance_m)
        anchor.nearer_by_slope = anchor.nearer_by_slope + part * (moved @ across(anchor.plane) - anchor.nearer_by_slope)
        independent = 1 + (now.shot.time_s - anchor.since_s) / _HEIGHT_LASTS_S
        anchor.distance_sigma_m = max(
            now.distance_sigma_m / np.sqrt(independent), self._scale_sigma(now) * anchor.distance_m
        )
        down = anchor.turned(now) @ now.shot.middle.T @ now.down_still
        down = anchor.down + part * (down - anchor.down)
        anchor.down = down / np.linalg.norm(down)
        anchor.R_start_camera = _levelled(anchor.R_start_camera, anchor.down)

    def _choose(self, now: Moment) -> None:
        """Change the anchor when the view of it has become poor."""
        anchor = self._anchors[-1]
        lost = now.shot.time_s - self._registered_s > _LOST_S
        sharpness = self._sharpness(now.picture)
        overlap, turned, growth = self._outlook(anchor, now)
        poor = overlap < _LEAST_OVERLAP or turned > _MOST_TURN_RAD or growth > _MOST_GROWTH
        if not (lost or poor or sharpness > _SHARPER * anchor.sharpness):
            return
        if sharpness < anchor.sharpness / _SHARPER and overlap > 0.5 * _LEAST_OVERLAP and not lost:
            return  # blurred for a moment
        place, covariance = anchor.place(self._way.moved), self._own_covariance(now)
        missed = small_turn(anchor.turn.missed_rad(anchor.down))
        R_start_camera = anchor.R_start_camera @ missed @ anchor.shot.middle.T @ now.shot.middle
        if poor and not lost and self._take_up(now, place):
            return
        self._drop(now, R_start_camera, place, covariance, self._by_slope_m())

    def _take_up(self, now: Moment, place: Array) -> bool:
        """Return to an earlier anchor that is well in view again."""
        active = self._anchors[-1]
        before = self._way, self._registered_s
        for old in reversed(self._anchors[:-1]):
            spread = old.R_start_camera.T @ active.origin_m2 @ old.R_start_camera
            self._way = Way(
                moved=old.R_start_camera.T @ (place - old.origin_m) / old.distance_m,
                covariance=spread / old.distance_m**2,
            )
            overlap, turned, growth = self._outlook(old, now)
            if overlap < _GOOD_OVERLAP or turned > 0.8 * _MOST_TURN_RAD or growth > 0.8 * _MOST_GROWTH:
                continue
            self._anchors.remove(old)
            self._anchors.append(old)
            old.turn.take_over_bias(active.turn)
            if self._register(now):
                return True
            self._anchors.remove(old)
        self._way, self._registered_s = before
        return False

    def _outlook(self, anchor: Anchor, now: Moment) -> tuple[float, float, float]:
        """Share of the anchor in view, the turn since, rad, and by how much the ground has grown or shrunk."""
        camera = self._module.camera
        view = AnchorView(
            self._lens, self._module, anchor.shot, now.shot, anchor.plane, anchor.distance_m, anchor.turn.true_rad
        )
        size = np.array([camera.width_px, camera.height_px])
        middle = 0.5 * (size - 1)[None]
        shift = np.abs(view.predict(middle, self._way.moved) - middle)[0] / size
        overlap = float(np.prod(np.maximum(1 - np.nan_to_num(shift, nan=1.0), 0.0)))
        turned = float(np.arccos(np.clip(0.5 * (np.trace(view.R_anchor_now) - 1), -1.0, 1.0)))
        return overlap, turned, abs(float(self._way.moved @ anchor.down))

    def _by_slope_m(self) -> Array:
        """Columns (3, 2) of one-sigma errors by the slope, in the start's frame: all anchors' planes have it, so it adds up."""
        anchor, way = self._anchors[-1], self._way
        by_distance = np.outer(way.moved, anchor.nearer_by_slope @ anchor.turn.by_slope_rad[3:])
        return np.asarray(
            anchor.origin_by_slope_m + anchor.R_start_camera @ (way.by_slope + by_distance) * anchor.distance_m
        )

    def _own_covariance(self, now: Moment) -> Array:
        """Covariance (3, 3) in the start's frame, without what scales, turns or bends the whole path."""
        anchor = self._anchors[-1]
        by_way = self._way.covariance + covariance_of(self._way.carried)
        by_picture = anchor.R_start_camera @ by_way @ anchor.R_start_camera.T * anchor.distance_m**2
        leg = anchor.R_start_camera @ self._way.moved
        jitter = self._registrar.lag(now) * anchor.distance_m
        against_anchor = by_picture + anchor.distance_sigma_m**2 * np.outer(leg, leg) + jitter**2 * np.eye(3)
        return np.asarray(anchor.origin_m2 + against_anchor)

    def _covariance(self, now: Moment) -> Array:
        anchor = self._anchors[-1]
        place = anchor.place(self._way.moved)
        heading_rad2 = anchor.turn.heading_rad2(anchor.down) + self._mounting_rad2(anchor.down)
        sideways = np.array([-place[1], place[0], 0.0])
        whole = self._scale_sigma(now) ** 2 * np.outer(place, place) + heading_rad2 * np.outer(sideways, sideways)
        return np.asarray(self._own_covariance(now) + covariance_of(self._by_slope_m()) + whole)

    def _scale_sigma(self, now: Moment) -> float:
        """Relative error of every distance over ground."""
        focal = float(np.sqrt(np.mean(np.square(stated_sigma(ErrorSource.FOCAL_LENGTH, self._module)))))
        ranging = float(stated_sigma(ErrorSource.RANGE, self._module, now.distance_m)[0])
        return float(np.hypot.reduce([focal, ranging, now.air_scale_sigma]))

    def _mounting_rad2(self, down: Array) -> float:
        """Variance of the heading by the camera's mounting, about ``down`` (3,), camera axes."""
        down_body = self._module.alignment.R_body_camera.as_matrix() @ down
        return float(np.square(down_body * stated_sigma(ErrorSource.MOUNTING, self._module)).sum())


def _levelled(R_start_camera: Array, down: Array) -> Array:
    """Turn axes by the least so that ``down`` (3,), camera axes, comes to stand upright."""
    leaning = R_start_camera @ down
    x, y, z = leaning / np.linalg.norm(leaning)
    axis = np.array([y, -x, 0.0])  # leaning x (0, 0, 1)
    cross = np.array([[0.0, 0.0, axis[1]], [0.0, 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    return np.asarray((np.eye(3) + cross + cross @ cross / (1 + z)) @ R_start_camera)
