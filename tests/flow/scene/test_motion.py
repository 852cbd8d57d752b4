"""Motions: every derivative against finite differences of the pose, and closed forms with their signs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.scene import flight, gusts, hand_turned, straight, tour
from flow.scene.motion import STANDARD_GRAVITY_M_S2, Motion

MOTIONS = {
    "gusts": straight(5, height_m=1.2) + gusts(5, seed=3),
    "hand": hand_turned(5, seed=4, height_m=0.6),
    "tour": tour(6, height_m=1.5, speed_m_s=0.8, seed=5),
    "pass": straight(5, height_m=1, speed_m_s=2, heading_rad=0.3, pitch_rad=-0.2, roll_rad=0.1, yaw_rate_rad_s=0.7),
}
STEP_S = 2e-3


@pytest.fixture(params=MOTIONS, scope="module")
def motion(request: pytest.FixtureRequest) -> Motion:
    return MOTIONS[request.param]


def central(values: list[np.ndarray]) -> np.ndarray:
    """Differentiate from values at -2, -1, 1, 2 steps; the error is the fifth derivative times step^4 / 30."""
    return (values[0] - 8 * values[1] + 8 * values[2] - values[3]) / (12 * STEP_S)


def test_velocity_and_acceleration_are_derivatives(motion: Motion) -> None:
    t = np.linspace(0.3, motion.duration_s - 0.3, 41)
    around = [t + k * STEP_S for k in (-2, -1, 1, 2)]
    # The fastest motion (2.5 Hz, 0.1 m) has a fifth derivative below 1e5 m/s^5: 1.6e-11 * 1e5 / 30 = 5e-8.
    np.testing.assert_allclose(motion.velocity(t), central([motion.pose(s)[0] for s in around]), atol=2e-7)
    # A quintic spline's fifth derivative jumps at knots, so a difference across one is a little worse.
    np.testing.assert_allclose(motion.acceleration(t), central([motion.velocity(s) for s in around]), atol=2e-5)


def test_body_rate_is_the_derivative_of_attitude(motion: Motion) -> None:
    t = np.linspace(0.3, motion.duration_s - 0.3, 41)
    here = motion.pose(t)[1]
    # Turn from here to the neighbours, a rotation vector in body axes; its derivative at 0 is the body rate.
    turns = [(here.inv() * motion.pose(t + k * STEP_S)[1]).as_rotvec() for k in (-2, -1, 1, 2)]
    # The tour leans by its acceleration, whose fourth derivative steps where a manoeuvre begins: a difference
    # across that is off by a microradian a second. A wrong sign is off by 0.1 and more.
    np.testing.assert_allclose(motion.rate_body(t), central(turns), atol=5e-6)


def test_level_velocity_follows_the_nose() -> None:
    # Flying north at 2 m/s with the nose east: that is to the left. Climbing is negative down.
    motion = straight(1, height_m=1, speed_m_s=2, climb_m_s=0.5, yaw_rad=np.pi / 2, roll_rad=0.3, pitch_rad=0.2)
    np.testing.assert_allclose(motion.level_velocity([0.5]), [[0, -2, -0.5]], atol=1e-9)
    # Forward is the body's x axis projected on the horizontal, whatever roll and pitch.
    nose = MOTIONS["hand"].pose(np.array([1.0]))[1].apply([1.0, 0, 0])[0, :2]
    along = MOTIONS["hand"].velocity(1.0)[:2] @ nose / np.linalg.norm(nose)
    assert MOTIONS["hand"].level_velocity(1.0)[0] == pytest.approx(along, abs=1e-12)


@pytest.mark.parametrize(
    ("roll", "pitch", "expected"),
    [
        (0.0, 0.0, (0.0, 0.0, -1.0)),
        (0.0, 0.4, (np.sin(0.4), 0.0, -np.cos(0.4))),  # nose up: the seat pushes forward
        (0.3, 0.0, (0.0, -np.sin(0.3), -np.cos(0.3))),  # right side down: pushed to the left
    ],
)
def test_specific_force_at_rest(roll: float, pitch: float, expected: tuple[float, float, float]) -> None:
    motion = straight(1, height_m=1, roll_rad=roll, pitch_rad=pitch, yaw_rad=1.0)
    found = motion.specific_force([0.2, 0.7])
    np.testing.assert_allclose(found, np.tile(np.array(expected) * STANDARD_GRAVITY_M_S2, (2, 1)), atol=1e-8)


def test_specific_force_is_acceleration_less_gravity(motion: Motion) -> None:
    t = np.array([0.5, 1.7])
    _, R_level_body = motion.pose(t)
    back = R_level_body.apply(motion.specific_force(t)) + np.array([0, 0, STANDARD_GRAVITY_M_S2])
    np.testing.assert_allclose(back, motion.acceleration(t), atol=1e-12)


def test_rate_of_a_tilted_turn() -> None:
    # A constant yaw rate seen in a body pitched by -0.2: the level z axis has body x component +sin(0.2).
    motion = straight(2, height_m=1, pitch_rad=-0.2, yaw_rate_rad_s=0.5)
    np.testing.assert_allclose(motion.rate_body(1.0), [0.5 * np.sin(0.2), 0, 0.5 * np.cos(0.2)], atol=1e-9)


def test_slider_is_perfectly_steady() -> None:
    motion = flight("slider", 3, speed_m_s=0.02, tilt_rad=0.3, yaw_rate_rad_s=1.0)
    t = np.linspace(0, 3, 50)
    # 1e-9 m/s is rounding of metres over knots 10 ms apart.
    np.testing.assert_allclose(motion.level_velocity(t), np.tile([0.02, 0, 0], (50, 1)), atol=1e-9)
    np.testing.assert_allclose(motion.rate_body(t), 0, atol=1e-12)


def test_sum_adds_velocities_and_angles() -> None:
    one, two = straight(2, height_m=1, speed_m_s=1, yaw_rate_rad_s=0.2), gusts(2, seed=9)
    t = np.linspace(0, 2, 9)
    np.testing.assert_allclose((one + two).velocity(t), one.velocity(t) + two.velocity(t), atol=1e-6)
    np.testing.assert_allclose((one + two).yaw(t), one.yaw(t) + two.yaw(t), atol=1e-9)


def test_gusts_have_the_strength_asked_for() -> None:
    motion = gusts(300, seed=1, wander_m=0.05, rock_rad=0.04)
    t = np.arange(0, 300, 0.02)
    position, R_level_body = motion.pose(t)
    roll = R_level_body.as_euler("ZYX")[:, 2]
    # 300 s hold 15 periods of the slowest of 24 sines: slow ones beat, which leaves a tenth or two open.
    assert np.std(position[:, 0]) == pytest.approx(0.05, rel=0.2)
    assert np.std(position[:, 2]) == pytest.approx(0.05 / 3, rel=0.2)
    assert np.std(roll) == pytest.approx(0.04, rel=0.2)
    double = gusts(300, seed=1, wander_m=0.05, rock_rad=0.04, strength=2).pose(t)[0]
    np.testing.assert_allclose(double, 2 * position, atol=1e-9)


def test_hand_excites_every_axis_and_stays_up() -> None:
    motion = flight("hand", 20, height_m=0.6, seed=2)
    t = np.arange(0, 20, 0.01)
    rate = motion.rate_body(t)
    assert (rate.std(axis=0) > 0.4).all()
    assert 1.0 < np.abs(rate).max() < 4.0
    # No axis follows another: the smallest principal rate is a fair share of the largest.
    spread = np.linalg.eigvalsh(np.cov(rate.T))
    assert spread[0] > 0.1 * spread[-1]
    assert motion.pose(t)[0][:, 2].max() < -0.3


def test_tour_hovers_passes_turns_and_stops() -> None:
    motion = flight("tour", 12, height_m=1.5, speed_m_s=0.8, gust=0)
    speed = motion.level_velocity([1.0, 5.5, 11.5])[:, 0]
    np.testing.assert_allclose(speed, [0, 0.8, 0], atol=1e-6)
    np.testing.assert_allclose(np.degrees(motion.yaw([6.0, 10.0])), [0, 90], atol=1e-6)
    # Thrust leans into a speeding-up: nose down, and the specific force stays near body z.
    assert motion.pose(np.array([3.5]))[1].as_euler("ZYX")[0, 1] < -0.03
    force = motion.specific_force(np.array([3.5]))[0]
    assert abs(force[0] / force[2]) < 0.03


def test_motions_repeat_with_their_seed() -> None:
    t = np.array([0.4, 1.1])
    np.testing.assert_array_equal(gusts(2, seed=7).pose(t)[0], gusts(2, seed=7).pose(t)[0])
    assert not np.allclose(gusts(2, seed=7).pose(t)[0], gusts(2, seed=8).pose(t)[0])


def test_no_motion_beyond_its_time() -> None:
    with pytest.raises(ValueError, match="outside the motion"):
        straight(1, height_m=1).velocity(9.0)


def test_attitude_convention_is_intrinsic_zyx() -> None:
    motion = straight(1, height_m=1, roll_rad=0.1, pitch_rad=0.2, yaw_rad=0.3)
    # Written out: yaw about z, then pitch about the new y, then roll about the new x.
    by_hand = Rotation.from_rotvec([0, 0, 0.3]) * Rotation.from_rotvec([0, 0.2, 0]) * Rotation.from_rotvec([0.1, 0, 0])
    np.testing.assert_allclose(motion.pose(np.array([0.5]))[1].as_matrix()[0], by_hand.as_matrix(), atol=1e-12)
