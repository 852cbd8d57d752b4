"""Our exact two-frame equations shrink to the published motion field as the motion does.

Source: Longuet-Higgins and Prazdny 1980 (Proc. R. Soc. Lond. B 208, 385): a camera with velocity (U, V, W) and angular
velocity (A, B, C) sees a point at image place (x, y) (unit focal length) and depth Z move by
u = (-U + x W) / Z - B + C y + A x y - B x^2, v = (-V + y W) / Z - C x + A + A y^2 - B x y.
"""

from __future__ import annotations

import numpy as np
import pytest

from flow.camera import Lens
from flow.pair.geometry import PairView, Plane
from flow.pair.velocity import solve
from flow.rotation import RotationLog
from flow.tracks import Matches
from tests.streams import FOCAL_PX, gyro, plain_module

MODULE = plain_module()
CAMERA_TO_BODY = MODULE.alignment.R_body_camera
DISTANCE_M = 1.3
DOWN = np.array([0.12, -0.2, 1.0]) / np.linalg.norm([0.12, -0.2, 1.0])  # camera axes
MOTIONS = {
    "sideways": ((0.7, 0, 0), (0, 0, 0)),
    "down the picture": ((0, 0.7, 0), (0, 0, 0)),
    "ahead": ((0, 0, 0.7), (0, 0, 0)),
    "about x": ((0, 0, 0), (0.8, 0, 0)),
    "about y": ((0, 0, 0), (0, 0.8, 0)),
    "about z": ((0, 0, 0), (0, 0, 0.8)),
    "all": ((0.7, -0.4, 0.3), (0.5, -0.8, 0.6)),
}


def places() -> np.ndarray:
    x, y = np.meshgrid(np.linspace(10, 310, 9), np.linspace(10, 230, 7))
    return np.column_stack([x.ravel(), y.ravel()])


def view(turn_rate: tuple[float, ...], interval_s: float) -> PairView:
    log = RotationLog(MODULE.gyro)
    log.append(gyro(np.arange(-0.1, 0.1, 0.005), CAMERA_TO_BODY.apply(turn_rate)))
    half = 0.5 * interval_s
    return PairView(Lens(MODULE.camera), MODULE, log, -half, half, Plane(down=DOWN, distance_m=DISTANCE_M))


def published_field(velocity: tuple[float, ...], turn_rate: tuple[float, ...]) -> np.ndarray:
    """Image velocity at :func:`places`, px/s."""
    x, y = ((places() - [MODULE.camera.cx_px, MODULE.camera.cy_px]) / FOCAL_PX).T
    (U, V, W), (A, B, C) = velocity, turn_rate
    Z = DISTANCE_M / (x * DOWN[0] + y * DOWN[1] + DOWN[2])
    u = (-U + x * W) / Z - B + C * y + A * x * y - B * x * x
    v = (-V + y * W) / Z - C * x + A + A * y * y - B * x * y
    return FOCAL_PX * np.column_stack([u, v])


def predicted_field(velocity: tuple[float, ...], turn_rate: tuple[float, ...], interval_s: float) -> np.ndarray:
    seen = view(turn_rate, interval_s).predict(places(), np.array(velocity))
    return np.asarray((seen - places()) / interval_s)


@pytest.mark.parametrize("motion", MOTIONS)
def test_prediction_tends_to_the_field(motion: str) -> None:
    # Truth: the published closed form. Points are placed in the first picture while the field is taken at its
    # own instant: the difference is a half of the field's change in the interval, linear in it. So it must
    # halve with the interval, and at 10 us be below 1e-4 of the field's few hundred px/s.
    velocity, turn_rate = MOTIONS[motion]
    field = published_field(velocity, turn_rate)
    missed = [np.abs(predicted_field(velocity, turn_rate, T) - field).max() for T in (4e-3, 2e-3, 1e-3, 1e-5)]
    assert missed[0] / missed[1] == pytest.approx(2, abs=0.1)
    assert missed[1] / missed[2] == pytest.approx(2, abs=0.1)
    assert missed[3] < 1e-4 * np.abs(field).max()
    # Mutation: a motion of the other sign is far from it at any interval.
    assert np.abs(predicted_field(velocity, turn_rate, 1e-5) + field).max() > np.abs(field).max()


def test_extrapolated_to_no_interval_the_field_is_met() -> None:
    # Richardson's extrapolation takes the linear part out; what is left falls with the square: 1e-5 of the
    # field.
    velocity, turn_rate = MOTIONS["all"]
    field = published_field(velocity, turn_rate)
    long, short = (predicted_field(velocity, turn_rate, T) for T in (2e-3, 1e-3))
    np.testing.assert_allclose(2 * short - long, field, atol=1e-5 * np.abs(field).max())


@pytest.mark.parametrize("motion", MOTIONS)
def test_the_solver_inverts_the_field(motion: str) -> None:
    # The published field given as matches: the solver's answer tends to the velocity, linearly in the
    # interval.
    velocity, turn_rate = MOTIONS[motion]
    missed = []
    for interval_s in (2e-3, 1e-3, 2e-5):
        matches = Matches(
            first_px=places(),
            second_px=places() + interval_s * published_field(velocity, turn_rate),
            covariance_px2=np.tile(np.eye(2), (len(places()), 1, 1)),
            offered=len(places()),
        )
        pair, _ = view(turn_rate, interval_s).geometry(matches)
        solution = solve(pair, np.array(velocity), 1.0, np.random.default_rng(0))
        assert solution is not None
        missed.append(np.abs(solution.velocity_m_s - velocity).max())
    assert missed[2] < 1e-4
    assert missed[2] < 0.1 * missed[0] + 1e-7
