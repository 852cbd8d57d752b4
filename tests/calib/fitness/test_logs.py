"""The parts of a check that need no flight: frame times, gyro and range logs by themselves, stretches, lines."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from calib.fitness.flying import Flying
from calib.fitness.frames import frame_times
from calib.fitness.gyro_log import GyroWatch, gyro_findings
from calib.fitness.range_log import range_facts, range_findings
from calib.fitness.rest import rest_bias
from calib.fitness.slopes import fitted, integral
from calib.fitness.stretches import LONGEST_S, MOST, planned
from flow import scene
from flow.module import Range
from flow.series import GyroSamples, RangeSamples

MODULE = scene.preset_module("small")


def gyro(rate: np.ndarray, step_s: float = 0.002) -> GyroSamples:
    return GyroSamples(time_s=step_s * np.arange(len(rate)), rate_rad_s=rate, accel_m_s2=None)


def noise(count: int, seed: int = 1) -> np.ndarray:
    """White noise of the module's density at 500 samples/s."""
    sigma = MODULE.gyro.noise_per_axis[0] / np.sqrt(0.002)
    return np.random.default_rng(seed).normal(0, sigma, (count, 3))


def watched(samples: GyroSamples, chunk: int = 700) -> GyroWatch:
    watch = GyroWatch(MODULE)
    for k in range(0, len(samples.time_s), chunk):
        watch.add(samples.part(slice(k, k + chunk)))
    return watch


def test_frame_times_of_a_known_series() -> None:
    """50 frames/s, three frames missing in one place and one in another: counted by hand."""
    number = np.delete(np.arange(101), [20, 21, 22, 60])
    times = frame_times(number / 50, None)
    assert times.lost == 4
    assert times.nominal_hz == pytest.approx(50)
    assert times.real_hz == pytest.approx(96 / 2.0)
    assert times.longest_step_s == pytest.approx(0.08)
    assert np.array(times.gaps_s) == pytest.approx(np.array([(0.38, 0.46), (1.18, 1.22)]))
    assert times.jitter_s < 1e-9


def test_jitter_of_frame_times() -> None:
    """Steps between independent stamps scatter by sqrt(2) of a stamp; 3000 of them tell it to 2 %."""
    times_s = np.arange(3000) / 30 + np.random.default_rng(2).normal(0, 1e-3, 3000)
    assert frame_times(times_s, None).jitter_s == pytest.approx(1e-3, rel=0.06)


def test_rest_shows_the_bias() -> None:
    """Noise of density n averages over T to n / sqrt(T): 4 s of 0.12 mrad/s/sqrt(Hz) leave 0.06 mrad/s."""
    bias = np.array([0.02, -0.011, 0.004])
    facts = watched(gyro(bias + noise(2100))).result()
    assert all(a.span_s[1] < b.span_s[0] for a, b in pairwise(facts.rests))  # no sample counts twice
    found = rest_bias(facts, MODULE)
    assert found is not None
    assert found[1] == pytest.approx(6e-5, rel=0.6)
    assert np.all(np.abs(found[0] - bias) < 4 * found[1])


def test_a_craft_that_moves_is_not_at_rest() -> None:
    t = 0.002 * np.arange(2000)
    assert watched(gyro(0.02 * np.sin(9 * t)[:, None] + noise(2000))).result().rests == []


def test_saturation_and_its_limit() -> None:
    """Beyond 1.5 rad/s a 2 rad/s swing at 1 Hz is cut four times in 2 s, where |sin| > 3/4: 0.23 s each."""
    t = 0.002 * np.arange(1000)
    swing = np.column_stack([2 * np.sin(2 * np.pi * t), 0.3 * np.cos(7 * t), 0 * t]) + noise(1000)
    clean = watched(gyro(swing)).result()
    cut = watched(gyro(np.clip(swing, -1.5, 1.5))).result()
    assert clean.clipped == []
    assert {run[0] for run in cut.clipped} == {0}
    assert all(run[3] == 1.5 for run in cut.clipped)
    assert sum(run[2] - run[1] for run in cut.clipped) == pytest.approx(4 * np.arccos(0.75) / np.pi, rel=0.1)


