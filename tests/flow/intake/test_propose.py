"""What column names and values say, and where they leave a doubt."""

from __future__ import annotations

import numpy as np
import pytest

from flow.errors import DataError
from flow.intake.headers import meaning
from flow.intake.mapping import Columns, part_text
from flow.intake.propose import propose
from flow.intake.sniff import read_columns, sniff


def log(tmp_path, header, rows, separator=",", name="log.csv"):
    path = tmp_path / name
    lines = [header, *(separator.join(str(cell) for cell in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def moving(count=200, rate=0.5, seed=0):
    """Time in ms at 500 Hz, rates, specific force at rest in m/s^2."""
    rng = np.random.default_rng(seed)
    gyro = rng.normal(0, rate / np.sqrt(3), (count, 3))
    force = rng.normal(0, 0.05, (count, 3)) - [0, 0, 9.81]
    return np.arange(count)[:, None] * 2, gyro, force


@pytest.mark.parametrize(
    ("name", "part", "axis", "unit"),
    [
        ("GyroX (deg/s)", "gyro", 0, "deg/s"),
        ("gyr_y", "gyro", 1, None),
        ("gz", "gyro", 2, None),
        ("imu.angular_velocity.x", "gyro", 0, None),
        ("angularVelocityY", "gyro", 1, None),
        ("q", "gyro", 1, None),
        ("yaw_rate", "gyro", 2, None),
        ("gyro[2]", "gyro", 2, None),
        ("gyro_z_dps", "gyro", 2, "deg/s"),
        ("Rot Y [mdps]", "gyro", 1, "mdeg/s"),
        ("gyro_x_rad_s", "gyro", 0, "rad/s"),
        ("ax", "accel", 0, None),
        ("acc_y_g", "accel", 1, "g"),
        ("linear_acceleration.z", "accel", 2, None),
        ("accel_z_m_s2", "accel", 2, "m/s^2"),
        ("lidar_dist_cm", "range", None, "cm"),
        ("Sonar [mm]", "range", None, "mm"),
        ("timestamp (ms)", "time", None, "ms"),
        ("TimeUS", "time", None, "us"),
        ("micros", "time", None, "us"),
        ("roll", "attitude", 0, None),
        ("Pitch [deg]", "attitude", 1, "deg"),
        ("air_temp_c", "air_temperature", None, "degC"),
        ("forward_m_s", "velocity", 0, "m/s"),
    ],
)
def test_names_are_read(name, part, axis, unit):
    found = meaning(name)
    assert found is not None
    assert (found.part, found.axis, found.unit) == (part, axis, unit)


@pytest.mark.parametrize(
    "name",
    ["roll_setpoint", "gyro_x_bias", "temp", "GyroTemp", "baro_alt", "mag_x", "x", "status", "lidar_quality", "yaw"],
)
def test_names_of_other_things_are_not(name):
    assert meaning(name) is None


def test_units_that_names_leave_open_come_from_the_values(tmp_path):
    t, gyro, force = moving(rate=30.0)  # 30 rad/s RMS is no flight: deg/s
    path = log(tmp_path, "t,gx,gy,gz,ax,ay,az", np.hstack([t, gyro, force / 9.80665]).round(5))
    found = propose(path, {})
    assert {part_text(part, held) for part, held in found.log.parts.items()} == {
        "time=t:ms",
        "gyro=gx,gy,gz:deg/s",
        "accel=ax,ay,az:g",
    }
    assert set(found.reasons.values()) == {"values"}
    assert found.log.axes is None


@pytest.mark.parametrize(("step", "unit"), [(0.002, "s"), (2, "ms"), (2000, "us"), (2_000_000, "ns"), (0.5, "ms")])
def test_the_unit_of_time_is_the_one_that_makes_a_gyro_rate(tmp_path, step, unit):
    t, gyro, _ = moving(rate=0.1)
    path = log(tmp_path, "t,gx,gy,gz", np.hstack([t / 2 * step, gyro]))
    assert propose(path, {}).log.time.unit == unit


def test_a_rate_that_may_be_either_unit_is_asked_for(tmp_path):
    t, gyro, _ = moving(rate=1.5)
    path = log(tmp_path, "t,gx,gy,gz", np.hstack([t, gyro]))
    with pytest.raises(
        DataError, match=r"log.csv:1: gx: neither name nor values show the unit; .* --map gyro=gx,gy,gz:UNIT"
    ):
        propose(path, {})
    said = {"gyro": Columns(columns=("gx", "gy", "gz"), unit="rad/s")}
    assert propose(path, said).reasons == {"gyro": "said", "time": "values"}


def test_two_sensors_are_not_chosen_between(tmp_path):
    t, gyro, _ = moving(rate=0.1)
    path = log(tmp_path, "time_ms,gyro1_x,gyro1_y,gyro1_z,gyro2_x,gyro2_y,gyro2_z", np.hstack([t, gyro, gyro]))
    with pytest.raises(
        DataError, match=r"2 sets of columns may be gyro: .*gyro1_x,gyro1_y,gyro1_z:UNIT or gyro=gyro2_x"
    ):
        propose(path, {})
    path = log(tmp_path, "time_ms,gx,gy,gz,dist_mm,sonar_mm", np.hstack([t, gyro, t + 900, t + 901]))
    with pytest.raises(DataError, match=r"2 sets of columns may be range: .* range=dist_mm:mm or range=sonar_mm:mm"):
        propose(path, {})
    assert propose(path, {"range": None}).log.range is None


def test_a_column_that_alone_increases_is_the_time(tmp_path):
    t, gyro, _ = moving(rate=0.1)
    path = log(tmp_path, "Zeit,gx,gy,gz", np.hstack([t, gyro]))
    assert propose(path, {}).log.time == Columns(columns=("Zeit",), unit="ms")


def test_nothing_plain_is_said_with_what_there_is(tmp_path):
    path = log(tmp_path, "a0,b0,c0", np.arange(30).reshape(10, 3))
    with pytest.raises(
        DataError, match=r"log.csv:1: no column that is plainly gyro or range among a0, b0, c0; say with"
    ):
        propose(path, {})


def test_our_own_columns_have_our_own_axes(tmp_path):
    t, gyro, _ = moving(rate=0.1)
    header = "time_s,gyro_x_rad_s,gyro_y_rad_s,gyro_z_rad_s"
    assert propose(log(tmp_path, header, np.hstack([t / 1000, gyro])), {}).log.axes == "x=x y=y z=z"


def test_dates_are_recognised(tmp_path):
    _, gyro, _ = moving(rate=0.1)
    dates = [f"2026-05-01 12:00:{k * 0.02:06.3f}" for k in range(len(gyro))]
    path = log(tmp_path, "date time;gx;gy;gz", [(d, *row) for d, row in zip(dates, gyro, strict=True)], ";")
    assert propose(path, {}).log.time.unit == "iso8601"


@pytest.mark.parametrize("separator", [",", ";", "\t", "|", " "])
def test_layouts_are_found(tmp_path, separator):
    rows = [(0.1 * k, -k, 2 * k) for k in range(20)]
    layout = sniff(log(tmp_path, separator.join("abc"), rows, separator))
    assert (layout.separator, layout.names, layout.header_line, layout.decimal) == (separator, ("a", "b", "c"), 1, ".")
    columns, lines = read_columns(layout, ["c", "a"])
    np.testing.assert_array_equal(columns["c"], 2 * np.arange(20))
    np.testing.assert_allclose(columns["a"], 0.1 * np.arange(20), rtol=1e-15)
    assert lines[0] == 2


def test_preamble_units_comma_decimals_and_trailing_separators(tmp_path):
    path = tmp_path / "log.txt"
    body = "".join(f"{k};{k / 8:.4f};\n".replace(".", ",") for k in range(20))
    path.write_text("﻿Recorder 7, firmware 2\n\n# t;dist;\ns;cm;\n" + body, encoding="utf-8")
    layout = sniff(path)
    assert (layout.header_line, layout.decimal, layout.names[:2]) == (3, ",", ("t", "dist"))
    columns, lines = read_columns(layout, ["t", "dist"])
    np.testing.assert_array_equal(columns["dist"], np.arange(20) / 8)
    np.testing.assert_array_equal(lines, np.arange(20) + 5)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"", "empty file"),
        (b"\x00\x01\x02 binary", "neither a text table nor a video"),
        (b"just words\nand more words\n", "no line of column names with rows of numbers"),
        (b"1,2,3\n4,5,6\n", "no line of column names"),
    ],
)
def test_what_is_no_table_is_refused(tmp_path, content, problem):
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with pytest.raises(DataError, match=problem):
        sniff(path)


def test_a_cell_that_is_no_number_is_named_with_its_place(tmp_path):
    path = log(tmp_path, "t,gx", [(k, "oops" if k == 17 else k) for k in range(40)])
    with pytest.raises(DataError, match=r"log.csv:19: gx: 'oops' is not a number"):
        read_columns(sniff(path), ["gx"])
