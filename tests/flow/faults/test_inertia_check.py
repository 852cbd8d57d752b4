"""Figures of the module that a flight contradicts; exact synthetic truth: rows that a wrong figure bends by definition."""

from __future__ import annotations

import numpy as np
import pytest

from flow import scene
from flow.error_sources import ErrorSource
from flow.faults.doubts import Doubts
from flow.faults.inertia_check import InertiaCheck, RowSeen
from flow.force_sum import ForceSum
from flow.pair.shared_errors import UnitEffects
from flow.rotation import RotationLog, skew
from flow.series import GyroSamples

STEP_S, RATE_HZ = 1 / 30, 500.0
GRAVITY = np.array([0.0, 0.0, 9.80665])
NOISE_M_S = 0.002
HEIGHT_M = 1.2
MODULE = scene.preset_module("small")


def lively(time_s: float) -> np.ndarray:
    """Velocity of a craft that speeds up and brakes by 0.4 m/s at about 1 Hz."""
    return np.array([0.8 + 0.4 * np.sin(6 * time_s), 0.4 * np.cos(5 * time_s), 0.1 * np.sin(4 * time_s)])


def steady(time_s: float) -> np.ndarray:
    return np.array([0.8, 0.3, 0.0])


class Flown:
    """A craft that never turns, level, its camera axes those of the body; the accelerometer is exact."""

    def __init__(self, velocity: object = lively, seconds: float = 3.0, noise_m_s: float = NOISE_M_S) -> None:
        self.velocity, self.noise_m_s = velocity, noise_m_s
        times = np.arange(0, seconds + 0.1, 1 / RATE_HZ)
        speeds = np.array([velocity(t) for t in times])  # type: ignore[operator]
        still = np.zeros((len(times), 3))
        accel = np.gradient(speeds, times, axis=0) - GRAVITY
        samples = GyroSamples(time_s=times, rate_rad_s=still + MODULE.gyro.bias_rad_s, accel_m_s2=accel)
        rotations = RotationLog(MODULE.gyro, keep_s=10.0)
        self.force = ForceSum(rotations)
        self.check = InertiaCheck(MODULE, self.force)
        self.rows = np.arange(0.1, seconds, STEP_S)
        self.rng = np.random.default_rng(3)
        self.parts = [samples.part(slice(k, k + 25)) for k in range(0, len(times), 25)]
        self.rotations = rotations

    def units(self, velocity: np.ndarray) -> UnitEffects:
        """Give what errors of one unit do to a velocity over level ground, to first order."""
        none = np.zeros((3, 3))
        return UnitEffects(
            height=velocity[:, None] / HEIGHT_M,
            focal_length=-np.diag(velocity)[:, :2],
            gyro=-HEIGHT_M / STEP_S * skew(GRAVITY[None] / 9.80665)[0],
            clock=np.zeros((3, 1)),
            mounting=-skew(velocity[None])[0] @ np.diag([0.0, 0.0, 1.0]),
            down=none,
            tilt=none,
            lever_arm=none,
            acceleration=none,
            interval=none[:, :2],
        )

    def fly(self, bend: object = lambda v: v) -> dict[ErrorSource, np.ndarray]:
        """Feed all rows, as ``bend`` shows their velocity; give the doubts of the last."""
        for time_s in self.rows:
            while self.parts and self.parts[0].time_s[0] < time_s + 2 * STEP_S:
                self.rotations.append(self.parts[0])
                self.force.add(self.parts.pop(0))
            shown = bend(self.velocity(time_s)) + self.rng.normal(0, self.noise_m_s, 3)  # type: ignore[operator]
            expected = self.check.expected(time_s, STEP_S)
            if expected is None:
                self.check.begin(time_s, STEP_S, shown, tilt_sigma_rad=0.01, height_sigma_m=0.0)
                continue
            self.check.learn(
                RowSeen(
                    time_s=time_s, interval_s=STEP_S, velocity_m_s=shown, expected_m_s=expected,
                    covariance=self.noise_m_s**2 * np.eye(3), units=self.units(expected), R_still_body=np.eye(3),
                    R_still_camera=np.eye(3), tilt_sigma_rad=0.01, height_sigma_m=0.0, rate_rad_s=np.zeros(3),
                )
            )  # fmt: skip
        return self.check.doubts(self.units(shown), shown, STEP_S, np.zeros(3))


def size(doubts: dict[ErrorSource, np.ndarray]) -> float:
    return float(np.sqrt(sum(np.square(effect).sum() for effect in doubts.values())))


def by_mounting(velocity: np.ndarray) -> np.ndarray:
    angle = 0.05
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
    return np.asarray(turn @ velocity)


