"""A picture registered against an anchor."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.anchoring.anchor import Anchor, Moment
from flow.anchoring.fit import Fit, fit
from flow.anchoring.sight import LAG_S, Sight
from flow.anchoring.view import AnchorView, across, small_turn
from flow.camera import Lens
from flow.effects import covariance_of
from flow.module import Module
from flow.numerics.middle import upper_median
from flow.pair.match_noise import PATCHES, MatchNoise, speak_of_one_motion
from flow.pair.search import NEAR_PX
from flow.registration.blocks import BlockMatcher
from flow.tracks import ImageMotion

Array: TypeAlias = NDArray[np.float64]

_FEWEST = 24  # size: matches, two for each of the twelve unknowns
_SETTLED_PX = 0.08  # size: px, a step leaves a fiftieth of itself to the next
_LAG_SHARE = 0.5  # of the variance that blocks show whatever their texture
_LAGS = 3.0  # by so much more than from one picture to the next a codec shifts pictures for a second
# prior: rad one-sigma, registration is off by 7 thousandths of a pixel the same way while it sees the same ground
_LEAST_OWN_RAD = 6e-5
# prior: rad one-sigma, and s; other ground, other errors: what has moved by the height of the camera looks turned by so much,
# and the same way for so long (measured on 12 m flights over three grounds: 50 to 70 microradians at 0.3 of the height).
_PER_WAY, _WAY_S = 2e-4, 0.2
_OWN_SHARE = (
    0.5  # size: share, two images' noise, of which one is the anchor's own: it is the same in every registration
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How far the body has moved (3,) since the anchor, in units of its distance, and the covariance (3, 3).

    Beside the covariance, ``carried`` (3, 3) are columns of one-sigma errors that have added up since the last registration, and
    ``by_slope`` (3, 2) those of the ground's slope against the tilt: a tilt that is off by the same leans every anchor's plane
    alike, and adds up from anchor to anchor.
    """

    moved: Array
    covariance: Array
    carried: Array = field(default_factory=lambda: np.zeros((3, 3)))
    by_slope: Array = field(default_factory=lambda: np.zeros((3, 2)))