def test_coarse_readings_are_no_saturation() -> None:
    """At the crest of a slow swing a log of 10 mrad/s steps repeats itself."""
    t = 0.002 * np.arange(2000)
    swing = np.round(0.8 * np.sin(2 * np.pi * 0.5 * t) / 0.01) * 0.01
    assert watched(gyro(np.column_stack([swing, swing, swing]))).result().clipped == []


def test_a_gyro_that_stands_still() -> None:
    rate = 0.1 + noise(2000)
    rate[600:900] = rate[600]
    findings = list(gyro_findings(watched(gyro(rate)).result(), (0.1, 3.9), 0.0))
    (stuck,) = [f for f in findings if "stand still" in f.what]
    assert stuck.severity == "care"  # a measurement leaves those rows out
    assert "no speed for 0.60 s" in stuck.effect
    assert stuck.when_s == pytest.approx((1.2, 1.798))
    rate[100:1600] = rate[100]
    findings = list(gyro_findings(watched(gyro(rate)).result(), (0.1, 3.9), 0.0))
    assert [f.severity for f in findings if "stand still" in f.what] == ["stop"]  # most of it is gone


@pytest.mark.parametrize("begin", [0, 700])
def test_an_accelerometer_that_stands_still(begin: int) -> None:
    samples = gyro(0.1 + noise(2000))
    force = np.array([0.0, 0.0, -9.8]) + 20 * noise(2000)
    assert not watched(replace(samples, accel_m_s2=force)).result().deaf
    force[begin:1500] = force[begin]
    findings = list(gyro_findings(watched(replace(samples, accel_m_s2=force.copy())).result(), (0.1, 3.9), 0.0))
    (deaf,) = [f for f in findings if "accelerometer stands still" in f.what]
    assert deaf.severity == "care"
    assert deaf.when_s == pytest.approx((0.002 * begin, 0.002 * 1499))


def test_holes_across_chunks() -> None:
    whole = gyro(noise(2000))
    kept = (whole.time_s < 1.399) | (whole.time_s > 1.5)  # ends with a chunk
    parted = GyroSamples(time_s=whole.time_s[kept], rate_rad_s=whole.rate_rad_s[kept], accel_m_s2=None)
    assert np.array(watched(parted).result().holes) == pytest.approx(np.array([(1.398, 1.502)]))


def test_range_noise_strays_and_silence() -> None:
    """Readings of 8 mm noise while climbing, one in ten an echo at twice the height, none from 4 to 5 s."""
    rng = np.random.default_rng(3)
    time_s = np.arange(400) / 40
    distance = 1 + 0.1 * time_s + rng.normal(0, 0.008, 400)
    distance[::10] *= 2
    kept = (time_s < 4) | (time_s > 5)
    samples = RangeSamples(time_s=time_s[kept], range_m=distance[kept], air_temperature_c=None)
    facts = range_facts(samples, Range(noise_m=0.008), (0.0, 9.975))
    assert facts.noise_m == pytest.approx(0.008, rel=0.2)  # 350 second differences, half of them independent
    assert facts.stray_share == pytest.approx(0.1, abs=0.01)
    assert np.array(facts.silent) == pytest.approx(np.array([(3.975, 5.025)]))
    assert facts.stuck == ()


