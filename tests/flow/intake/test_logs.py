"""Mapped logs to samples: exact conversions, and every slip told in one line with its remedy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import constants

from flow.errors import DataError
from flow.intake.log_checks import axes_by_gravity, by_gravity
from flow.intake.logs import read_logs
from flow.intake.mapping import Columns, LogFile


def columns(text, unit):
    return Columns(columns=tuple(text.split(",")), unit=unit)


def table(tmp_path, name="log.csv", *, count=500, scale=0.3, **replaced):
    """Write a log at 500 Hz in SI units, level on average; ``replaced`` takes the place of columns."""
    rng = np.random.default_rng(3)
    held = {"t": 2000 * np.arange(count)}  # us
    held |= {key: rng.normal(0, scale, count) for key in ("gx", "gy", "gz")}
    held |= {key: rng.normal(0, 0.3, count) - 9.8 * (key == "az") for key in ("ax", "ay", "az")}
    frame = pd.DataFrame(held | replaced)
    frame.to_csv(tmp_path / name, index=False)
    return tmp_path / name, frame


def log(path, *, gyro="rad/s", accel="m/s^2", time="us", axes="x=x y=y z=z", **more):
    parts = {"gyro": columns("gx,gy,gz", gyro), "accel": None if accel is None else columns("ax,ay,az", accel)}
    return LogFile(file=path, time=columns("t", time), axes=axes, **{**parts, **more})


def test_units_and_axes_are_exact(tmp_path):
    path, frame = table(tmp_path)
    g = frame[["gx", "gy", "gz"]].to_numpy() / constants.degree
    a = frame[["ax", "ay", "az"]].to_numpy() / constants.g
    # Body x is the log's minus y, body y its x: so the log's x is body y, its y minus body x.
    frame[["gx", "gy", "gz"]] = np.column_stack([g[:, 1], -g[:, 0], g[:, 2]])
    frame[["ax", "ay", "az"]] = np.column_stack([a[:, 1], -a[:, 0], a[:, 2]])
    frame.to_csv(path, index=False)
    found = read_logs([log(path, gyro="deg/s", accel="g", axes="x=-y y=x z=z")])
    # Numbers go through their decimal form and one product: a few units in the last place of a double.
    np.testing.assert_allclose(found.gyro.rate_rad_s, g * constants.degree, rtol=1e-14)
    np.testing.assert_allclose(found.gyro.accel_m_s2, a * constants.g, rtol=1e-14)
    np.testing.assert_allclose(found.gyro.time_s, 0.002 * np.arange(500), rtol=0, atol=1e-15)
    assert "gyro: 500 samples, 500 Hz, jitter none, longest gap 2 ms" in found.remarks


def test_a_minus_before_a_column_turns_its_sign(tmp_path):
    path, frame = table(tmp_path)
    found = read_logs([log(path, gyro="rad/s", accel=None)])
    turned = read_logs([LogFile(file=path, time=columns("t", "us"), gyro=columns("gx,-gy,gz", "rad/s"))])
    np.testing.assert_array_equal(turned.gyro.rate_rad_s, found.gyro.rate_rad_s * [1, -1, 1])
    np.testing.assert_allclose(turned.gyro.rate_rad_s[:, 1], -frame["gy"], rtol=1e-15)


def test_rows_of_other_sensors_in_one_file_and_several_files(tmp_path):
    path, _ = table(tmp_path)
    heights = pd.DataFrame({"ms": 50 * np.arange(20), "cm": 150.0 + np.arange(20) % 7, "air F": 68.0})
    heights.loc[4, "cm"] = np.nan
    heights.loc[7, "cm"] = 0
    heights.to_csv(tmp_path / "range.csv", index=False, sep=";")
    below = LogFile(
        file=tmp_path / "range.csv",
        time=columns("ms", "ms"),
        range=columns("cm", "cm"),
        air_temperature=columns("air F", "degF"),
    )
    found = read_logs([log(path), below])
    kept = np.delete(np.arange(20), [4, 7])
    np.testing.assert_allclose(found.range.range_m, 1.5 + kept % 7 / 100, rtol=1e-15)
    np.testing.assert_allclose(found.range.time_s, 0.05 * kept, rtol=0, atol=1e-15)
    np.testing.assert_allclose(found.range.air_temperature_c, 20.0, rtol=0, atol=1e-12)
    assert "range: 1 reading of 0 or less left out" in found.remarks


def test_a_range_written_at_the_rate_of_the_gyro_counts_when_it_changes(tmp_path):
    readings = np.repeat(1.5 + 0.001 * np.arange(20), 25)  # 20 Hz in rows at 500 Hz
    path, _ = table(tmp_path, d=readings)
    found = read_logs([log(path, range=columns("d", "m"))])
    np.testing.assert_allclose(found.range.time_s, 0.05 * np.arange(20), rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.range.range_m, 1.5 + 0.001 * np.arange(20), rtol=1e-15)
    assert any("480 repetitions of the last reading left out" in remark for remark in found.remarks)


def test_stamps_since_1970_start_again_on_a_whole_second(tmp_path):
    start = 1_780_000_000_500_000_000
    path, _ = table(tmp_path, t=start + 2_000_000 * np.arange(500))
    found = read_logs([log(path, time="ns")])
    assert found.time_zero_ns == 1_780_000_000_000_000_000
    np.testing.assert_allclose(found.gyro.time_s, 0.5 + 0.002 * np.arange(500), rtol=0, atol=1e-12)


def test_a_wrapped_counter_is_carried_on_and_told(tmp_path):
    path, _ = table(tmp_path, t=(2**32 - 300_000 + 2000 * np.arange(500)) % 2**32)
    found = read_logs([log(path)])
    np.testing.assert_allclose(np.diff(found.gyro.time_s), 0.002, rtol=0, atol=1e-9)
    assert "log.csv: t is a 32-bit microsecond counter that wrapped around; carried on" in found.remarks


def refused(tmp_path, problem, log):
    with pytest.raises(DataError, match=problem) as caught:
        read_logs([log])
    assert "\n" not in str(caught.value)


def test_deg_read_as_rad_is_refused_with_the_unit_that_fits(tmp_path):
    path, _ = table(tmp_path, scale=20.0)
    refused(tmp_path, r"log.csv: gx: turns at 3.* rad/s RMS .* is it --map gyro=gx,gy,gz:deg/s\?", log(path))


def test_rad_read_as_mdeg_is_refused(tmp_path):
    path, _ = table(tmp_path)
    refused(tmp_path, r"turns at .* when read in mdeg/s.*is it --map gyro=gx,gy,gz:rad/s", log(path, gyro="mdeg/s"))


def test_g_read_as_m_s2_is_refused_with_the_unit_that_fits(tmp_path):
    path, frame = table(tmp_path)
    frame[["ax", "ay", "az"]] /= constants.g
    frame.to_csv(path, index=False)
    refused(tmp_path, r"ax: reads 1 m/s\^2 \(median\) in m/s\^2.* is it --map accel=ax,ay,az:g\?", log(path))


def test_gravity_from_below_is_refused_with_the_axes_that_fit(tmp_path):
    path, frame = table(tmp_path)
    frame[["ay", "az", "gy", "gz"]] *= -1
    frame.to_csv(path, index=False)
    expected = (
        r"at rest reads \(.*, .*, \+9.8\) m/s\^2; level it should read about -9.8 on z: by gravity down is the log's -z;"
        r" which of the others is forward is not observable: confirm it with --axes 'x=x y=-y z=-z' \(x forward\),"
        r" the nominal guess"
    )
    refused(tmp_path, expected, log(path))
    assert read_logs([log(path, axes="x=x y=-y z=-z")]).gyro.accel_m_s2[:, 2].mean() == pytest.approx(-9.8, abs=0.05)


@pytest.mark.parametrize("force", [[0, 0, -9.8], [0, 0, 9.8], [9.8, 0, 0], [-9.8, 0, 0], [0, 9.8, 0], [0, -9.8, 0]])
def test_axes_by_gravity_put_it_on_minus_z(force):
    from flow.intake.axes import R_body_log

    choices = axes_by_gravity(np.array(force, float))
    ahead = []
    for name, axes in choices.items():
        R = R_body_log(axes)  # a rotation: it refuses mirror images
        np.testing.assert_allclose(R @ force, [0, 0, -9.8], atol=1e-12)
        sign, axis = (-1.0, name[1]) if name[0] == "-" else (1.0, name[0])
        np.testing.assert_array_equal(R.T @ [1.0, 0.0, 0.0], sign * np.eye(3)["xyz".index(axis)])
        ahead.append(tuple(R.T @ [1.0, 0.0, 0.0]))
    assert len(set(ahead)) == 4  # every heading that gravity leaves open


def test_gravity_between_the_axes_proposes_none() -> None:
    assert "lies between its axes" in by_gravity(np.array([[5.66, 5.66, -5.66]]))


def test_columns_of_constants_are_refused(tmp_path):
    path, _ = table(tmp_path, gy=0.0)
    refused(
        tmp_path, r"log.csv: gy: never changes from 0: not connected\? say other columns with --map gyro=", log(path)
    )
    path, _ = table(tmp_path, d=1.5)
    leave = r"d: never changes from 1.5.* or leave it out with --map range=none"
    refused(tmp_path, leave, log(path, range=columns("d", "m")))


def test_logs_that_never_overlap_are_refused_with_both_spans(tmp_path):
    path, _ = table(tmp_path)
    pd.DataFrame({"t": 100 + 0.05 * np.arange(20), "d": 1 + 0.01 * np.arange(20)}).to_csv(
        tmp_path / "d.csv", index=False
    )
    below = LogFile(file=tmp_path / "d.csv", time=columns("t", "s"), range=columns("d", "m"))
    with pytest.raises(DataError, match=r"range covers 100.000 to 100.950 s, gyro 0.000 to 0.998 s .*never overlap"):
        read_logs([log(path), below])


def test_time_in_mixed_units_is_refused(tmp_path):
    seconds = np.concatenate([0.002 * np.arange(250), 2.0 * np.arange(250, 500)])
    path, _ = table(tmp_path, t=seconds)
    refused(tmp_path, r"log.csv:252: t: time changes its unit", log(path, time="s"))


def test_a_column_that_is_not_there_is_named_with_those_that_are(tmp_path):
    path, _ = table(tmp_path)
    missing = LogFile(file=path, time=columns("t", "us"), gyro=columns("gx,gy,wz", "rad/s"))
    refused(tmp_path, r"log.csv:1: wz: no such column; there are t, gx, gy, gz, ax, ay, az", missing)


def test_a_log_without_gyro_is_refused(tmp_path):
    path, _ = table(tmp_path, d=1 + 0.001 * np.arange(500))
    refused(tmp_path, "no gyro in log.csv", LogFile(file=path, time=columns("t", "us"), range=columns("d", "m")))


def test_cells_that_are_not_finite_are_refused(tmp_path):
    gx = np.random.default_rng(1).normal(0, 0.3, 500)
    gx[40] = np.inf
    path, _ = table(tmp_path, gx=gx)
    refused(tmp_path, r"log.csv:42: gx: inf is not a finite number", log(path))
