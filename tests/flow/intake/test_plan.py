"""Sources sorted into a plan, and mapping files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from flow.errors import DataError
from flow.intake.logs import read_logs
from flow.intake.mapping import ImportPlan, part_from_text, part_text, read_mapping
from flow.intake.plan import Said, make_plan, sample


@pytest.fixture
def phone(tmp_path, monkeypatch) -> Path:
    """Gyro and accelerometer in files of their own, at their own times, under the same column names."""
    rng = np.random.default_rng(1)
    t = np.arange(0, 4, 0.01)
    rates = np.column_stack([t, rng.normal(0, 0.3, (len(t), 3))])
    force_s = np.arange(0.003, 3.99, 0.02)
    force = np.column_stack([force_s, np.sin(force_s), np.cos(force_s), -9.8 + 0.1 * force_s])
    monkeypatch.chdir(tmp_path)
    for name, rows in (("Gyroscope.csv", rates), ("Accelerometer.csv", force)):
        np.savetxt(name, rows, delimiter=",", header="seconds_elapsed,x,y,z", comments="", fmt="%.9f")
    return tmp_path


def said(*texts, **more):
    return Said(parts=[part_from_text(text) for text in texts], **more)


def test_the_same_names_in_two_files_are_told_apart(phone):
    logs = [Path("Gyroscope.csv"), Path("Accelerometer.csv")]
    given = said("gyro@Gyroscope.csv=x,y,z:rad/s", "accel@Accelerometer.csv=x,y,z:m/s^2", axes="x=x y=y z=z")
    plan, proposals = make_plan(logs, None, given)
    assert [part_text(part, held) for part, held in plan.logs[0].parts.items()] == [
        "time=seconds_elapsed:s",
        "gyro=x,y,z:rad/s",
    ]
    assert len(proposals) == 2  # the time is a proposal
    found = read_logs(plan.logs)
    inside = (found.gyro.time_s >= 0.003) & (found.gyro.time_s <= 3.983)
    t, accel = found.gyro.time_s[inside], found.gyro.accel_m_s2[inside]
    # Straight lines between samples 20 ms apart leave h^2 / 8 of the second derivative: 5e-5 of a sine.
    np.testing.assert_allclose(accel, np.column_stack([np.sin(t), np.cos(t), -9.8 + 0.1 * t]), rtol=0, atol=6e-5)
    assert np.isnan(found.gyro.accel_m_s2[~inside]).all()
    assert "accel: interpolated at the times of the gyro" in found.remarks


def test_a_gyro_in_two_files_is_refused_with_what_to_type(phone):
    given = said("gyro=x,y,z:rad/s", axes="x=x y=y z=z")
    plan, _ = make_plan([Path("Gyroscope.csv"), Path("Accelerometer.csv")], None, given)
    with pytest.raises(
        DataError, match=r"Accelerometer.csv: .*(turns at|gyro: Gyroscope.csv has it too; .* gyro@Accelero)"
    ):
        read_logs(plan.logs)


def test_a_file_that_is_not_there_is_named(phone):
    with pytest.raises(DataError, match=r"gyro@Gyro.csv: no log is called Gyro.csv \(Gyroscope.csv\)"):
        make_plan([Path("Gyroscope.csv")], None, said("gyro=x,y,z:rad/s", "gyro@Gyro.csv=x,y,z:rad/s"))


def test_rows_are_shown_as_logged_and_as_stored(phone):
    given = said("gyro=x,-y,z:deg/s", axes="x=y y=-x z=z")
    plan, _ = make_plan([Path("Gyroscope.csv")], None, given)
    shown = sample(plan.logs[0])
    assert len(shown.logged) == len(shown.stored) == 3
    t, x, y, z = (float(cell) for cell in shown.logged[1])
    stored = [float(cell) for cell in shown.stored[1]]
    np.testing.assert_allclose(stored, [t, *np.radians([-y, -x, z])], rtol=0, atol=5e-10)  # nine decimals


def kept(tmp_path, text):
    path = tmp_path / "kept.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_mapping_by_hand_is_read_with_paths_beside_it(tmp_path):
    text = """
frames: {video: clips/a.mp4, rate_hz: 59.94}
logs:
- file: a.csv
  time: {columns: [t], unit: ms}
  gyro: {columns: [gx, gy, gz], unit: deg/s}
  axes: x=y y=-x z=z
clock: 12.5
"""
    plan = read_mapping(kept(tmp_path, text))
    assert plan.frames.video == tmp_path / "clips/a.mp4"
    assert plan.logs[0].file == tmp_path / "a.csv"
    assert plan.clock == 12.5
    assert ImportPlan.model_validate(plan.tree()) == plan


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("logs: [", "is not YAML"),
        ("just words", "expected sections such as"),
        ("log: []", "kept.yaml: log: unknown key; did you mean logs"),
        ("logs: [{file: a.csv, time: {columns: [t], unit: fortnight}}]", "time: 'fortnight' is no unit of time"),
        (
            "logs: [{file: a.csv, time: {columns: [t], unit: s}, gyro: {columns: [a], unit: g}}]",
            "gyro: 3 columns expected",
        ),
        ("logs: [{file: a.csv, time: {columns: [t], unit: s}, axes: 'x=y y=x z=z'}]", "axes: .* mirror image"),
        ("frames: {video: a.mp4, pictures: b}", "frames: name either a video or a folder of images"),
        ("clock: soon", "kept.yaml: clock: search, same or a number of seconds is expected"),
        ("frames: {video: a.mp4, rate_hz: -30}", "frames.rate_hz: should be greater than 0"),
    ],
)
def test_a_mapping_that_cannot_be_is_refused_by_its_key(tmp_path, text, says):
    with pytest.raises(DataError, match=says) as caught:
        read_mapping(kept(tmp_path, text))
    assert "\n" not in str(caught.value)
    assert "kept.yaml" in str(caught.value)