@pytest.mark.parametrize(
    ("sensor", "air_c", "share", "remedy"),
    [
        (Range(assumed_air_temperature_c=20.0), 14.0, None, ""),
        (Range(air_dependent=False), None, None, ""),
        (Range(beam="narrow"), None, None, ""),
        (Range(assumed_air_temperature_c=20.0), None, 0.5 * 10 / 293.15, "log air_temperature_c"),
        (Range(), None, 0.5 * 10 / 293.15, "calibrate range TABLE.csv --air"),
        (Range(), 14.0, 0.5 * np.hypot(10, 6) / 293.15, "calibrate range TABLE.csv --air"),
    ],
)
def test_an_air_that_is_not_known_is_asked_for(
    sensor: Range, air_c: float | None, share: float | None, remedy: str
) -> None:
    """Half of 10 K of 293.15 K; the sensor that may have measured the 6 K itself on top."""
    time_s = np.arange(200) / 20
    range_m = 1.5 + 0.005 * np.random.default_rng(3).standard_normal(200)
    air = None if air_c is None else np.full(200, air_c)
    facts = range_facts(RangeSamples(time_s=time_s, range_m=range_m, air_temperature_c=air), sensor, (0.0, 9.95))
    flying = Flying(
        height_m=1.5, height_known=True, speed_m_s=0.8, climb_m_s=0.0, rate_rad_s=np.zeros(3), angular_acceleration_rad_s2=0.0
    )  # fmt: skip
    findings = [f for f in range_findings(facts, sensor, flying, (0.0, 9.95), 0.0) if "ultrasonic" in f.what]
    if share is None:
        assert facts.air_sigma == 0.0 and findings == []
        return
    assert facts.air_sigma == pytest.approx(share, rel=1e-12)
    (found,) = findings
    assert found.severity == "care" and remedy in found.remedy
    assert f"{1000 * share * 0.8:.1f} mm/s" in found.effect


def test_a_range_that_repeats_itself() -> None:
    rng = np.random.default_rng(4)
    reading = 1 + rng.normal(0, 0.005, 200)
    reading[80:140] = reading[80]
    samples = RangeSamples(time_s=np.arange(200) / 20, range_m=reading, air_temperature_c=None)
    assert range_facts(samples, Range(), (0.0, 9.95)).stuck == ((4.0, 6.95),)
    coarse = RangeSamples(
        time_s=samples.time_s, range_m=np.round(1 + rng.normal(0, 0.002, 200), 2), air_temperature_c=None
    )
    assert range_facts(coarse, Range(), (0.0, 9.95)).stuck == ()


@pytest.mark.parametrize(("lasts_s", "count"), [(6.0, 1), (25.0, 2), (120.0, 6), (900.0, 6)])
def test_stretches_are_bounded_and_do_not_overlap(lasts_s: float, count: int) -> None:
    times_s = np.arange(int(lasts_s * 30)) / 30
    parts = planned(times_s)
    assert len(parts) == count == min(MOST, count)
    assert all(a.stop <= b.start for a, b in pairwise(parts))
    assert all(times_s[p.stop - 1] - times_s[p.start] <= LONGEST_S + 0.05 for p in parts)
    assert parts[0].start == 0
    assert parts[-1].stop == len(times_s)
    if lasts_s <= LONGEST_S * MOST:
        assert sum(p.stop - p.start for p in parts) == len(times_s)


def test_a_line_whose_errors_last_knows_its_sigma() -> None:
    """Errors of an AR(1) process: over 200 lines, the differences in sigmas have RMS 1, known to 7 %.

    The sum over half a second of lags misses a share of errors that fade within 0.1 s: up to 20 % is allowed.
    """
    rng, misses = np.random.default_rng(5), []
    time_s = np.arange(300) / 30
    along = np.sin(2 * np.pi * 0.7 * time_s)[:, None, None]
    for _ in range(200):
        error = np.zeros(300)
        for k in range(1, 300):
            error[k] = 0.7 * error[k - 1] + rng.normal(0, 0.01)
        x, covariance = fitted(0.4 * along[:, 0] + error[:, None], along, time_s)
        misses.append((x[0] - 0.4) / np.sqrt(covariance[0, 0]))
    assert 0.8 < np.sqrt(np.mean(np.square(misses))) < 1.25


def test_integral_of_a_line() -> None:
    """Trapezoids are exact for t: t^2 / 2."""
    t = np.sort(np.random.default_rng(6).uniform(0, 3, 50))
    assert integral(t, t) == pytest.approx(0.5 * (t**2 - t[0] ** 2))
    assert integral(np.column_stack([t, -t]), t)[:, 1] == pytest.approx(-0.5 * (t**2 - t[0] ** 2))