BENT = {
    # Speeds 4 % too low: focal length and range scale do the same to a craft that never turns, either may be named.
    "scale": (lambda v: v * [0.96, 0.96, 1.0], {ErrorSource.FOCAL_LENGTH, ErrorSource.RANGE}, 0.04),
    "mounting": (by_mounting, {ErrorSource.MOUNTING}, 0.05),
}


@pytest.mark.parametrize("name", BENT)
def test_a_wrong_figure_is_named_and_its_error_is_in_the_band(name: str) -> None:
    bend, causes, share = BENT[name]
    flown = Flown()
    doubts = flown.fly(bend)
    assert set(doubts) & causes
    # The band must hold the error: one-sigma within a third of what the velocity is off by, by construction.
    off = share * np.linalg.norm(flown.velocity(flown.rows[-1])[:2])
    assert 0.67 * off < size(doubts) < 1.33 * off


def test_a_flight_that_changes_its_speed_tells_the_scale_and_a_steady_one_does_not() -> None:
    # 0.4 m/s to and fro in 3 s against 2 mm/s of noise and a force that is known to 1 %: a few per cent at the worst.
    lively_flight, steady_flight = Flown(), Flown(steady)
    assert lively_flight.check.scale_sigma == np.inf
    lively_flight.fly()
    steady_flight.fly()
    assert lively_flight.check.scale_sigma < 0.04
    assert steady_flight.check.scale_sigma > 0.06


def test_the_scale_is_told_while_what_the_rows_say_is_foreseen() -> None:
    # A flight shorter than the first pass: its verdicts hold, here that nothing is wrong, but the scale is known as ever.
    flown, judged = Flown(), Flown()
    flown.check = InertiaCheck(MODULE, flown.force, Doubts(rows=1000))
    assert flown.fly(BENT["scale"][0]) == {}
    assert judged.fly(BENT["scale"][0])
    assert flown.check.scale_sigma == pytest.approx(judged.check.scale_sigma, rel=1e-9)
    assert flown.check.scale_sigma < 0.04


def test_a_right_module_is_not_doubted() -> None:
    assert size(Flown().fly()) < 0.1 * NOISE_M_S


def test_a_steady_flight_tells_nothing() -> None:
    # 4 % of a velocity that never changes is another velocity: nothing but the module file can tell them apart.
    assert size(Flown(steady).fly(BENT["scale"][0])) < 0.1 * 0.04 * 0.8


def test_a_speed_that_wanders_against_the_force_is_told() -> None:
    # Bounds by construction: a sine of 80 mm/s is 57 mm/s RMS, and what is expected follows some of it. A third of that
    # sigma is enough to hold the sine's crest within four.
    flown = Flown(steady, seconds=6.0)
    times = iter(flown.rows)
    flown.fly(lambda velocity: velocity + np.array([0.08 * np.sin(3 * next(times)), 0.0, 0.0]))
    wandering = flown.check.wandering.m_s
    assert 0.057 / 3 < wandering[0] < 0.057
    np.testing.assert_array_equal(wandering[1:], 0)
    flown = Flown()
    flown.fly()
    np.testing.assert_array_equal(flown.check.wandering.m_s, 0)


def test_a_jump_is_no_flight_and_a_change_of_speed_is() -> None:
    flown = Flown()
    flown.fly()
    now = flown.rows[-1] + STEP_S
    real = flown.velocity(now)
    assert flown.check.jump(now, STEP_S, real, 0.003) is None
    found = flown.check.jump(now, STEP_S, real + np.array([0.2, 0.0, 0.0]), 0.003)
    assert found is not None
    # Expected of the row: within what a second of averaging leaves of the noise and of a wandering force.
    np.testing.assert_allclose(found, [0.2, 0, 0], atol=0.03)


def test_without_an_accelerometer_nothing_is_known() -> None:
    rotations = RotationLog(MODULE.gyro)
    force = ForceSum(rotations)
    check = InertiaCheck(MODULE, force)
    samples = GyroSamples(time_s=np.arange(100) / RATE_HZ, rate_rad_s=np.zeros((100, 3)), accel_m_s2=None)
    rotations.append(samples)
    force.add(samples)
    assert check.expected(0.1, STEP_S) is None
    check.begin(0.1, STEP_S, np.zeros(3), tilt_sigma_rad=0.01, height_sigma_m=0.0)
    assert check.expected(0.13, STEP_S) is None
    assert check.jump(0.13, STEP_S, np.ones(3), 0.01) is None
    assert check.doubts({}, np.zeros(3), STEP_S, np.zeros(3)) == {}


CRATE_S, FAST_M_S, SLOW_M_S = (4.0, 6.0), np.array([-0.4, -0.2, 0.0]), np.array([-0.2, -0.1, 0.0])


