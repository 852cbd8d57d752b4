"""Registration against an anchor with matches made up: what is way, what is turn, and what is neither."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import numpy as np
import pytest

from flow.anchoring.anchor import Anchor, Moment
from flow.anchoring.registrar import Registrar, Way
from flow.anchoring.sight import Sight
from flow.anchoring.turn import Turn
from flow.anchoring.view import AnchorView, Shot, small_turn
from flow.camera import Lens
from flow.module import Gyro
from flow.scene import preset_module
from flow.tracks import Matches

MODULE = preset_module("small")
MODULE = MODULE.model_copy(update={"camera": MODULE.camera.model_copy(update={"readout_s": 0.0})})
LENS = Lens(MODULE.camera)
COARSE = Gyro.model_validate({"noise_rad_s_rthz": 1.2e-4, "sigma": {"bias_rad_s": [1e-3] * 3}})
HEIGHT_M, DOWN, STEP_S, SCATTER_PX = 1.2, np.array([0.0, 0.0, 1.0]), 0.035, 0.01
WAY = np.array([0.08, -0.05, 0.01])  # of the height
BIAS_RAD_S = np.array([0.0, 1e-3, 0.0])
BEND_RAD = np.array([0.0, 4e-4, 0.0])
PICTURE = np.zeros((240, 320), np.uint8)
CODEC_PX = 0.015


def moment(time_s: float, common_px: float) -> Moment:
    still = Shot(
        time_s=time_s,
        turns=np.repeat(np.eye(3)[None], 3, axis=0),
        velocity_m_s=np.zeros(3),
        acceleration_m_s2=np.zeros(3),
    )
    return Moment(
        picture=PICTURE, shot=still, interval_s=STEP_S, velocity_m_s=np.zeros(3), covariance_m2_s2=np.eye(3),
        carried_m2_s2=np.zeros((3, 3)),
        R_level_still=np.eye(3), turned_rad=0.0, distance_m=HEIGHT_M, distance_sigma_m=0.005, tilt_sigma_rad=1e-3,
        common_px=common_px,
    )  # fmt: skip


class Pictures:
    """A matcher that gives where a grid of points is seen, each off by a hundredth of a pixel."""

    def __init__(self, *, rate_rad_s: np.ndarray, bent_rad: np.ndarray) -> None:
        x, y = np.meshgrid(np.linspace(20, 300, 15), np.linspace(20, 220, 11))
        self.grid = np.column_stack([x.ravel(), y.ravel()])
        self.rate_rad_s, self.bent_rad, self.time_s, self._rng = rate_rad_s, bent_rad, 0.0, np.random.default_rng(5)

    def match(self, first: Any, second: Any, expected: Callable[[Any], Any], *, far: bool = False) -> Matches:
        """Ignore the pictures."""
        shot = moment(0.0, 0.0).shot
        wrong = np.concatenate([self.time_s * self.rate_rad_s, np.zeros(2)])
        seen = AnchorView(LENS, MODULE, shot, shot, DOWN, HEIGHT_M, wrong).predict(self.grid, WAY)
        # A bend: what a turn does to a picture, but for the shift of its middle.
        x, y, z = (np.column_stack([LENS.rays(seen), np.ones(len(seen))]) @ small_turn(self.bent_rad)).T
        bend = LENS.pixels(np.column_stack([x / z, y / z])) - seen
        seen = seen + bend - bend.mean(axis=0) + self._rng.normal(0, SCATTER_PX, seen.shape)
        unit = np.repeat(SCATTER_PX**2 * np.eye(2)[None], len(seen), axis=0)
        return Matches(first_px=self.grid, second_px=seen, covariance_px2=unit, offered=len(seen))


def registered(
    pictures: Pictures, common_px: float, times: int = 12, gyro: Gyro = MODULE.gyro
) -> tuple[Way, Sight, Turn]:
    matcher = cast("Any", pictures)
    registrar, begin = Registrar(MODULE, LENS, matcher, matcher), moment(0.0, common_px)
    turn = Turn(gyro, 0.0, 1e-3)
    anchor = Anchor(
        number=1, picture=PICTURE, shot=begin.shot, down=DOWN, plane=DOWN, distance_m=HEIGHT_M, distance_sigma_m=0.005,
        tilt_sigma_rad=1e-3, R_start_camera=np.eye(3), origin_m=np.zeros(3), origin_m2=np.zeros((3, 3)), sharpness=1.0,
        since_s=0.0, turn=turn,
    )  # fmt: skip
    way, sight = Way(moved=WAY, covariance=1e-6 * np.eye(3)), None
    for k in range(1, times + 1):
        pictures.time_s = k * STEP_S
        found = registrar.register(anchor, moment(pictures.time_s, common_px), way, STEP_S)
        assert found is not None
        way, sight = found
    assert sight is not None
    return way, sight, turn


def test_a_turn_that_the_gyro_missed_is_not_way() -> None:
    # Exact truth: a gyro off by 1 mrad/s, one sigma of what is told of it here, turns by 0.4 mrad in 0.4 s. Matches of 0.01 px
    # at 165 points tell a turn to 0.1 mrad each time, the anchor's own error is one such: half of it is found, and more.
    missed = 12 * STEP_S * BIAS_RAD_S
    way, sight, turn = registered(Pictures(rate_rad_s=BIAS_RAD_S, bent_rad=np.zeros(3)), 0.0, gyro=COARSE)
    assert np.abs(way.moved - WAY).max() < 0.5 * missed[1]
    assert turn.true_rad[1] == pytest.approx(missed[1], abs=0.5 * missed[1])
    assert (np.abs(way.moved - WAY) < 4 * np.sqrt(np.diag(way.covariance))).all()
    # The sight tells it without the gyro, in body axes: the camera's y is the body's minus x.
    R_body_camera = MODULE.alignment.R_body_camera.as_matrix()
    shown = R_body_camera.T @ sight.R_anchor_now @ R_body_camera - small_turn(missed)
    assert np.abs(shown).max() < 4 * np.sqrt(np.diag(sight.covariance)[3:].max())
    assert R_body_camera.T @ sight.way_m / HEIGHT_M == pytest.approx(WAY, abs=4e-4)


def test_what_a_codec_bends_does_not_lengthen_the_way() -> None:
    # Every picture bent as by a turn of 0.4 mrad about the same axis, its middle where it should be. Taken for a turn the way
    # would be wrong by as much; the gyro says that nothing turned, and 0.4 mrad is little for a codec that shifts pictures by
    # 0.015 px. Mutation: with `seen_rad` for `true_rad` in the registrar a third of it is way.
    way, _, turn = registered(Pictures(rate_rad_s=np.zeros(3), bent_rad=BEND_RAD), CODEC_PX)
    assert abs(way.moved - WAY)[0] < 0.25 * BEND_RAD[1]
    assert (np.abs(way.moved - WAY) < 4 * np.sqrt(np.diag(way.covariance))).all()
    assert abs(turn.true_rad[1]) < 0.25 * BEND_RAD[1]


def test_pictures_that_show_something_else_are_refused() -> None:
    # Half of the points off by pixels of their own.
    pictures = Pictures(rate_rad_s=np.zeros(3), bent_rad=np.zeros(3))
    honest = pictures.match

    def scattered(*arguments: Any, **keys: Any) -> Matches:
        found = honest(*arguments, **keys)
        found.second_px[::2] += np.random.default_rng(1).normal(0, 5.0, found.second_px[::2].shape)
        return found

    pictures.match = scattered  # type: ignore[method-assign]
    with pytest.raises(AssertionError):
        registered(pictures, 0.0, times=1)
