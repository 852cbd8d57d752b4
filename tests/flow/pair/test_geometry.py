"""Exact matches of known ground points, made here by projection, must give the velocity back exactly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from flow.camera import Lens
from flow.module import Module
from flow.pair.geometry import PairView, Plane
from flow.pair.velocity import solve
from flow.rotation import RotationLog
from flow.series import GyroSamples
from flow.tracks import Matches

RATE = np.array([0.5, -0.7, 0.9])  # rad/s, body axes, constant: orientation is exactly exp(RATE t)
VELOCITY = np.array([1.3, -0.8, 0.35])  # m/s, body axes at t = 0
SPEEDING = np.array([2.5, -1.5, 1.0])  # m/s^2, the same axes
STEADY = np.zeros(3)
HEIGHT_M = 1.4
TILT = Rotation.from_euler("ZYX", [0.0, 0.15, -0.1])  # body to level at t = 0
TIMES = (-0.012, 0.013)


def module(model: str, readout_s: float) -> Module:
    distortion = [-0.28, 0.09, 0.0004, -0.0003, 0.0] if model == "pinhole" else [0.02, -0.01, 0.003, -0.001]
    focal = 266.0 if model == "pinhole" else 130.0
    return Module.model_validate(
        {
            "camera": {
                "model": model,
                "width_px": 320,
                "height_px": 240,
                "fx_px": focal,
                "fy_px": focal * 1.002,
                "cx_px": 161.3,
                "cy_px": 118.2,
                "distortion": distortion,
                "readout_s": readout_s,
            },
            "alignment": {
                "camera_to_body_wxyz": list(
                    (
                        Rotation.from_euler("z", 90, degrees=True) * Rotation.from_euler("xyz", [0.03, -0.02, 0.01])
                    ).as_quat(scalar_first=True)
                ),
                "camera_position_m": [0.05, -0.03, 0.04],
            },
        }
    )


def rotation_log(rate: np.ndarray = RATE) -> RotationLog:
    log = RotationLog(Module.model_validate({"camera": _MINIMAL}).gyro)
    times = np.arange(-0.2, 0.2, 0.005)
    log.append(GyroSamples(time_s=times, rate_rad_s=np.tile(rate, (len(times), 1)), accel_m_s2=None))
    return log


_MINIMAL = {"width_px": 320, "height_px": 240, "fx_px": 100, "fy_px": 100, "cx_px": 0, "cy_px": 0}


def travelled(time_s: float, acceleration: np.ndarray) -> np.ndarray:
    """Way of the body since t = 0."""
    return VELOCITY * time_s + 0.5 * acceleration * time_s**2


def project(m: Module, ground_body0: np.ndarray, time_s: float, acceleration: np.ndarray = STEADY) -> np.ndarray:
    """Pixel of a ground point (body axes at t = 0) at an instant, by OpenCV and the closed-form pose."""
    body = Rotation.from_rotvec(RATE * time_s)
    seen = body.inv().apply(ground_body0 - travelled(time_s, acceleration)) - m.alignment.camera_position_m
    camera = m.alignment.R_body_camera.inv().apply(seen)
    terms = m.camera.distortion_terms
    project_points = cv2.projectPoints if m.camera.model == "pinhole" else cv2.fisheye.projectPoints
    return project_points(camera[None, None], np.zeros(3), np.zeros(3), m.camera.matrix, terms)[0].reshape(2)


def seen_by_rolling_rows(
    m: Module, ground: np.ndarray, frame_s: float, acceleration: np.ndarray = STEADY
) -> np.ndarray:
    """Solve for the instant at which the row that the point is on is the row being exposed."""
    c = m.camera

    def late(t: float) -> float:
        return frame_s + ((project(m, ground, t, acceleration)[1] + 0.5) / c.height_px - 0.5) * c.readout_s - t

    if c.readout_s == 0:
        return project(m, ground, frame_s, acceleration)
    exposed_s = brentq(late, frame_s - c.readout_s, frame_s + c.readout_s, xtol=1e-13)
    return project(m, ground, exposed_s, acceleration)


def exact_matches(m: Module, acceleration: np.ndarray = STEADY) -> Matches:
    lens = Lens(m.camera)
    x, y = np.meshgrid(np.linspace(20, 300, 9), np.linspace(20, 220, 8))
    pixels = np.column_stack([x.ravel(), y.ravel()])
    down = TILT.inv().apply([0, 0, 1.0])
    ground = []
    for ray in lens.rays(pixels):
        direction = m.alignment.R_body_camera.apply([*ray, 1.0])
        if direction @ down < 0.3 * np.linalg.norm(direction):
            continue
        origin = np.array(m.alignment.camera_position_m)
        ground.append(origin + direction * (HEIGHT_M - origin @ down) / (direction @ down))
    first = np.array([seen_by_rolling_rows(m, g, TIMES[0], acceleration) for g in ground])
    second = np.array([seen_by_rolling_rows(m, g, TIMES[1], acceleration) for g in ground])
    covariance = np.tile(0.01 * np.eye(2), (len(first), 1, 1))
    return Matches(first_px=first, second_px=second, covariance_px2=covariance, offered=len(first))


def view_of(
    m: Module, rate: np.ndarray = RATE, times: tuple[float, float] = TIMES, acceleration: np.ndarray = STEADY
) -> PairView:
    middle = 0.5 * (times[0] + times[1])
    # the body, its plane and its velocity at the middle of the interval
    down0 = TILT.inv().apply([0, 0, 1.0])
    height = HEIGHT_M - travelled(middle, acceleration) @ down0
    body_down = Rotation.from_rotvec(RATE * middle).inv().apply(down0)
    R = m.alignment.R_body_camera
    plane = Plane(
        down=R.inv().apply(body_down), distance_m=height - float(np.dot(m.alignment.camera_position_m, body_down))
    )
    log = rotation_log(rate)
    still = log.matrices(np.array([0.0]))[0] @ acceleration
    return PairView(Lens(m.camera), m, log, *times, plane, still)


def recovered(m: Module, view: PairView, acceleration: np.ndarray = STEADY) -> np.ndarray:
    pair, _ = view.geometry(exact_matches(m, acceleration))
    solution = solve(pair, None, 1.0, np.random.default_rng(0))
    if solution is None:  # no agreement at all
        return np.full(3, np.inf)
    middle = Rotation.from_rotvec(RATE * view.middle_s)
    return middle.apply(m.alignment.R_body_camera.apply(solution.velocity_m_s))


@pytest.mark.parametrize("model", ["pinhole", "fisheye"])
@pytest.mark.parametrize("readout_s", [0.0, 0.014])
def test_velocity_is_exact_under_rotation_tilt_lever_lens_and_rolling_rows(model: str, readout_s: float) -> None:
    """Exact synthetic truth; 1e-6 m/s is the round trip through the lens iteration, 1e5 below a pixel."""
    m = module(model, readout_s)
    np.testing.assert_allclose(recovered(m, view_of(m)), VELOCITY, atol=1e-6)


@pytest.mark.parametrize(
    ("what", "least_error"),
    [("gyro sign", 0.5), ("gyro axes", 0.3), ("clock by one frame", 0.02), ("readout ignored", 0.005)],
)
def test_the_same_check_notices_what_it_should(what: str, least_error: float) -> None:
    """Each slip moves the answer by far more than the tolerance of the test above."""
    m = module("pinhole", 0.014)
    view = view_of(m)
    if what == "gyro sign":
        view = view_of(m, rate=-RATE)
    elif what == "gyro axes":
        view = view_of(m, rate=RATE[[1, 0, 2]])
    elif what == "clock by one frame":
        view = view_of(m, times=(TIMES[0], TIMES[1] + 0.025))
    else:
        view = view_of(m.model_copy(update={"camera": m.camera.model_copy(update={"readout_s": 0.0})}))
    assert np.abs(recovered(m, view) - VELOCITY).max() > least_error


@pytest.mark.parametrize("model", ["pinhole", "fisheye"])
@pytest.mark.parametrize("readout_s", [0.0, 0.014])
def test_velocity_is_exact_while_it_changes(model: str, readout_s: float) -> None:
    """Exact synthetic truth at the middle; the tolerance is that of a steady speed."""
    m = module(model, readout_s)
    view = view_of(m, acceleration=SPEEDING)
    np.testing.assert_allclose(recovered(m, view, SPEEDING), VELOCITY + SPEEDING * view.middle_s, atol=1e-6)


@pytest.mark.parametrize("slip", ["left out", "sign"])
def test_the_same_check_notices_a_wrong_acceleration(slip: str) -> None:
    """3 m/s^2 left out look like a climb of 2 cm/s, with the wrong sign like twice that."""
    m = module("pinhole", 0.014)
    believed = STEADY if slip == "left out" else -SPEEDING
    miss = recovered(m, view_of(m, acceleration=believed), SPEEDING) - VELOCITY
    assert np.abs(miss).max() > (0.01 if slip == "left out" else 0.02)


@pytest.mark.parametrize("model", ["pinhole", "fisheye"])
@pytest.mark.parametrize("acceleration", [STEADY, SPEEDING])
def test_prediction_lands_on_the_second_picture_of_the_point(model: str, acceleration: np.ndarray) -> None:
    """Exact synthetic truth; the row's fixed point is iterated twice, which leaves under 0.01 px here."""
    m = module(model, 0.014)
    view, matches = view_of(m, acceleration=acceleration), exact_matches(m, acceleration)
    turn = Rotation.from_rotvec(RATE * view.middle_s) * m.alignment.R_body_camera
    velocity = turn.inv().apply(VELOCITY + acceleration * view.middle_s)
    np.testing.assert_allclose(view.predict(matches.first_px, velocity), matches.second_px, atol=0.01)
