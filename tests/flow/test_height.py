"""Range readings to height: beams, temperature, stray echoes, steps, gaps, and an honest sigma."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from flow.height import HeightFilter, origin_height
from flow.module import Range

LEVEL = np.array([0.0, 0.0, 1.0])
EXACT = {"scale": 0.0, "offset_m": 0.0}  # a sensor without common errors: what is left is the filter's own


def sensor(**keys: object) -> Range:
    light = {} if "assumed_air_temperature_c" in keys else {"air_dependent": False}
    return Range.model_validate({"noise_m": 0.01, "sigma": EXACT} | light | keys)


@pytest.mark.parametrize("angles", [(0.0, 0.0), (0.3, 0.0), (-0.2, 0.25)])
@pytest.mark.parametrize("beam", ["wide", "narrow"])
def test_height_of_the_origin_for_each_beam(beam: str, angles: tuple[float, float]) -> None:
    # Exact synthetic truth: level ground 2.3 m under the origin, met by the sensor's own ray or
    # perpendicular.
    position = np.array([0.12, -0.05, 0.08])
    R_level_body = Rotation.from_euler("ZYX", [0.7, angles[1], angles[0]])
    at = R_level_body.apply(position)
    ray = R_level_body.apply(LEVEL) if beam == "narrow" else LEVEL
    distance = (2.3 - at[2]) / ray[2]
    s = sensor(beam=beam, scale=0.98, offset_m=0.03, position_m=position)
    down = R_level_body.inv().apply(LEVEL)
    reading = (distance - s.offset_m) / s.scale
    assert origin_height(s, reading, None, down) == pytest.approx(2.3, abs=1e-12)
    other = sensor(**(s.model_dump() | {"beam": "wide" if beam == "narrow" else "narrow"}))
    if angles != (0.0, 0.0):  # the mutation: the other kind of beam
        assert abs(origin_height(other, reading, None, down) - 2.3) > 0.05


def test_air_temperature_scales_an_ultrasonic_reading() -> None:
    # Closed form: 343.2 sqrt(T / 293.15 K) m/s; at 30 degrees an echo time read as for 20 degrees is 349.01 /
    # 343.20 short.
    s = sensor(assumed_air_temperature_c=20.0)
    assert origin_height(s, 2.0, 30.0, LEVEL) == pytest.approx(2.0 * 349.01 / 343.20, abs=5e-5)
    assert origin_height(s, 2.0, -20.0, LEVEL) == pytest.approx(2.0 * 318.93 / 343.20, abs=5e-5)
    assert origin_height(s, 2.0, None, LEVEL) == 2.0
    assert origin_height(sensor(), 2.0, 30.0, LEVEL) == 2.0  # a laser does not care


def test_a_steady_height_is_told_and_its_sigma_shrinks() -> None:
    # Closed form: the mean of equal readings; sigma below one reading's, above the mean's of all.
    h = HeightFilter(sensor())
    for k in range(40):
        h.add_range(k * 0.05, 1.5, None, LEVEL)
    now = h.at(39 * 0.05)
    assert now is not None
    assert now.height_m == pytest.approx(1.5, abs=1e-9)
    assert now.down_m_s == pytest.approx(0.0, abs=1e-9)
    assert 0.01 / np.sqrt(40) < now.sigma_m <= 0.01


def test_descent_is_followed_signed() -> None:
    # Closed form: 0.4 m/s toward the ground; without noise the filter must settle on the line.
    h = HeightFilter(sensor(noise_m=0.001))
    for k in range(80):
        h.add_range(k * 0.02, 3.0 - 0.4 * k * 0.02, None, LEVEL)
    now = h.at(79 * 0.02)
    assert now is not None
    assert now.height_m == pytest.approx(3.0 - 0.4 * 79 * 0.02, abs=0.002)
    assert now.down_m_s == pytest.approx(0.4, abs=0.03)


def told(readings: list[float]) -> list[float | None]:
    """Sigma of the height told after each reading, 20 a second; all that are told are near 1.5 m."""
    h, sigmas = HeightFilter(sensor()), []
    for k, reading in enumerate(readings):
        h.add_range(k * 0.05, reading, None, LEVEL)
        now = h.at(k * 0.05)
        assert now is None or now.height_m == pytest.approx(1.5, abs=0.02)
        sigmas.append(None if now is None else now.sigma_m)
    return sigmas


def test_nothing_before_two_readings_agree() -> None:
    # Two may agree by chance, so the third confirms them; once readings have contradicted, it must.
    assert HeightFilter(sensor()).at(0.0) is None
    first, second, third = told([1.5, 1.5, 1.5])
    assert first is None and second is not None and third is not None
    assert second > 0.05 > 3 * third
    assert [sigma is None for sigma in told([1.5, 4.0, 1.5, 1.5, 1.5])] == [True, True, True, True, False]
    assert [sigma is None for sigma in told([0.6, 1.5, 1.5, 1.5])] == [True, True, True, False]


@pytest.mark.parametrize("first", [1.32, 1.4, 1.45, 1.55, 1.9])
def test_a_stray_first_reading_does_not_pass_for_a_height(first: float) -> None:
    # Exact synthetic truth: 1.5 m. However near the stray is, no height is told that its own band does not hold.
    h = HeightFilter(sensor(noise_m=0.005))
    for k, reading in enumerate([first, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5]):
        h.add_range(k * 0.05, reading, None, LEVEL)
        now = h.at(k * 0.05)
        assert now is None or abs(now.height_m - 1.5) < 4 * now.sigma_m
    assert now is not None


@pytest.mark.parametrize("rate_hz", [10, 20, 50])
@pytest.mark.parametrize("stray", [0.4, -0.6, 2.5])
def test_stray_echoes_are_refused(rate_hz: int, stray: float) -> None:
    # Exact synthetic truth: 1.5 m, every seventh reading (and once two in a row) off by far more than the
    # noise. Always inside what its own band says, and never nearer to the stray than a seventh of the way:
    # three sigma of a reading, and what a gust may do to the height between readings.
    h, rng = HeightFilter(sensor()), np.random.default_rng(4)
    for k in range(6 * rate_hz):
        wrong = stray if k > 5 and (k % 7 == 0 or k == 22) else 0.0
        h.add_range(k / rate_hz, 1.5 + rng.normal(0, 0.01) + wrong, None, LEVEL)
        if k >= 5:
            now = h.at(k / rate_hz)
            assert now is not None
            assert abs(now.height_m - 1.5) < 0.06
            assert abs(now.height_m - 1.5) < 4 * now.sigma_m


@pytest.mark.parametrize("rate_hz", [10, 20, 50, 200])
@pytest.mark.parametrize("step_m", [0.3, -0.3])
def test_a_step_of_the_floor_is_followed_within_half_a_second(rate_hz: int, step_m: float) -> None:
    # Exact synthetic truth: a table's edge at 2 s; half a second later within 3 sigma of a reading, and from
    # the third reading on no height that its own band (3 sigma) does not cover: better wide than wrong.
    h, rng = HeightFilter(sensor()), np.random.default_rng(4)
    for k in range(4 * rate_hz):
        time = k / rate_hz
        true = 1.5 + (step_m if time >= 2 else 0.0)
        h.add_range(time, true + rng.normal(0, 0.01), None, LEVEL)
        now = h.at(time)
        if k < 3:
            continue
        assert now is not None
        if not 2 <= time < 2.5:
            assert abs(now.height_m - true) < 0.035
        if not 2 <= time < 2 + 1.5 / rate_hz:
            assert abs(now.height_m - true) < 3.5 * now.sigma_m


def test_a_gap_is_bridged_with_growing_sigma_then_given_up() -> None:
    # Expected by the docstring: the sigma grows all through the gap; after 2.5 s there is no height any more.
    h = HeightFilter(sensor())
    for k in range(40):
        h.add_range(k * 0.05, 1.5, None, LEVEL)
    last = 39 * 0.05
    bridged = [h.at(last + t) for t in (0.0, 0.3, 0.6, 1.2, 2.4)]
    sigmas = [b.sigma_m for b in bridged if b is not None]
    assert len(sigmas) == 5
    assert all(b > 1.2 * a for a, b in pairwise(sigmas))
    assert h.at(last + 2.6) is None
    h.add_range(last + 2.65, 0.7, None, LEVEL)  # after so long a stray echo is as likely as the ground
    assert h.at(last + 2.65) is None
    for k in range(3):
        h.add_range(last + 2.7 + k * 0.05, 1.5, None, LEVEL)
    again = h.at(last + 2.8)
    assert again is not None
    assert again.height_m == pytest.approx(1.5, abs=0.02)


def test_the_images_climb_carries_the_height_over_a_gap() -> None:
    # Exact synthetic truth: during 1.2 s without a reading the craft sinks at 0.3 m/s and the image shows it.
    with_climb, without = HeightFilter(sensor()), HeightFilter(sensor())
    for k in range(60):
        for h in (with_climb, without):
            h.add_range(k * 0.02, 2.0, None, LEVEL)
        with_climb.add_climb(k * 0.02, 0.0, 0.01, 0.0)
    begin = 59 * 0.02
    for k in range(1, 61):
        with_climb.add_climb(begin + k * 0.02, 0.3, 0.01, 0.0)
    now, blind = with_climb.at(begin + 1.2), without.at(begin + 1.2)
    assert now is not None and blind is not None
    # 0.3 m/s for half a frame is 3 mm; the filter needs some frames to believe the jump from 0: 10 of them
    # are 6 cm.
    assert now.height_m == pytest.approx(2.0 - 0.36, abs=0.03)
    assert now.sigma_m < 0.2 * blind.sigma_m
    assert abs(now.height_m - 1.64) < 3 * now.sigma_m


def flown(seed: int, gust_m_s2: float) -> list[tuple[float, float]]:
    """Errors and sigmas once a second of a hover at 5 m, pushed by white gusts, readings 20 times a second."""
    rng, step = np.random.default_rng(seed), 0.05
    h = HeightFilter(sensor())
    height, climb, out = 5.0, 0.0, []
    for k in range(200):
        push = rng.normal(0, gust_m_s2 * np.sqrt(step))
        push -= (height - 5.0 + 1.4 * climb) * step  # what holds the hover
        height, climb = height + climb * step + push * step / 2, climb + push
        h.add_range(k * step, height + rng.normal(0, 0.01), None, LEVEL)
        now = h.at(k * step)
        if k % 20 == 19:
            assert now is not None
            out.append((now.height_m - height, now.sigma_m))
    return out


@pytest.mark.parametrize(("gust_m_s2", "least"), [(0.02, 0.1), (0.3, 0.2), (0.8, 0.5)])
def test_sigma_is_honest(gust_m_s2: float, least: float) -> None:
    # Chi-square: the mean of squared normalised errors over 30 seeds x 10 s must not pass the 99.9 % point
    # for one per error; in calm air the filter, which must be ready for gusts, may be wider, down to a third
    # of a reading's sigma.
    errors, sigmas = np.array([flown(seed, gust_m_s2) for seed in range(30)]).reshape(-1, 2).T
    mean = float(np.mean((errors / sigmas) ** 2))
    assert least < mean < chi2.ppf(0.999, len(errors)) / len(errors)
    share = float(np.mean(np.abs(errors) < 1.96 * sigmas))
    assert share > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(errors))


def test_common_errors_of_the_sensor_are_in_the_sigma() -> None:
    # Closed form: scale and offset errors do not average out, 0.5 % of 4 m and 3 cm together are 36 mm.
    h = HeightFilter(sensor(sigma={"scale": 0.005, "offset_m": 0.03}))
    for k in range(200):
        h.add_range(k * 0.02, 4.0, None, LEVEL)
    now = h.at(199 * 0.02)
    assert now is not None
    assert np.hypot(0.02, 0.03) < now.sigma_m < np.hypot(0.037, 0.01)


def test_an_unknown_air_temperature_is_in_the_sigma() -> None:
    # Closed form: half of 10 K / 293.15 K is 1.71 % of the height. A logged temperature holds until the next.
    sigmas = []
    for logged in (None, 20.0):
        h = HeightFilter(sensor(assumed_air_temperature_c=20.0))
        for k in range(100):
            h.add_range(k * 0.02, 4.0, logged if k < 50 else None, LEVEL)
        now = h.at(99 * 0.02)
        assert now is not None
        sigmas.append(now.sigma_m)
    assert np.sqrt(sigmas[0] ** 2 - sigmas[1] ** 2) == pytest.approx(4.0 * 0.5 * 10 / 293.15, rel=1e-6)
    assert sigmas[1] <= 0.01


def test_twice_the_height_is_an_echo_for_half_a_second() -> None:
    # Exact synthetic truth: 1.2 m, and 0.4 s of echoes that went to and fro twice. Never told as a height; a
    # true step to twice the height is told half a second after.
    h = HeightFilter(sensor())
    for k in range(80):
        h.add_range(k * 0.05, 2.4 if 20 <= k < 28 or k >= 50 else 1.2, None, LEVEL)
        h.add_climb(k * 0.05, 0.0, 0.01, 0.0)
        now = h.at(k * 0.05)
        if 3 <= k < 50:
            assert now is not None
            assert abs(now.height_m - 1.2) < 0.05
    assert now is not None
    assert now.height_m == pytest.approx(2.4, abs=0.02)


@pytest.mark.parametrize(("reading", "beyond"), [(0.05, True), (0.1, True), (8.0, True), (9.0, True), (1.0, False)])
def test_a_reading_outside_the_sensors_limits_is_not_used(reading: float, beyond: bool) -> None:
    h = HeightFilter(sensor(min_m=0.1, max_m=8.0))
    for k in range(5):
        h.add_range(k * 0.05, reading, None, LEVEL)
    assert h.beyond_limits is beyond
    assert (h.at(0.2) is None) is beyond


def flown_over_an_edge(*, seen: bool) -> HeightFilter:
    """Fly level at 1.5 m, readings five times a second; from 1 s on the floor is 0.1 m higher."""
    h = HeightFilter(sensor(noise_m=0.005))
    for k in range(6):
        h.add_range(0.2 * k - 0.2, 1.5, None, LEVEL)
        for j in range(6):
            h.add_climb(0.2 * k - 0.2 + j / 30, 0.0, 0.02, 0.05)
    if seen:
        for j in range(6):
            h.see_relief(0.8 + j / 30, 0.07)
        h.see_level(1.0)
    return h


def test_after_an_edge_both_floors_are_in_the_band_until_a_reading_tells() -> None:
    # By construction: 0.1 m of 1.5 m, 7 %; the sensor has not heard of it yet.
    told, untold = (flown_over_an_edge(seen=seen).at(1.05) for seen in (True, False))
    assert told is not None and untold is not None
    assert untold.sigma_m < 0.03
    assert 0.1 < told.sigma_m < 0.13


def test_an_edge_that_was_seen_needs_two_readings_and_no_reading_half_way() -> None:
    h = flown_over_an_edge(seen=True)
    for time_s, reading in ((1.0, 1.2), (1.2, 1.205)):
        h.add_range(time_s, reading, None, LEVEL)
    now = h.at(1.21)
    assert now is not None
    # The new floor, 0.3 m up, within the noise of a reading; not somewhere between the two.
    assert now.height_m == pytest.approx(1.205, abs=0.006)
    assert now.sigma_m < 0.02
