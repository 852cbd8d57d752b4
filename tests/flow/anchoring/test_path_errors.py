"""What is uncertain of rows, anchor and module in the position's covariance, part by part, in closed form."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from flow import scene
from flow.anchoring import PositionKeeper
from flow.anchoring.anchor import Anchor
from flow.anchoring.registrar import Way
from flow.anchoring.turn import Turn
from flow.anchoring.view import across
from flow.camera import Lens
from flow.error_sources import ErrorSource
from flow.stated_sigmas import stated_sigma
from tests.flow.anchoring.test_registrar import DOWN, HEIGHT_M, PICTURE, moment

MODULE = scene.preset_module("small")
MOVED = np.array([0.3, -0.2, 0.0])
STILL = MODULE.gyro.model_copy(update={"noise_rad_s_rthz": 0.0})


def keeper(*, distance_sigma_m: float = 0.0, way: Way | None = None, module: Any = MODULE) -> PositionKeeper:
    matcher = cast("Any", SimpleNamespace(sharpness=lambda _: 1.0))
    found = PositionKeeper(module, Lens(module.camera), matcher, matcher)
    begin = moment(0.0, 0.0)
    found._anchors.append(
        Anchor(
            number=1, picture=PICTURE, shot=begin.shot, down=DOWN, plane=DOWN, distance_m=HEIGHT_M,
            distance_sigma_m=distance_sigma_m, tilt_sigma_rad=0.0, R_start_camera=np.eye(3), origin_m=np.zeros(3),
            origin_m2=np.zeros((3, 3)), sharpness=1.0, since_s=0.0, turn=Turn(STILL, 0.0, 1e-3),
        )
    )  # fmt: skip
    found._way = way or Way(moved=MOVED, covariance=np.zeros((3, 3)))
    return found


def covariance(found: PositionKeeper) -> np.ndarray:
    return found._covariance(moment(0.1, 0.0))


def test_the_anchors_distance_is_in_the_place() -> None:
    # Closed form: all that is counted from the anchor is wrong by the share by which its distance is.
    sigma = 0.02
    grown = covariance(keeper(distance_sigma_m=sigma)) - covariance(keeper())
    np.testing.assert_allclose(grown, sigma**2 * np.outer(MOVED, MOVED), atol=1e-15)


def test_what_is_carried_adds_up_row_by_row_and_ends_with_a_registration() -> None:
    # Closed form: N rows whose error of 1 cm/s goes on are off by N times as far as one, not by its root.
    rows, interval_s, sigma = 12, 1 / 30, 0.01
    found = keeper(way=Way(moved=np.zeros(3), covariance=np.zeros((3, 3))))
    found._latest = moment(0.0, 0.0)
    plain = covariance(found)
    now = replace(moment(0.0, 0.0), covariance_m2_s2=np.zeros((3, 3)), carried_m2_s2=np.diag([sigma**2, 0.0, 0.0]))
    for k in range(1, rows + 1):
        shot = replace(now.shot, time_s=k * interval_s)
        found._latest = replace(now, shot=replace(now.shot, time_s=(k - 1) * interval_s))
        found._advance(replace(now, shot=shot, interval_s=interval_s))
    grown = covariance(found) - plain
    assert grown[0, 0] == pytest.approx((rows * interval_s * sigma) ** 2, rel=1e-9)
    assert grown[1, 1] == pytest.approx(0.0, abs=1e-15)
    found._way = Way(moved=found._way.moved, covariance=found._way.covariance)  # as a registration leaves it
    assert (covariance(found) - plain)[0, 0] == pytest.approx(0.0, abs=1e-15)


def averaged(slope_rad: np.ndarray, distance_m: float) -> PositionKeeper:
    """Hear one more distance for an anchor whose plane slopes so, by the images."""
    found = keeper()
    anchor = found._anchors[-1]
    anchor.turn._state[9:11] = slope_rad
    found._average(anchor, replace(moment(0.1, 0.0), distance_m=distance_m, distance_sigma_m=0.01))
    return found


def test_a_distance_heard_farther_on_is_that_of_the_sloping_plane_at_the_anchor() -> None:
    # Closed form: over a plane of unit normal n the camera that has moved by D distances is 1 - n.D of the distance away.
    slope = np.array([0.02, -0.03])
    normal = DOWN + across(DOWN) @ slope
    normal /= np.linalg.norm(normal)
    found = averaged(slope, HEIGHT_M * (1 - MOVED @ normal))
    assert found._anchors[-1].distance_m == pytest.approx(HEIGHT_M, rel=1e-12)


@pytest.mark.parametrize("axis", [0, 1])
def test_what_a_wrong_tilt_does_to_the_distance_is_in_the_place_and_goes_on(axis: int) -> None:
    # Numerical derivative of the place by the slope; one sigma of it is a milliradian. Second order leaves a thousandth of it.
    step = 1e-3 * np.eye(2)[axis]
    level, sloping = (averaged(slope, HEIGHT_M)._anchors[-1].place(MOVED) for slope in (np.zeros(2), step))
    found = averaged(np.zeros(2), HEIGHT_M)
    np.testing.assert_allclose(
        found._by_slope_m()[:, axis], sloping - level, atol=2e-3 * np.linalg.norm(sloping - level)
    )
    found._drop(moment(0.2, 0.0), np.eye(3), np.zeros(3), np.zeros((3, 3)), found._by_slope_m())
    np.testing.assert_allclose(
        found._by_slope_m()[:, axis], sloping - level, atol=2e-3 * np.linalg.norm(sloping - level)
    )


@pytest.mark.parametrize("source", [ErrorSource.FOCAL_LENGTH, ErrorSource.RANGE, ErrorSource.MOUNTING])
def test_what_scales_or_turns_the_path_is_in_the_place(source: ErrorSource) -> None:
    # Closed form: along the place for a scale, across it for a heading; three times the sigma adds eight variances.
    place = MOVED * HEIGHT_M
    side = np.array([-place[1], place[0], 0.0]) if source is ErrorSource.MOUNTING else place
    base = MODULE.model_dump(exclude_none=True)

    def module(factor: float) -> Any:
        base["camera"]["sigma"] |= {"fx_px": 0.5 * factor, "fy_px": 0.5 * factor}
        base["range"]["sigma"] |= {"scale": 0.004 * factor, "offset_m": 0.003 * factor}
        base["alignment"]["sigma"] |= {"camera_to_body_rad": [0.0, 0.0, 2e-3 * factor]}
        for other, section in (
            (ErrorSource.FOCAL_LENGTH, "camera"), (ErrorSource.RANGE, "range"), (ErrorSource.MOUNTING, "alignment"),
        ):  # fmt: skip
            if other is not source:
                base[section]["sigma"] = MODULE.model_dump(exclude_none=True)[section]["sigma"]
        return type(MODULE).model_validate(base)

    one, three = module(1.0), module(3.0)
    share = float(np.sqrt(np.mean(np.square(stated_sigma(source, one, HEIGHT_M)))))
    if source is ErrorSource.MOUNTING:
        share = 2e-3
    grown = covariance(keeper(module=three)) - covariance(keeper(module=one))
    np.testing.assert_allclose(grown, 8 * share**2 * np.outer(side, side), atol=1e-12)