def crossed(flown: Flown, crate_m_s: np.ndarray) -> tuple[list[float], list[float]]:
    """Fly while something that moves by itself fills the view for two seconds; give times of rows refused and heard.

    As the estimator does it: a row that jumps is not learnt from.
    """
    refused, heard = [], []
    for time_s in flown.rows:
        while flown.parts and flown.parts[0].time_s[0] < time_s + 2 * STEP_S:
            flown.rotations.append(flown.parts[0])
            flown.force.add(flown.parts.pop(0))
        true = flown.velocity(time_s)  # type: ignore[operator]
        shown = true + flown.rng.normal(0, NOISE_M_S, 3) + crate_m_s * (CRATE_S[0] < time_s < CRATE_S[1])
        if flown.check.jump(time_s, STEP_S, shown, 2 * NOISE_M_S) is not None:
            refused.append(time_s)
            continue
        heard.append(time_s)
        expected = flown.check.expected(time_s, STEP_S)
        if expected is None:
            flown.check.begin(time_s, STEP_S, shown, tilt_sigma_rad=0.01, height_sigma_m=0.0)
            continue
        flown.check.learn(
            RowSeen(
                time_s=time_s, interval_s=STEP_S, velocity_m_s=shown, expected_m_s=expected,
                covariance=NOISE_M_S**2 * np.eye(3), units=flown.units(expected), R_still_body=np.eye(3),
                R_still_camera=np.eye(3), tilt_sigma_rad=0.01, height_sigma_m=0.0, rate_rad_s=np.zeros(3),
            )
        )  # fmt: skip
    return refused, heard


@pytest.mark.parametrize("velocity", [lively, steady])
def test_what_moves_by_itself_in_view_is_refused_as_long_as_it_is_there(velocity: object) -> None:
    # By construction the module is right and the accelerometer exact. As gravity and bias are known after 4 s, to some
    # 0.03 m/s^2, a jump of 0.45 m/s is beyond chance for the two seconds that it lasts.
    flown = Flown(velocity, seconds=8.0)
    refused, heard = crossed(flown, FAST_M_S)
    inside = [t for t in flown.rows if CRATE_S[0] < t < CRATE_S[1]]
    assert refused == inside
    assert [t for t in flown.rows if t not in inside] == heard  # the first row that shows the ground again is taken


@pytest.mark.parametrize("velocity", [lively, steady])
@pytest.mark.parametrize("seed", range(3, 9))
def test_what_is_too_slow_to_be_refused_throughout_bends_no_figure(velocity: object, seed: int) -> None:
    # 0.22 m/s is refused for a second; then the force knows no better, and rows of either velocity are taken, those after a
    # sudden change begin anew. No constant of the module explains a velocity that comes and goes.
    flown = Flown(velocity, seconds=10.0)
    flown.rng = np.random.default_rng(seed)
    refused, heard = crossed(flown, SLOW_M_S)
    assert refused[0] == flown.rows[flown.rows > CRATE_S[0]][0]
    assert len([t for t in refused if t < CRATE_S[1]]) > 1.0 / STEP_S
    assert [t for t in flown.rows if t > CRATE_S[1] + 1.6] == [t for t in heard if t > CRATE_S[1] + 1.6]
    assert flown.check.found.sources == frozenset()


def test_a_band_that_is_too_wide_to_be_heard_does_not_stay_so() -> None:
    # Nobody learns from rows that are too uncertain: what was averaged over a second must be forgotten meanwhile.
    flown = Flown(steady, seconds=3.0)
    flown.fly()
    last_s = flown.rows[-1]
    flown.check.wandering.disagree(np.array([0.5, 0.0, 0.0]), np.zeros(3), 0.0, 1.0)
    sizes = [flown.check.wandering_m_s(last_s + idle_s)[0] for idle_s in (0.0, 0.25, 1.25, 4.25)]
    # Closed form: a variance that falls by e in a second, from a quarter of a second after the last row on.
    assert sizes[0] == sizes[1] == pytest.approx(0.5, rel=0.01)
    assert sizes[2] / sizes[0] == pytest.approx(np.exp(-0.5))
    assert sizes[3] / sizes[0] == pytest.approx(np.exp(-2.0))


def test_a_velocity_that_the_force_does_not_explain_stays_open() -> None:
    """Taken for the ground after a gap, half a metre a second off what the force carried on: the band holds both."""
    flown = Flown(steady, seconds=3.0)
    flown.fly()
    other = flown.velocity(0.0) + 0.5 * np.eye(3)[0]  # type: ignore[operator]
    flown.check.begin(flown.rows[-1] + 0.08, STEP_S, other, tilt_sigma_rad=0.01, height_sigma_m=0.0)
    assert flown.check.wandering.m_s[0] == pytest.approx(0.5, rel=0.05)
    assert (flown.check.wandering.m_s[1:] < 0.02).all()