class Registrar:
    """Finds the way since an anchor; teaches the anchor's :class:`flow.anchoring.turn.Turn`.

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
        self._R_body_camera = module.alignment.R_body_camera.as_matrix()
        self._focal_px = 0.5 * (module.camera.fx_px + module.camera.fy_px)
        # The rms distance of a pixel from the middle.
        self._lever_px = 0.29 * float(np.hypot(module.camera.width_px, module.camera.height_px))
        self._noise = MatchNoise()

    def lag(self, now: Moment) -> float:
        """One-sigma by which a picture as a whole may be off for a second, in units of the focal length.

        That is what a codec does to it, and to its blocks.
        """
        return float(np.sqrt(now.common_px**2 + _LAG_SHARE * self._noise.floor_px2)) / self._focal_px

    def register(self, anchor: Anchor, now: Moment, expected: Way, since_s: float) -> tuple[Way, Sight] | None:
        """Register a picture; ``since_s`` after the last that was. None where they cannot be brought together."""
        turn = anchor.turn
        turn.advance(now.shot.time_s, anchor.turned(now))
        prior = turn.seen_rad2
        prior[:3, :3] += self._lag_rad2(now) * np.eye(3)
        unsure_px = self._focal_px * float(np.sqrt(np.trace(expected.covariance) + np.trace(prior[:3, :3])))
        moved, wrong = expected.moved, turn.true_rad
        for k in range(4):
            view = AnchorView(self._lens, self._module, anchor.shot, now.shot, anchor.plane, anchor.distance_m, wrong)
            coarse = k == 0 and unsure_px > NEAR_PX
            found, shared = self._match(anchor, now, view, moved, prior, turn.seen_rad - wrong, coarse=coarse)
            if found is None:
                return None
            step_px = self._focal_px * float(np.linalg.norm(found.change[:2]))
            if not coarse and step_px > 2 * NEAR_PX:
                return None
            if not coarse and step_px < _SETTLED_PX:
                return self._settle(anchor, now, found, moved, wrong, 1 - 1 / shared, since_s)
            moved, wrong = moved + found.change[:3], wrong + found.change[3:]
        return None

    def itself(self, anchor: Anchor, now: Moment) -> Sight:
        """Sight of the anchor's own picture."""
        none = np.zeros((6, 6))
        return self._sight(anchor, now, np.zeros(3), np.eye(3), none, none, by_slope=none[:, :2])

    def _settle(
        self, anchor: Anchor, now: Moment, found: Fit, moved: Array, wrong: Array, codec: float, since_s: float
    ) -> tuple[Way, Sight]:
        """Take in a fit about ``moved`` (3,) and ``wrong`` (5,), a share of whose variance is a codec's and lasts."""
        turn = anchor.turn
        # The plane's slope is the same in every sight of the anchor: a sight holds for the plane as it was taken.
        change, covariance, by_slope = found.given_slope(-wrong[3:])
        lasting = codec * covariance
        lasting[:3, :3] += np.square(_LAGS * now.common_px / self._focal_px) * np.eye(3)
        R_anchor_now = small_turn(wrong[:3] + change[3:]) @ anchor.shot.middle.T @ now.shot.middle
        sight = self._sight(anchor, now, moved + change[:3], R_anchor_now, (1 - codec) * covariance, lasting, by_slope)
        if not anchor.compared:
            _, covariance = found.alone(turn.true_rad[3:] - wrong[3:], turn.true_rad2[3:, 3:])
            turn.doubt_anchor(covariance[3:, 3:] + _LEAST_OWN_RAD**2 * np.eye(3))
            anchor.compared = True
        # An error that lasts counts in each of many pictures as white noise of the same density.
        often = 1 + codec * max(2 * LAG_S / since_s - 1, 0.0)
        information, pull = found.of_turn()
        weaker = often * np.eye(5)
        weaker[:, :3] += information[:, :3] * np.square(_PER_WAY * np.linalg.norm(moved)) * 2 * _WAY_S / since_s
        believed = np.asarray(np.linalg.inv(weaker), np.float64)
        turn.absorb(believed @ information, believed @ (pull + information @ wrong))
        # What the anchor's picture or a codec make look turned is no turn: the way belongs to what has turned.
        change, own, per_wrong = found.way_given(turn.true_rad - wrong)
        by_slope = per_wrong @ turn.by_slope_rad
        spread = own / (1 - _OWN_SHARE) + per_wrong @ turn.true_rad2 @ per_wrong.T - covariance_of(by_slope)
        return Way(moved=moved + change, covariance=spread, by_slope=by_slope), sight

    def _match(
        self, anchor: Anchor, now: Moment, view: AnchorView, moved: Array, prior: Array, mean: Array, *, coarse: bool
    ) -> tuple[Fit | None, float]:
        """Register; also give by how much more than its pixels' noise says the picture is off as a whole."""
        motion = self._coarse if coarse else self._fine
        matches = motion.match(anchor.picture, now.picture, lambda points: view.predict(points, moved), far=coarse)
        equations, good = view.equations(matches if coarse else self._noise.applied(matches), moved)
        matches = matches.only(good)
        if len(matches) < _FEWEST:
            return None, 1.0
        # What a codec does to one block it does to its neighbours: of what a picture shifts as a whole, a dozen patches
        # are independent, however many blocks there are.
        own_px2 = self._focal_px**2 * upper_median(np.trace(equations.covariance, axis1=1, axis2=2)) / 2
        shared = 1 + len(matches) / PATCHES * now.common_px**2 / own_px2
        found = fit(equations.weakened((1 - _OWN_SHARE) * shared), prior, mean)
        if found is None:
            return None, 1.0
        miss_px = found.miss * self._focal_px
        moved_px = equations.rows[:, :, :3] @ moved * self._focal_px
        if not speak_of_one_motion(found.used, miss_px, moved_px):
            return None, 1.0
        if not coarse:
            self._noise.learn(matches, found.used, miss_px, found.scale)
        return found, shared

    def _sight(
        self,
        anchor: Anchor,
        now: Moment,
        moved: Array,
        R_anchor_now: Array,
        covariance: Array,
        lasting: Array,
        by_slope: Array,
    ) -> Sight:
        """Turn what pictures show, camera axes of the anchor, into body axes and m."""
        R_body_camera = self._R_body_camera
        to_body = np.zeros((6, 6))
        to_body[:3, :3], to_body[3:, 3:] = R_body_camera * anchor.distance_m, R_body_camera
        arm = np.array(self._module.alignment.camera_position_m)
        return Sight(
            time_s=now.shot.time_s,
            anchor=anchor.number,
            way_m=to_body[:3, :3] @ moved,
            R_anchor_now=R_body_camera @ R_anchor_now @ R_body_camera.T,
            covariance=to_body @ covariance @ to_body.T,
            lasting=to_body @ lasting @ to_body.T,
            by_slope=to_body @ by_slope,
            slope_axes=R_body_camera @ across(anchor.plane),
            tilt_sigma_rad=anchor.tilt_sigma_rad,
            height_m=anchor.distance_m + float(arm @ (R_body_camera @ anchor.down)),
            distance_m=anchor.distance_m,
        )

    def _lag_rad2(self, now: Moment) -> float:
        """Variance of the turn by which a picture may look turned that is not."""
        return (self.lag(now) * self._focal_px / self._lever_px) ** 2 + _LEAST_OWN_RAD**2
