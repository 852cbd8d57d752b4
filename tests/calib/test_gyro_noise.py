"""Gyro noise: recovered from a simulated gyro with known N, B and K; logs that cannot serve are refused."""

from __future__ import annotations

import numpy as np
import pytest

from calib.allan import FLICKER_FLOOR, NoiseTerms, model_variance
from calib.gyro_noise import axis_noise, bias_sigma, calibrate_gyro
from flow.errors import DataError
from tests.calib.rest_log import simulate, write_gyro

N, B, K = 1.2e-4, 6e-5, 1e-5
RATE_HZ = 25.0
SETS = 50


@pytest.fixture(scope="module")
def sets():
    """Fifty gyros of twenty minutes: the first half is calibrated, the second is the flight after it."""
    rng = np.random.default_rng(20)
    samples = round(1200 * RATE_HZ)
    out = []
    for _ in range(SETS):
        rate, bias = simulate(rng, 2 * samples, 1 / RATE_HZ, n=N, b=B, k=K)
        out.append((axis_noise(rate[:samples], 1 / RATE_HZ), bias[samples:].mean()))
    return out


def inside(errors_over_sigma):
    return int((np.abs(errors_over_sigma) <= 1.96).sum())


@pytest.mark.parametrize(
    ("term", "truth", "bias_share"),
    # How far the mean of fifty estimates may be off: three times their own scatter over sqrt(50), as measured
    # from the sets below, plus for B what a root takes from a noisy square (var / 8 mean^2 of it).
    [("noise_rad_s_rthz", N, 0.01), ("instability_rad_s", B, 0.12), ("walk_rad_s2_rthz", K, 0.15)],
)
def test_terms_are_recovered_with_an_honest_sigma(sets, term, truth, bias_share):
    found = [getattr(axis, term) for axis, _ in sets]
    values, sigmas = np.array([t.value for t in found]), np.array([t.sigma for t in found])
    assert values.mean() == pytest.approx(truth, rel=bias_share)
    z = (values - truth) / sigmas
    # 95 % inside means 47.5 of 50; 44 or more happens 96 times in 100.
    assert inside(z) >= 44
    assert z.std() > 0.5  # honest, not wide: no more than twice the true scatter


def test_sigma_of_the_bias_covers_the_flight_after_the_calibration(sets):
    z = np.array([(axis.bias_rad_s - later) / axis.bias_sigma_rad_s for axis, later in sets])
    assert inside(z) >= 44
    assert z.std() > 0.4


def test_sigma_of_the_bias_holds_noise_instability_walk_and_the_earth():
    """N^2/T + 2 (0.664 B)^2 + 2 K^2 T / 3 + (7.292e-5 cos 45 degrees)^2 when the terms are known exactly."""
    earth = 7.292e-5 * np.cos(np.pi / 4)
    for n, b, k in ((1e-3, 0, 0), (0, 1e-3, 0), (0, 0, 1e-3), (1e-3, 1e-3, 1e-4)):
        known = {"squares": np.array([n**2, b**2, k**2]), "squares_covariance": np.zeros((3, 3))}
        terms = NoiseTerms(**known, misfit_p=1.0, variance_sigma=np.zeros(0))
        expected = np.sqrt(n**2 / 300 + 2 * 2 * np.log(2) / np.pi * b**2 + 2 * k**2 * 300 / 3 + earth**2)
        assert bias_sigma(terms, 300.0) == pytest.approx(expected, rel=1e-3)


def test_white_noise_alone_shows_no_instability_and_no_walk():
    """Then the bias sigma nears its floor: noise and the Earth's turn, 7.292e-5 cos 45 degrees."""
    rng = np.random.default_rng(2)
    axes = [axis_noise(simulate(rng, 30000, 0.02, n=N)[0], 0.02) for _ in range(20)]
    assert sum(axis.instability_rad_s.visible for axis in axes) <= 2  # 2 sigma: one in forty by chance
    assert sum(axis.walk_rad_s2_rthz.visible for axis in axes) <= 2
    assert all(axis.instability_rad_s.limit < 6e-5 for axis in axes)
    floor = np.hypot(N / np.sqrt(600), 7.292e-5 * np.cos(np.pi / 4))
    # Above it only what ten minutes cannot exclude: about 6e-5 of B and of K over the log, 1e-4 in all.
    assert all(floor < axis.bias_sigma_rad_s < 1.2e-4 + floor for axis in axes)


def test_model_at_the_points_where_the_terms_are_read():
    """IEEE Std 952: N at 1 s, B = floor / 0.664, K at 3 s (formulas from memory)."""
    assert np.sqrt(model_variance(np.array([N**2, 0, 0]), np.array([1.0])))[0] == pytest.approx(N, rel=1e-12)
    assert np.sqrt(FLICKER_FLOOR) == pytest.approx(0.664, abs=5e-4)
    assert np.sqrt(model_variance(np.array([0, 0, K**2]), np.array([3.0])))[0] == pytest.approx(K, rel=1e-12)


@pytest.fixture(scope="module")
def still():
    """Two minutes at 50 Hz, three axes with different bias and noise, body axes."""
    rng = np.random.default_rng(8)
    columns = [simulate(rng, 6000, 0.02, n=n)[0] + b for n, b in ((1e-4, 0.01), (2e-4, -0.02), (3e-4, 0.0))]
    return np.column_stack(columns)


