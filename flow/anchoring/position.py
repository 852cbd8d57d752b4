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

from flow.anchoring.fit import Fit, fit
from flow.anchoring.sight import Sight
from flow.anchoring.turn import Turn
from flow.anchoring.view import AnchorView, Shot, small_turn
from flow.camera import Lens
from flow.module import Module
from flow.numerics.middle import upper_median
from flow.pair.match_noise import MatchNoise, speak_of_one_motion
from flow.pair.search import NEAR_PX
from flow.registration.blocks import BlockMatcher
from flow.tracks import ImageMotion, Picture

Array: TypeAlias = NDArray[np.float64]

_INTERVAL_S = 0.035  # between registrations against the anchor; in between speeds are added up
_FEWEST = 24
_SETTLED_PX = 0.08
_LEAST_OVERLAP, _GOOD_OVERLAP = 0.6, 0.75
_MOST_GROWTH, _MOST_TURN_RAD = 0.2, 0.35
_LOST_S = 0.4  # without a registration for so long the anchor is given up
_KEPT = 6  # anchors that may be taken up again
_ACCELERATION_M_S2 = 2.0  # while nothing is measured
_PATCHES = 12.0
_LAG_SHARE = 0.5  # of the variance that blocks show whatever their texture
_LEAST_LAG_RAD = 3e-5  # registration is off by a few thousandths of a pixel the same way while it sees the same ground
_OWN_SHARE = 0.5  # of the picture noise is the anchor's own: it is the same in every registration
_LAGS = 3.0  # by so much more than from one picture to the next a codec shifts pictures for a second
_SHARPER = 1.6
_HEIGHT_LASTS_S = 0.5  # height errors farther apart than this count as independent


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


