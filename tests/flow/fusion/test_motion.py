"""Inertial steps: against a motion whose derivatives are exact, and their transition against plain differences."""

from __future__ import annotations

import numpy as np
import pytest

from flow import scene
from flow.fusion import layout as at
from flow.fusion.motion import integrate, transition
from flow.fusion.quantities import correct_values
from tests.flow.fusion.flown import MODULE, NOISE, Array

PACKED = NOISE.packed(MODULE)
MOTION = scene.straight(4.0, height_m=1.2, speed_m_s=0.7, heading_rad=0.5, yaw_rad=0.0) + scene.gusts(4.0, seed=2)


def start_at(time_s: float) -> Array:
    """Exact values at a time, in the axes of the motion."""
    values = np.zeros(at.VALUES)
    position, turn = MOTION.pose(np.array([time_s]))
    values[at.V_VELOCITY] = MOTION.velocity(time_s)
    values[at.V_ROTATION] = turn.as_matrix()[0].ravel()
    values[at.V_GYRO_BIAS] = MODULE.gyro.bias_rad_s
    values[at.V_HEIGHT] = -position[0, 2]
    return values


def carried(values: Array, time_s: Array, rate: Array, force: Array, packed: Array = PACKED) -> Array:
    values, steps = values.copy(), len(time_s) - 1
    kept = np.empty((steps + 1, at.VALUES)), np.empty((steps, 4)), np.empty((steps, at.ERRORS, at.ERRORS))
    none = np.zeros((at.ERRORS, 1)), np.empty((steps, 12, 1))
    integrate(values, np.zeros((at.ERRORS, at.ERRORS)), time_s, rate, force, packed, none[0], *kept, none[1])
    return values


@pytest.mark.parametrize(("rate_hz", "within"), [(1000.0, 1.0), (200.0, 25.0)])
def test_exact_inertial_samples_give_the_exact_motion(rate_hz: float, within: float) -> None:
    # Truth: the spline's own derivatives. Trapezoids on a motion of 2.5 Hz miss by h^2/12 of what is integrated times
    # its square frequency: over 2 s at 1 kHz 20 um/s, 1e-5 rad and 10 um; 25 times as much at a fifth of the rate.
    t = np.arange(1.0, 3.0 + 1e-9, 1 / rate_hz)
    rate = MOTION.rate_body(t) + MODULE.gyro.bias_rad_s
    found = carried(start_at(1.0), t, rate, MOTION.specific_force(t))
    true, begin = start_at(t[-1]), MOTION.pose(t[:1])[0][0]
    way = MOTION.pose(t[-1:])[0][0] - begin
    np.testing.assert_allclose(found[at.V_VELOCITY], true[at.V_VELOCITY], atol=2e-5 * within)
    np.testing.assert_allclose(found[at.V_ROTATION], true[at.V_ROTATION], atol=1e-5 * within)
    np.testing.assert_allclose(found[at.V_HEIGHT], true[at.V_HEIGHT], atol=1e-5 * within)
    np.testing.assert_allclose(found[at.V_POSITION], way[:2], atol=2e-5 * within)
    np.testing.assert_allclose(found[at.V_SEEN], way, atol=2e-5 * within)
    assert np.abs(way).max() > 0.5  # it did move


@pytest.mark.parametrize("what", ["gyro sign", "gravity", "bias"])
def test_wrong_inertial_samples_do_not(what: str) -> None:
    # The mutations of the test above: each is off by a thousand times what is allowed there.
    t = np.arange(1.0, 3.0 + 1e-9, 1e-3)
    rate, force = MOTION.rate_body(t) + MODULE.gyro.bias_rad_s, MOTION.specific_force(t)
    if what == "gyro sign":
        rate = -rate
    elif what == "gravity":
        force = -force
    else:
        rate = rate - np.array(MODULE.gyro.bias_rad_s)
    found = carried(start_at(1.0), t, rate, force)
    assert np.abs(found[at.V_VELOCITY] - start_at(t[-1])[at.V_VELOCITY]).max() > 2e-2


def test_the_transition_is_the_derivative_of_the_step() -> None:
    # Central differences of one step by each of the 25 errors, about a state with everything in it. An error of the
    # heading is none by definition (velocities are meant in the track frame's own axes): a gyro bias about the vertical
    # therefore turns the frame, and the difference is taken after turning it back.
    rng, span = np.random.default_rng(4), 0.005
    time_s, rate = np.array([0.0, span]), np.tile(rng.normal(size=3), (2, 1))
    force = np.tile([1.5, -2.0, -9.0], (2, 1))
    packed = PACKED.copy()
    packed[12], packed[13] = 1.1, 0.03
    middle = start_at(1.7)
    middle[at.V_LEAN], middle[at.V_DRIFT], middle[at.V_TURN] = (0.01, -0.02), (0.1, 0.2, 0.3), 0.4
    middle[at.V_ACCEL_BIAS] = 0.1, -0.2, 0.15
    nominal = carried(middle, time_s, rate, force, packed)
    mean_force = 0.5 * (middle[6:15] + nominal[6:15]).reshape(3, 3) @ (force[0] - middle[at.V_ACCEL_BIAS])
    found = transition(middle, mean_force, span, packed)
    for error in range(at.ERRORS):
        small = 1e-5
        ends = []
        for sign in (1.0, -1.0):
            off, change = middle.copy(), np.zeros(at.ERRORS)
            change[error] = sign * small
            correct_values(off, change)
            ends.append(difference(carried(off, time_s, rate, force, packed), nominal))
        column = (ends[0] - ends[1]) / (2 * small)
        # The step is linear but for terms of span^2 (a hundredth of a rad of turn in it) in what is small anyway.
        np.testing.assert_allclose(found[:, error], column, atol=2e-4, rtol=1e-3, err_msg=str(error))


def difference(values: Array, nominal: Array) -> Array:
    """Errors (25,) by which values differ, the heading's turned back out of the velocity and into ``TURN``."""
    turn = values[6:15].reshape(3, 3) @ nominal[6:15].reshape(3, 3).T
    vector = 0.5 * np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    errors = np.zeros(at.ERRORS)
    for error, value in at.PLAIN:
        errors[error] = values[value] - nominal[value]
    errors[at.TILT] = vector[:2]
    back = np.array([[1.0, vector[2], 0.0], [-vector[2], 1.0, 0.0], [0.0, 0.0, 1.0]])
    errors[at.VELOCITY] = back @ values[at.V_VELOCITY] - nominal[at.V_VELOCITY]
    errors[at.TURN] += vector[2]
    return errors
