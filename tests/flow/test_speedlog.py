"""The speed log: what goes in comes out, and what contradicts itself is refused."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flow.columns import SPEED
from flow.errors import DataError
from flow.row import REASONS, LevelVelocity, NoVelocity, SpeedRow
from flow.speedlog import SpeedLogWriter, Summary, read_speed_columns

# The contract's columns, word for word.
CONTRACT = (
    "time_s,interval_s,forward_m_s,right_m_s,down_m_s,forward_sigma_m_s,right_sigma_m_s,down_sigma_m_s,"
    "height_m,height_sigma_m,tracks,inlier_share,status"
)


def good(
    time_s: float, velocity: tuple[float, float, float], *, interval_s: float = 0.02, height_m: float = 1.5
) -> SpeedRow:
    return SpeedRow(
        time_s=time_s,
        interval_s=interval_s,
        velocity=LevelVelocity(
            forward_m_s=velocity[0],
            right_m_s=velocity[1],
            down_m_s=velocity[2],
            covariance_m2_s2=np.diag([0.01**2, 0.02**2, 0.03**2]),
        ),
        height_m=height_m,
        height_sigma_m=0.005,
        tracks=120,
        inlier_share=0.875,
    )


def bad(
    time_s: float, reason: str = "no_texture", *, interval_s: float = 0.02, height_m: float | None = None
) -> SpeedRow:
    return SpeedRow(
        time_s=time_s,
        interval_s=interval_s,
        velocity=NoVelocity(reason=reason),
        height_m=height_m,
        height_sigma_m=None,
        tracks=0,
        inlier_share=None,
    )


def test_a_row_of_each_kind_to_the_letter(tmp_path: Path) -> None:
    path = tmp_path / "new" / "speed.csv"
    with SpeedLogWriter(path) as log:
        log.write(good(0.0100005, (1.25, -0.5, -1e-9)))
        log.write(bad(0.03))
        assert not path.exists()
    assert path.read_text().splitlines() == [
        CONTRACT,
        "0.0100005,0.0200000,1.250000,-0.500000,0.000000,0.010000,0.020000,0.030000,1.50000,0.00500,120,0.8750,ok",
        "0.0300000,0.0200000,,,,,,,,,0,,no_texture",
    ]
    assert ",".join(SPEED.names) == CONTRACT
    assert [p.name for p in path.parent.iterdir()] == ["speed.csv"]


def test_reading_gives_back_what_was_written(tmp_path: Path) -> None:
    path = tmp_path / "speed.csv"
    with SpeedLogWriter(path) as log:
        log.write(good(0.01, (1.25, -0.5, 0.125)))
        log.write(bad(0.03, "few_tracks", height_m=2.0))
    read = read_speed_columns(path)
    np.testing.assert_array_equal(read.time_s, [0.01, 0.03])
    np.testing.assert_array_equal(read.velocity_m_s, [[1.25, -0.5, 0.125], 3 * [np.nan]])
    np.testing.assert_array_equal(read.sigma_m_s, [[0.01, 0.02, 0.03], 3 * [np.nan]])
    np.testing.assert_array_equal(read.height_m, [1.5, 2.0])
    np.testing.assert_array_equal(read.height_sigma_m, [0.005, np.nan])
    np.testing.assert_array_equal(read.usable, [True, False])
    assert read.status == ["ok", "few_tracks"]


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(velocities=st.lists(st.tuples(*[st.floats(-40, 40)] * 3) | st.none(), min_size=1, max_size=12))
def test_any_rows_survive_to_a_micrometre_a_second(
    tmp_path: Path, velocities: list[tuple[float, float, float] | None]
) -> None:
    path = tmp_path / "speed.csv"
    with SpeedLogWriter(path) as log:
        for i, v in enumerate(velocities):
            log.write(bad(i / 50) if v is None else good(i / 50, v))
    expected = [3 * [np.nan] if v is None else list(v) for v in velocities]
    # Six decimals: half a micrometre a second of rounding.
    np.testing.assert_allclose(read_speed_columns(path).velocity_m_s, expected, rtol=0, atol=0.5001e-6)


def test_a_failure_leaves_the_old_log_alone(tmp_path: Path) -> None:
    path = tmp_path / "speed.csv"
    path.write_text("old")
    with pytest.raises(KeyboardInterrupt), SpeedLogWriter(path) as log:
        log.write(bad(0.01))
        raise KeyboardInterrupt
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["speed.csv"]


def test_a_velocity_that_is_not_finite_never_reaches_the_file(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not finite"), SpeedLogWriter(tmp_path / "speed.csv") as log:
        log.write(good(0.01, (math.nan, 0, 0)))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("row", "message"),
    [
        (
            "0.01,0.02,1,0,0,0.1,0.1,,1,0.1,9,1,ok",
            "speed.csv:2: status: a row that is ok must give all three",
        ),
        (
            "0.01,0.02,0,0,0,0.1,0.1,0.1,1,0.1,9,1,few_tracks",
            "speed.csv:2: status: a row that is few_tracks must leave",
        ),
        ("0.01,0.02,,,,,,,,,0,,Bad Light!", "speed.csv:2: status: 'Bad Light!' is no status"),
        ("0.01,0.02,,,,,,,,,0,,", "speed.csv:2: status: '' is no status"),
        ("0.01,0,,,,,,,,,0,,few_tracks", "speed.csv:2: interval_s: 0 s is no interval"),
        ("0.01,,,,,,,,,,0,,few_tracks", "speed.csv:2: interval_s:"),
        ("0.01,0.02,1,0,0,-0.1,0.1,0.1,1,0.1,9,1,ok", "speed.csv:2: forward_sigma_m_s: -0.1 is negative"),
        ("0.01,0.02,1,x,0,0.1,0.1,0.1,1,0.1,9,1,ok", "speed.csv:2: right_m_s: 'x' is not a finite number"),
    ],
)
def test_rows_that_contradict_themselves(tmp_path: Path, row: str, message: str) -> None:
    path = tmp_path / "speed.csv"
    path.write_text(f"{CONTRACT}\n{row}\n")
    with pytest.raises(DataError, match=message):
        read_speed_columns(path)


def test_an_empty_or_foreign_log(tmp_path: Path) -> None:
    path = tmp_path / "speed.csv"
    path.write_text(CONTRACT + "\n")
    with pytest.raises(DataError, match="holds no row"):
        read_speed_columns(path)
    path.write_text("time_s,range_m\n0,1\n")
    with pytest.raises(DataError, match=r"speed.csv:1: interval_s: column missing; found time_s, range_m"):
        read_speed_columns(path)


def test_statuses_are_words_that_the_reader_takes(tmp_path: Path) -> None:
    path = tmp_path / "speed.csv"
    with SpeedLogWriter(path) as log:
        for i, reason in enumerate(REASONS):
            log.write(bad(0.01 + i, reason))
    assert read_speed_columns(path).status == list(REASONS)
    with path.open() as file:
        assert [row["status"] for row in csv.DictReader(file)] == list(REASONS)


def test_summary_of_a_flight_in_closed_form() -> None:
    summary = Summary()
    for i in range(100):  # 0.6 m/s forward and 0.8 m/s right: 1 m/s, 0.02 s a row
        summary.add(good(0.01 + 0.02 * i, (0.6, -0.8, 5.0), height_m=1 + i / 100))
    summary.add(good(2.03, (3.0, 4.0, 0.0), interval_s=0.06, height_m=0.5))
    for i in range(25):
        summary.add(bad(2.07 + 0.02 * i, "few_tracks" if i < 20 else "no_gyro"))
    facts = summary.as_dict()
    assert facts["rows"] == 126
    assert facts["rows_usable"] == 101
    assert facts["share_usable"] == pytest.approx(101 / 126, abs=1e-6)
    assert {word: held["rows"] for word, held in facts["status"].items()} == {
        "ok": 101,
        "few_tracks": 20,
        "no_gyro": 5,
    }
    assert facts["status"]["no_gyro"]["meaning"] == REASONS["no_gyro"]
    assert facts["distance_m"] == pytest.approx(100 * 0.02 * 1.0 + 0.06 * 5.0)
    assert facts["covered_s"] == pytest.approx(2.06)
    assert facts["uncovered_s"] == pytest.approx(0.5)
    assert facts["duration_s"] == pytest.approx(2.56)
    assert facts["mean_speed_m_s"] == pytest.approx(2.3 / 2.06, abs=1e-6)
    assert facts["top_speed_m_s"] == pytest.approx(5.0)
    assert (facts["lowest_height_m"], facts["highest_height_m"]) == (0.5, 1.99)
    # The running median has steps of 1 %, so it is right to half a step; it is shown to three digits.
    for axis, sigma in (("forward", 0.01), ("right", 0.02), ("down", 0.03)):
        assert facts["median_sigma_m_s"][axis] == pytest.approx(sigma, rel=0.01)
    assert json.loads(json.dumps(facts, allow_nan=False)) == facts


def test_summary_of_nothing_says_none_not_zero() -> None:
    summary = Summary()
    assert summary.as_dict()["rows"] == 0
    summary.add(bad(0.01))
    facts = summary.as_dict()
    assert facts["share_usable"] == 0
    assert facts["uncovered_s"] == pytest.approx(0.02)
    for key in ("mean_speed_m_s", "top_speed_m_s", "lowest_height_m", "highest_height_m"):
        assert facts[key] is None
    assert facts["median_sigma_m_s"] == {"forward": None, "right": None, "down": None}
    json.dumps(facts, allow_nan=False)