def test_a_log_becomes_a_section(tmp_path, still):
    found = calibrate_gyro(write_gyro(tmp_path / "gyro.csv", still, 0.02))
    section = found.section()
    assert section["bias_rad_s"] == pytest.approx(still.mean(axis=0), abs=1e-6)  # rounded to 1/100 sigma
    # A white-noise density read over 1000 independent spans of 0.1 s: 3 sigma are 7 per cent.
    assert section["noise_rad_s_rthz"] == pytest.approx([1e-4, 2e-4, 3e-4], rel=0.1)
    assert len(section["bias_instability_rad_s"]) == 3
    assert all(s > 0 for values in section["sigma"].values() for s in values)
    provenance = section["provenance"]
    assert provenance["source"] == "gyro.csv"
    assert len(provenance["sha256"]) == 64
    assert provenance["duration_s"] == pytest.approx(119.98)
    assert any("10 minutes" in remark for remark in found.remarks)


def refused(tmp_path, rate, interval_s=0.02, **columns):
    path = write_gyro(tmp_path / "gyro.csv", rate, interval_s, **columns)
    with pytest.raises(DataError) as error:
        calibrate_gyro(path)
    return error.value


def test_a_short_log_says_how_long_is_needed(tmp_path, still):
    error = refused(tmp_path, still[:2000])
    assert "40.0 s is too short" in str(error) and "60 s" in str(error)


def test_movement_is_found_where_it_happens(tmp_path, still):
    moved = still.copy()
    moved[3000:3100, 1] += 0.01  # 0.6 degrees a second for two seconds, from 1060 s on
    error = refused(tmp_path, moved)
    assert "moved at 1060.0 s" in str(error)
    assert (error.line, error.key) == (3002, "gyro_y_rad_s")


def test_a_knock_is_movement(tmp_path, still):
    knocked = still.copy()
    knocked[4010:4015, 2] += [0.2, -0.2, 0.1, -0.15, 0.05]
    assert "moved at 1080.0 s" in str(refused(tmp_path, knocked))


def test_a_tilt_that_only_the_accelerometer_sees(tmp_path, still):
    accel = np.array([0.0, 0.0, -9.81]) + np.random.default_rng(1).normal(0, 0.02, still.shape)
    accel[3500:, 0] += 0.3
    error = refused(tmp_path, still, accel=accel)
    assert (error.line, error.key) == (3502, "accel_x_m_s2")


def test_a_slow_drift_of_the_bias_is_no_movement(tmp_path, still):
    drift = 2e-3 * np.linspace(0, 1, len(still))[:, None]  # warming up by 0.1 degrees a second
    found = calibrate_gyro(write_gyro(tmp_path / "gyro.csv", still + drift, 0.02))
    sigma = [axis.bias_sigma_rad_s for axis in found.axes]
    # The next two minutes may drift as much again, 2e-3 rad/s from mean to mean: within three sigma.
    assert min(sigma) > 2e-3 / 3


@pytest.mark.parametrize(("frequency_hz", "amplitude"), [(1.0, 0.01), (0.7, 0.2)])
def test_vibration_all_along_is_not_gyro_noise(tmp_path, still, frequency_hz, amplitude):
    shaken = still + amplitude * np.sin(2 * np.pi * frequency_hz * np.arange(len(still)) * 0.02)[:, None]
    assert "not the noise of a gyro at rest" in str(refused(tmp_path, shaken))


def test_dead_stuck_and_coarse_sensors(tmp_path, still):
    dead = still.copy()
    dead[:, 2] = 0.125
    assert "constant at 0.125" in str(refused(tmp_path, dead))
    stuck = still.copy()
    stuck[2000:2400, 0] = stuck[2000, 0]
    error = refused(tmp_path, stuck)
    assert "stuck" in str(error) and error.line == 2002
    coarse = np.round(still, 2)
    coarse[::7, 0] += 0.01  # two values only, 0.01 rad/s apart
    assert "hides under the sensor's step" in str(refused(tmp_path, coarse))


def test_rounding_well_below_the_noise_is_fine(tmp_path, still):
    found = calibrate_gyro(write_gyro(tmp_path / "gyro.csv", np.round(still, 4), 0.02))
    assert found.axes[0].noise_rad_s_rthz.value == pytest.approx(1e-4, rel=0.1)


def test_gaps_lost_samples_and_jitter(tmp_path, still):
    time_s = np.arange(len(still)) * 0.02
    hole = np.ones(len(still), bool)
    hole[1000:1010] = False
    error = refused(tmp_path, still[hole], time_s=time_s[hole])
    assert "0.22 s without a sample after 19.980 s" in str(error) and error.line == 1002
    lost = np.arange(len(still)) % 50 != 7
    assert "samples are missing" in str(refused(tmp_path, still[lost], time_s=time_s[lost]))
    jitter = time_s + np.random.default_rng(3).uniform(-0.009, 0.009, len(time_s))
    assert "uneven sampling" in str(refused(tmp_path, still, time_s=jitter))
    slow = np.arange(len(still)) * 0.2
    assert "too low" in str(refused(tmp_path, still, time_s=slow))


def test_degrees_are_not_radians(tmp_path, still):
    assert "deg/s" in str(refused(tmp_path, np.degrees(still)))
    assert "deg/s" in str(refused(tmp_path, np.degrees(still - still.mean(axis=0))))


def test_cells_that_are_no_numbers(tmp_path, still):
    path = write_gyro(tmp_path / "gyro.csv", still, 0.02)
    lines = path.read_text().splitlines()
    lines[41] = lines[41].rsplit(",", 1)[0] + ","
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(DataError) as error:
        calibrate_gyro(path)
    assert (error.value.line, error.value.key) == (42, "gyro_z_rad_s")
