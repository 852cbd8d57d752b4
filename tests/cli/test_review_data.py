"""What the review page is made of: thinning, turn, path, points and findings, each against a closed form."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

import cli.page.review_rows
from cli.page.review_bins import NOTHING, Bins, packed
from cli.page.review_findings import findings
from cli.page.review_range import range_readings
from cli.page.review_reference import scale_against
from cli.page.review_rows import FlightData, Rows
from cli.page.review_turn import TurnLog
from flow.accuracy.dead_reckoning import DeadReckoning, Places
from flow.camera import Lens
from flow.error_sources import SOURCES
from flow.module import Gyro, Module
from flow.pair.rotation_field import RotationField
from flow.recording import Recording
from flow.row import NoVelocity
from flow.series import GyroSamples
from tests.cli.review_flights import HOLE_S, results, write_recording, write_review

Array = NDArray[np.float64]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.one_of(st.floats(-1e3, 1e3, width=32), st.just(float("nan"))), min_size=1, max_size=400),
    st.lists(st.integers(1, 50), min_size=1, max_size=20),
)
def test_bins_keep_every_extreme_and_never_grow(values: list[float], chunks: list[int]) -> None:
    bins, samples = Bins(1, 16), np.array(values)[:, None]
    time_s, start = np.arange(len(values), dtype=float), 0
    while start < len(values):
        size = chunks[start % len(chunks)]
        bins.add(time_s[start : start + size], samples[start : start + size])
        start += size
    middle, low, high = bins.finish()
    assert len(middle) <= 16
    groups = [samples[k : k + bins.per_bin, 0] for k in range(0, len(samples), bins.per_bin)]
    np.testing.assert_array_equal(low[:, 0], [np.fmin.reduce(group) for group in groups])
    np.testing.assert_array_equal(high[:, 0], [np.fmax.reduce(group) for group in groups])


def test_packing_keeps_numbers_to_half_a_step_and_says_where_there_is_none() -> None:
    values = np.array([-1.0, 0.25, np.nan, 0.9999])
    held = packed(values)
    whole = np.frombuffer(base64.b64decode(held["data"]), "<u2")
    assert whole[2] == NOTHING
    known = [0, 1, 3]
    np.testing.assert_allclose(held["low"] + whole[known] * held["step"], values[known], atol=0.5 * held["step"])
    assert held["step"] == pytest.approx(1.9999 / 65534)


def turning(
    rates: list[float], begin_s: float, end_s: float, hole: tuple[float, float] = (9, 9)
) -> Iterator[GyroSamples]:
    time_s = np.arange(begin_s, end_s, 0.005)
    time_s = time_s[(time_s <= hole[0]) | (time_s >= hole[1])]
    for part in np.array_split(time_s, 7):
        yield GyroSamples(time_s=part, rate_rad_s=np.tile(rates, (len(part), 1)), accel_m_s2=None)


def test_turn_is_rate_times_time_across_chunks_less_bias() -> None:
    log = TurnLog(turning([0.3, -0.2, 1.0], 0.0, 3.0), (0.1, 0.0, 0.0))
    for begin_s in np.arange(0.1, 2.5, 0.0311):
        begins = begin_s + np.array([0.0, 0.1, 0.3])
        turns = log.between(begins, begins + 0.02)
        np.testing.assert_allclose(turns, np.tile([0.004, -0.004, 0.02], (3, 1)), atol=1e-12)


def test_turn_is_unknown_across_a_hole_and_beyond_the_log() -> None:
    log = TurnLog(turning([0.3, -0.2, 1.0], 0.0, 3.0, hole=(1.0, 1.3)), (0.0, 0.0, 0.0))
    begins = np.array([0.95, 0.98, 1.1, 1.4, 2.99])
    turns = log.between(begins, begins + np.array([0.02, 0.07, 0.02, 0.02, 0.2]))
    assert np.isnan(turns).any(axis=1).tolist() == [False, True, True, False, True]


@pytest.mark.parametrize("turn", [[0.01, 0, 0], [0, 0.01, 0], [0, 0, 0.01], [0.004, -0.006, 0.008]])
def test_turned_image_moves_as_the_exact_rotation(turn: list[float]) -> None:
    camera = {
        "width_px": 320, "height_px": 240, "fx_px": 260.0, "fy_px": 262.0, "cx_px": 158.0, "cy_px": 121.0,
        "distortion": [-0.1, 0.02, 0.0, 0.0, 0.0],
    }  # fmt: skip
    module = Module.model_validate({"camera": camera})
    points = np.array([[40.0, 30.0], [160.0, 120.0], [280.0, 200.0]])
    lens, R_body_camera = Lens(module.camera), module.alignment.R_body_camera.as_matrix()
    rays = np.column_stack([lens.rays(points), np.ones(3)])
    # What stands still in the room turns the other way in the body.
    after = rays @ R_body_camera.T @ Rotation.from_rotvec(turn).as_matrix() @ R_body_camera
    exact = lens.pixels(after[:, :2] / after[:, 2:]) - points
    # First order in the turn (0.01 rad: 0.5 % of 2.6 px) and the nearest place of a 13 px grid (5 %).
    np.testing.assert_allclose(RotationField(module).motion(points, np.array(turn)), exact, atol=0.15)


def test_roll_to_the_right_moves_the_ground_to_the_right_in_the_picture() -> None:
    camera = {"width_px": 320, "height_px": 240, "fx_px": 260.0, "fy_px": 260.0, "cx_px": 159.5, "cy_px": 119.5}
    module = Module.model_validate({"camera": camera})
    # The right side goes down, the camera looks to the left of where it did: what it saw moves right by f * angle.
    moved = RotationField(module).motion(np.array([[160.0, 120.0]]), np.array([0.01, 0.0, 0.0]))
    np.testing.assert_allclose(moved, [[2.6, 0.0]], atol=0.02)


STILL = Gyro.model_validate({"noise_rad_s_rthz": 0.0, "sigma": {"bias_rad_s": (0.0, 0.0, 0.0)}})


def travelled(
    path: DeadReckoning,
    forward_m_s: Array,
    interval_s: float = 0.1,
    yaw_turn_rad: float = 0.0,
    **by_cause: tuple[float, float],
) -> Places:
    """Advance in two blocks, as a flight does; give the places of the last row."""
    velocity = np.column_stack([forward_m_s, 0 * forward_m_s])
    effects = np.tile([by_cause.get(cause, (0.0, 0.0)) for cause in SOURCES], (len(velocity), 1, 1))
    for part in np.array_split(np.arange(len(velocity)), 2):
        turns = np.full(len(part), yaw_turn_rad)
        places = path.advance(np.full(len(part), interval_s), velocity[part], effects[part], turns)
    return places


def test_path_of_a_quarter_circle_ends_where_geometry_says() -> None:
    places = travelled(DeadReckoning(STILL), np.full(1000, np.pi / 2), 0.001, np.pi / 2000)
    # One second at pi/2 m/s while turning right by 90 degrees: radius 1 m, end at forward 1, right 1.
    np.testing.assert_allclose(places.position_m[-1], [1.0, 1.0], atol=1e-5)


def test_new_errors_add_as_squares_and_lasting_ones_as_they_are() -> None:
    ahead = np.ones(100)
    fresh = travelled(DeadReckoning(STILL), ahead, image=(0.02, 0.01))
    fixed = travelled(DeadReckoning(STILL), ahead, tilt=(0.02, 0.01))
    there_and_back = travelled(DeadReckoning(STILL), np.repeat([1.0, -1.0], 50), height=(0.02, 0.0))
    np.testing.assert_allclose(fresh.sigma_m[-1], [0.02, 0.01])  # 0.1 s * sigma * sqrt(100)
    np.testing.assert_allclose(fixed.sigma_m[-1], [0.2, 0.1])  # 0.1 s * sigma * 100
    np.testing.assert_allclose(there_and_back.sigma_m[-1], 0.0, atol=1e-12)  # a wrong scale closes the way back
    assert there_and_back.sigma_m[0, 0] > 0.05


def test_an_unknown_heading_widens_the_path_across_and_not_along() -> None:
    gyro = Gyro.model_validate({"noise_rad_s_rthz": 0.0, "sigma": {"bias_rad_s": (0.0, 0.0, 1e-3)}})
    places = travelled(DeadReckoning(gyro), np.ones(100))
    np.testing.assert_allclose(places.sigma_m[-1], [0.0, 10.0 * 1e-3 * 10.0], atol=1e-12)  # distance * bias * time


def test_without_a_speed_the_path_is_carried_on_and_its_sigma_grows_by_as_much() -> None:
    places = travelled(DeadReckoning(STILL), np.array([2.0] + 10 * [np.nan]), tilt=(0.5, 0.5))
    np.testing.assert_allclose(places.position_m[-1], [2.2, 0.0])
    np.testing.assert_allclose(places.sigma_m[-1], np.hypot(2.0, 0.05))


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    return write_recording(tmp_path_factory.mktemp("data") / "flight", 40.0)


@pytest.fixture(scope="module")
def rows(recording: Recording) -> Rows:
    data = FlightData(recording)
    for result in results(recording):
        data.add(result)
    return data.finish()


def test_points_come_back_where_they_were(recording: Recording, rows: Rows) -> None:
    result = next(results(recording))
    assert result.matches is not None and result.used is not None
    count = int(rows.newest["points"][0])
    raw = np.frombuffer(rows.points, np.uint8).reshape(-1, 5)[:count].astype(np.uint32)
    assert count == len(result.matches)
    code = raw[:, 0] | raw[:, 1] << 8 | raw[:, 2] << 16
    place = np.column_stack([code & 2047, code >> 11 & 2047]) / 2047 * [64, 48]
    np.testing.assert_allclose(place, result.matches.second_px, atol=64 / 2047)
    np.testing.assert_array_equal(code >> 22 & 1, result.used)
    motion = raw[:, 3:].astype(np.uint8).view(np.int8) * rows.newest["points_step_px"][0]
    np.testing.assert_allclose(motion, result.matches.second_px - result.matches.first_px, atol=0.8 / 127)


def test_memory_is_bounded_however_long_the_flight(recording: Recording, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cli.page.review_rows, "_MOST_ROWS", 100)
    monkeypatch.setattr(cli.page.review_rows, "_MOST_POINTS", 3000)
    monkeypatch.setattr(cli.page.review_rows, "_MOST_STRETCHES", 2)
    data, speeds = FlightData(recording), []
    for result in results(recording):
        data.add(result)
        speeds.append(np.nan if isinstance(result.row.velocity, NoVelocity) else result.row.velocity.forward_m_s)
    kept = data.finish()
    assert kept.per_bin == 24 and len(kept.time_s) == 100 and len(kept.newest["points"]) == 100
    assert len(kept.points) <= 5 * 3000
    assert len(kept.stretches) <= 2
    assert np.nanmax(kept.high["forward"]) == pytest.approx(np.nanmax(speeds), abs=1e-6)
    assert kept.stretches[-1].end_s == pytest.approx(recording.frames.times_s[-1])


def test_findings_say_when_the_range_was_silent_and_the_speed_gone(recording: Recording, rows: Rows) -> None:
    found = findings(rows, range_readings(recording, 1.0), recording.module.range, None)
    silent = [f for f in found if f.text.startswith("no range echo")]
    assert len(silent) == 1
    # The sensor speaks every 50 ms.
    assert silent[0].begin_s == pytest.approx(HOLE_S[0], abs=0.051)
    assert silent[0].end_s == pytest.approx(HOLE_S[1], abs=0.051)
    lost = [f for f in found if f.kind == "no speed"]
    assert len(lost) == 1 and "no plausible range reading" in lost[0].text
    assert lost[0].begin_s == pytest.approx(HOLE_S[0] + 2.5, abs=0.02)
    assert lost[0].end_s == pytest.approx(HOLE_S[1], abs=0.02)


def test_findings_hold_a_speed_against_the_reference(recording: Recording, rows: Rows) -> None:
    reference = np.column_stack([rows.low["forward"], rows.low["right"], rows.low["height"]])
    off = (rows.time_s > 10) & (rows.time_s < 11)
    reference[off, 1] -= 0.05  # sigma is 2.8 mm/s
    readings = range_readings(recording, 1.0)
    found = [f for f in findings(rows, readings, recording.module.range, reference) if f.kind == "reference"]
    assert len(found) == 1 and "right speed is off the reference by up to +0.050 m/s" in found[0].text
    assert (found[0].begin_s, found[0].end_s) == pytest.approx((10.0, 11.0), abs=0.02)


SCALES = {
    # speed, height, what the one line must say
    "both": (
        0.02,
        0.02,
        r"speed 2\.0 ± 0\.\d % above the reference throughout, height 2\.0 ± 0\.\d % above .* as well: .*range",
    ),
    "speed": (
        -0.03,
        0.0,
        r"speed 3\.0 ± 0\.\d % below the reference throughout, the height is right: calibrate the lens",
    ),
    "height": (0.0, 0.02, r"height 2\.0 ± 0\.\d % above the reference throughout, the speed is not: .*range"),
    "differing": (0.06, 0.02, r"speed 6\.0 ± .*height 2\.0 ± .*range.*, and calibrate the lens"),
}


@pytest.mark.parametrize("name", SCALES)
def test_a_scale_error_against_the_reference_is_one_finding(recording: Recording, rows: Rows, name: str) -> None:
    # By construction: the log is the reference times one and the scale, to the digit; sigmas of speed 2.8 to 3.2 mm/s at
    # 0.5 m/s, of height 4 mm at 1.5 m: a per cent is beyond both.
    speed, height, words = SCALES[name]
    log = np.column_stack([rows.low["forward"], rows.low["right"], rows.low["height"]])
    noise = np.random.default_rng(1).normal(0, 1e-3, log.shape)  # of the reference
    reference = log / (1 + np.array([speed, speed, height])) + noise
    off = (rows.time_s > 10) & (rows.time_s < 11)
    reference[off, 1] -= 0.05
    found = findings(rows, range_readings(recording, 1.0), recording.module.range, reference)
    texts = [f.text for f in found if f.kind == "reference"]
    assert len(texts) == 2, texts  # the scale, and the one stretch that is off beside it
    scale = next(text for text in texts if "throughout" in text)
    assert re.match(words, scale), scale
    rest = next(f for f in found if f.kind == "reference" and "throughout" not in f.text)
    assert "right speed is off the reference by up to +0.05" in rest.text
    assert ("beside that scale" in rest.text) == bool(speed)
    assert (rest.begin_s, rest.end_s) == pytest.approx((10.0, 11.0), abs=0.02)


def test_a_reference_that_agrees_tells_no_scale(recording: Recording, rows: Rows) -> None:
    log = np.column_stack([rows.low["forward"], rows.low["right"], rows.low["height"]])
    for seed in range(20):  # one in 100 honest logs would be told, and then only beyond its own bands
        reference = log + np.random.default_rng(seed).normal(0, 3e-3, log.shape)
        assert scale_against(rows, reference).words == ""
    assert scale_against(rows, np.full_like(log, np.nan)).words == ""


def test_the_page_keeps_the_clock_of_the_log(tmp_path: Path) -> None:
    page = write_review(tmp_path / "short", 2.0)
    text = page.read_text(encoding="utf-8")
    held = re.search(r'id="review-data">(.*?)</script>', text, re.DOTALL)
    assert held is not None
    data = json.loads(held.group(1))
    ticks = np.frombuffer(base64.b64decode(data["time"]), "<u4")
    np.testing.assert_allclose(data["base_s"] + ticks / 1e4, (np.arange(119) + 0.5) / 60, atol=1e-4)
    media = np.frombuffer(base64.b64decode(data["media"]), "<u4") / 1e4
    np.testing.assert_allclose(media, np.arange(1, 120) / 60, atol=1e-4)