@dataclass(slots=True, kw_only=True)
class _Anchor:
    number: int
    picture: Picture
    shot: Shot
    down: Array  # (3,), camera axes, of all pictures
    plane: Array  # (3,), down of its own picture: what slope is meant against
    distance_m: float
    distance_sigma_m: float
    R_start_camera: Array
    origin_m: Array  # (3,), body in the start's frame
    origin_m2: Array  # (3, 3), without what scales the whole path
    sharpness: float
    since_s: float
    turn: Turn
    heard: int = 1

    def place(self, moved: Array) -> Array:
        """Position (3,) in the start's frame of a body that has moved by D."""
        return np.asarray(self.origin_m + self.R_start_camera @ moved * self.distance_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """What the estimator knows of a picture that has just been measured.

    ``velocity_m_s`` (3,) in level axes over ``interval_s`` before it, with ``covariance_m2_s2``; ``R_level_still`` turns
    from the axes that do not rotate into these level axes, the third of which is down; ``turned_rad`` is the heading in
    them at the picture before; ``distance_m`` of the camera to the plane; ``tilt_sigma_rad`` of the plane's slope;
    ``common_px`` is the one-sigma by which a codec shifts a whole picture.
    """

    picture: Picture
    shot: Shot
    interval_s: float
    velocity_m_s: Array
    covariance_m2_s2: Array
    R_level_still: Array
    turned_rad: float
    distance_m: float
    distance_sigma_m: float
    tilt_sigma_rad: float
    common_px: float

    @property
    def down_still(self) -> Array:
        """Down (3,) in the axes that do not rotate."""
        return np.asarray(self.R_level_still[2])


class PositionKeeper:
    """Keeps the position; see the module.

    Parameters
    ----------
    module
        The calibrated module.
    lens
        Its lens.
    fine, coarse
        What registers pictures from close by, and from afar.
    """

    def __init__(self, module: Module, lens: Lens, fine: BlockMatcher, coarse: ImageMotion) -> None:
        self._module, self._lens, self._fine, self._coarse = module, lens, fine, coarse
        self._focal_px = 0.5 * (module.camera.fx_px + module.camera.fy_px)
        # The rms distance of a pixel from the middle.
        self._lever_px = 0.29 * float(np.hypot(module.camera.width_px, module.camera.height_px))
        self._noise = MatchNoise()
        self._anchors: list[_Anchor] = []
        self._moved = np.zeros(3)  # D of the active anchor, the last in the list
        self._moved2 = np.zeros((3, 3))
        self._latest: Moment | None = None
        self._registered_s = -np.inf
        self._sight: Sight | None = None
        self._count = 0

    def follow(self, now: Moment) -> Position:
        """Take in a picture whose speed has been measured; call it in time order, and not at all where there is none."""
        self._sight = None
        if not self._anchors:
            self._begin(now)
        else:
            self._advance(now)
            if now.shot.time_s - self._registered_s >= _INTERVAL_S - 0.25 * now.interval_s:
                self._register(now)
                self._choose(now)
        self._latest = now
        anchor = self._anchors[-1]
        forward, right, _ = anchor.place(self._moved)
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
        self._drop(now, R_start_level @ now.R_level_still @ now.shot.middle, origin, first)

    def _drop(self, now: Moment, R_start_camera: Array, origin: Array, origin_m2: Array) -> None:
        """Make the picture of the moment an anchor, and the active one."""
        R_still_camera = now.shot.middle
        down = R_still_camera.T @ now.down_still
        jitter = self._lag_px(now) * now.distance_m / self._focal_px
        self._count += 1
        before = (self._anchors[-1].turn, self._anchors[-1].down) if self._anchors else None
        self._anchors.append(
            _Anchor(
                number=self._count,
                picture=now.picture,
                shot=now.shot,
                down=down,
                plane=down,
                distance_m=now.distance_m,
                distance_sigma_m=now.distance_sigma_m,
                R_start_camera=_levelled(R_start_camera, down),
                origin_m=origin,
                origin_m2=origin_m2 + jitter**2 * np.eye(3),
                sharpness=self._fine.sharpness(now.picture),
                since_s=now.shot.time_s,
                turn=Turn(self._module.gyro, now.shot.time_s, self._lag_rad(now), now.tilt_sigma_rad, before),
            )
        )
        del self._anchors[:-_KEPT]
        self._moved, self._moved2 = np.zeros(3), np.zeros((3, 3))
        self._registered_s = now.shot.time_s
        self._sight = self._shown(self._anchors[-1], now, np.zeros(3), np.eye(3), np.zeros((6, 6)))

    def _advance(self, now: Moment) -> None:
        """Add up the speed since the last picture."""
        assert self._latest is not None
        anchor = self._anchors[-1]
        gap_s = max(now.shot.time_s - self._latest.shot.time_s - now.interval_s, 0.0)
        R_anchor_level = small_turn(anchor.turn.seen_rad[:3]) @ anchor.shot.middle.T @ now.R_level_still.T
        self._moved = self._moved + R_anchor_level @ now.velocity_m_s * (now.interval_s + gap_s) / anchor.distance_m
        added = R_anchor_level @ now.covariance_m2_s2 @ R_anchor_level.T * (now.interval_s + gap_s) ** 2
        added += (0.5 * _ACCELERATION_M_S2 * gap_s**2) ** 2 * np.eye(3)
        self._moved2 = self._moved2 + added / anchor.distance_m**2

    def _turned(self, anchor: _Anchor, now: Moment) -> Array:
        return np.asarray(small_turn(anchor.turn.seen_rad[:3]) @ anchor.shot.middle.T @ now.shot.middle)

    def _register(self, now: Moment) -> bool:
        """Find the picture's place against the active anchor; says whether that succeeded."""
        anchor = self._anchors[-1]
        turn = anchor.turn
        turn.advance(now.shot.time_s, self._turned(anchor, now), self._lag_rad(now))
        prior = turn.seen_rad2
        unsure_px = self._focal_px * float(np.sqrt(np.trace(self._moved2) + np.trace(prior[:3, :3])))
        moved, wrong = self._moved, turn.seen_rad
        for k in range(4):
            view = AnchorView(self._lens, self._module, anchor.shot, now.shot, anchor.plane, anchor.distance_m, wrong)
            coarse = k == 0 and unsure_px > NEAR_PX
            found = self._match(anchor, now, view, moved, prior, turn.seen_rad - wrong, coarse=coarse)
            if found is None:
                return False
            alone = moved + found.pictures_alone[:3], wrong[:3] + found.pictures_alone[3:]
            moved, wrong = moved + found.change[:3], wrong + found.change[3:]
            step_px = self._focal_px * float(np.linalg.norm(found.change[:2]))
            if not coarse and step_px > 2 * NEAR_PX:
                return False
            if not coarse and step_px < _SETTLED_PX:
                break
        else:
            return False
        self._moved, self._moved2 = moved, found.covariance[:3, :3] / (1 - _OWN_SHARE)
        turn.absorb(wrong, found.covariance[3:, 3:])
        self._registered_s = now.shot.time_s
        R_anchor_now = small_turn(alone[1]) @ anchor.shot.middle.T @ now.shot.middle
        self._sight = self._shown(anchor, now, alone[0], R_anchor_now, found.alone_covariance)
        self._average(anchor, now)
        return True

    def _shown(self, anchor: _Anchor, now: Moment, moved: Array, R_anchor_now: Array, covariance: Array) -> Sight:
        """Turn what pictures show, camera axes of the anchor, into body axes and m."""
        R_body_camera = self._module.alignment.R_body_camera.as_matrix()
        to_body = np.zeros((6, 6))
        to_body[:3, :3], to_body[3:, 3:] = R_body_camera * anchor.distance_m, R_body_camera
        arm = np.array(self._module.alignment.camera_position_m)
        return Sight(
            time_s=now.shot.time_s,
            anchor=anchor.number,
            way_m=to_body[:3, :3] @ moved,
            R_anchor_now=R_body_camera @ R_anchor_now @ R_body_camera.T,
            covariance=to_body @ covariance @ to_body.T,
            height_m=anchor.distance_m + float(arm @ (R_body_camera @ anchor.down)),
            distance_m=anchor.distance_m,
            lag_m=_LAGS * now.common_px * anchor.distance_m / self._focal_px,
            lag_rad=_LAGS * now.common_px / self._lever_px,
        )

    def _match(
        self, anchor: _Anchor, now: Moment, view: AnchorView, moved: Array, prior: Array, mean: Array, *, coarse: bool
    ) -> Fit | None:
        motion = self._coarse if coarse else self._fine
        matches = motion.match(anchor.picture, now.picture, lambda points: view.predict(points, moved), far=coarse)
        equations, good = view.equations(matches if coarse else self._noise.applied(matches), moved)
        matches = matches.only(good)
        if len(matches) < _FEWEST:
            return None
        # What a codec does to one block it does to its neighbours: of what a picture shifts as a whole, a dozen patches
        # are independent, however many blocks there are.
        own_px2 = self._focal_px**2 * upper_median(np.trace(equations.covariance, axis1=1, axis2=2)) / 2
        shared = 1 + len(matches) / _PATCHES * now.common_px**2 / own_px2
        found = fit(equations.weakened((1 - _OWN_SHARE) * shared), prior, mean)
        if found is None:
            return None
        miss_px = found.miss * self._focal_px
        if not speak_of_one_motion(found.used, miss_px):
            return None
        if not coarse:
            self._noise.learn(matches, found.used, miss_px, found.scale)
        return found

    def _average(self, anchor: _Anchor, now: Moment) -> None:
        """Let every picture of an anchor speak for the plane that they all see: distance and which way is down."""
        share = 1 - float(self._moved @ anchor.down)  # of the anchor's distance
        distance = now.distance_m / share
        if abs(distance - anchor.distance_m) > 4 * np.hypot(now.distance_sigma_m, 0.01 * anchor.distance_m):
            return  # the range sensor meets other ground than the picture's
        anchor.heard += 1
        part = 1 / anchor.heard
        anchor.distance_m += part * (distance - anchor.distance_m)
        independent = 1 + (now.shot.time_s - anchor.since_s) / _HEIGHT_LASTS_S
        anchor.distance_sigma_m = max(
            now.distance_sigma_m / np.sqrt(independent), self._scale_sigma * anchor.distance_m
        )
        down = self._turned(anchor, now) @ now.shot.middle.T @ now.down_still
        down = anchor.down + part * (down - anchor.down)
        anchor.down = down / np.linalg.norm(down)
        anchor.R_start_camera = _levelled(anchor.R_start_camera, anchor.down)

    def _choose(self, now: Moment) -> None:
        """Change the anchor when the view of it has become poor."""
        anchor = self._anchors[-1]
        lost = now.shot.time_s - self._registered_s > _LOST_S
        sharpness = self._fine.sharpness(now.picture)
        overlap, turned, growth = self._outlook(anchor, now)
        poor = overlap < _LEAST_OVERLAP or turned > _MOST_TURN_RAD or growth > _MOST_GROWTH
        if not (lost or poor or sharpness > _SHARPER * anchor.sharpness):
            return
        if sharpness < anchor.sharpness / _SHARPER and overlap > 0.5 * _LEAST_OVERLAP and not lost:
            return  # blurred for a moment
        place, covariance = anchor.place(self._moved), self._own_covariance(now)
        missed = small_turn(anchor.turn.missed_rad(anchor.down))
        R_start_camera = anchor.R_start_camera @ missed @ anchor.shot.middle.T @ now.shot.middle
        if poor and not lost and self._take_up(now, place):
            return
        self._drop(now, R_start_camera, place, covariance)

    def _take_up(self, now: Moment, place: Array) -> bool:
        """Return to an earlier anchor that is well in view again."""
        active = self._anchors[-1]
        before = self._moved, self._moved2, self._registered_s
        for old in reversed(self._anchors[:-1]):
            moved = old.R_start_camera.T @ (place - old.origin_m) / old.distance_m
            self._moved = moved
            overlap, turned, growth = self._outlook(old, now)
            if overlap < _GOOD_OVERLAP or turned > 0.8 * _MOST_TURN_RAD or growth > 0.8 * _MOST_GROWTH:
                continue
            spread = old.R_start_camera.T @ active.origin_m2 @ old.R_start_camera
            self._moved2 = spread / old.distance_m**2
            self._anchors.remove(old)
            self._anchors.append(old)
            old.turn.take_over_bias(active.turn)
            if self._register(now):
                return True
            self._anchors.remove(old)
        self._moved, self._moved2, self._registered_s = before
        return False

    def _outlook(self, anchor: _Anchor, now: Moment) -> tuple[float, float, float]:
        """Share of the anchor in view, the turn since, rad, and by how much the ground has grown or shrunk."""
        camera = self._module.camera
        view = AnchorView(
            self._lens, self._module, anchor.shot, now.shot, anchor.plane, anchor.distance_m, anchor.turn.seen_rad
        )
        size = np.array([camera.width_px, camera.height_px])
        middle = 0.5 * (size - 1)[None]
        shift = np.abs(view.predict(middle, self._moved) - middle)[0] / size
        overlap = float(np.prod(np.maximum(1 - np.nan_to_num(shift, nan=1.0), 0.0)))
        turned = float(np.arccos(np.clip(0.5 * (np.trace(view.R_anchor_now) - 1), -1.0, 1.0)))
        return overlap, turned, abs(float(self._moved @ anchor.down))

    def _lag_px(self, now: Moment) -> float:
        """One-sigma by which a picture as a whole may be off for a second: what a codec does to it, and to its blocks."""
        return float(np.sqrt(now.common_px**2 + _LAG_SHARE * self._noise.floor_px2))

    def _lag_rad(self, now: Moment) -> float:
        """One-sigma by which it may be turned."""
        return float(np.hypot(self._lag_px(now) / self._lever_px, _LEAST_LAG_RAD))

    def _own_covariance(self, now: Moment) -> Array:
        """Covariance (3, 3) in the start's frame, without what scales or turns the whole path."""
        anchor = self._anchors[-1]
        by_picture = anchor.R_start_camera @ self._moved2 @ anchor.R_start_camera.T * anchor.distance_m**2
        leg = anchor.R_start_camera @ self._moved
        jitter = self._lag_px(now) * anchor.distance_m / self._focal_px
        against_anchor = by_picture + anchor.distance_sigma_m**2 * np.outer(leg, leg) + jitter**2 * np.eye(3)
        return np.asarray(anchor.origin_m2 + against_anchor)

    def _covariance(self, now: Moment) -> Array:
        anchor = self._anchors[-1]
        place = anchor.place(self._moved)
        heading_rad2 = anchor.turn.heading_rad2(anchor.down)
        across = np.array([-place[1], place[0], 0.0])
        whole = self._scale_sigma**2 * np.outer(place, place) + heading_rad2 * np.outer(across, across)
        return np.asarray(self._own_covariance(now) + whole)

    @property
    def _scale_sigma(self) -> float:
        """Relative error of every distance over ground."""
        focal = float(np.sqrt(np.mean(np.square(self._module.camera.focal_sigma))))
        return float(np.hypot(focal, self._module.range.sigma.scale))


def _levelled(R_start_camera: Array, down: Array) -> Array:
    """Turn axes by the least so that ``down`` (3,), camera axes, comes to stand upright."""
    leaning = R_start_camera @ down
    x, y, z = leaning / np.linalg.norm(leaning)
    axis = np.array([y, -x, 0.0])  # leaning x (0, 0, 1)
    cross = np.array([[0.0, 0.0, axis[1]], [0.0, 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    return np.asarray((np.eye(3) + cross + cross @ cross / (1 + z)) @ R_start_camera)
