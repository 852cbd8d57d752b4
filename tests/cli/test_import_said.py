"""``groundpace import``: what a person says is taken, what is left open or left out is told, before the work."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from ruamel.yaml import YAML

from cli.main import main
from flow.video import Video
from tests.cli.test_import import MODULE, SAMPLE, run


def log_of_the_sample(folder: Path, *, zero_s: float = 0.0, **columns: object) -> Path:
    """Write the sample's gyro as a log in its own axes, with more columns."""
    gyro, heights = pd.read_csv(SAMPLE / "gyro.csv"), pd.read_csv(SAMPLE / "range.csv")
    log = pd.DataFrame({"timestamp": gyro["time_s"] + zero_s})
    for ours, theirs in (("gyro", "g"), ("accel", "a")):
        for axis in "xyz":
            unit = "rad_s" if ours == "gyro" else "m_s2"
            log[f"{theirs}{axis}"] = gyro[f"{ours}_{axis}_{unit}"]
    metres = np.interp(gyro["time_s"], heights["time_s"], heights["range_m"])
    for name, factor in (("dist_ft", 0.3048), ("dist_in", 0.0254)):
        if name in columns:
            log[name] = metres / factor
    for name in columns.keys() - {"dist_ft", "dist_in"}:
        log[name] = columns[name]
    path = folder / "log.csv"
    log.to_csv(path, index=False, float_format="%.6f")
    return path


IN_SI = ("--map", "time=timestamp:s", "--map", "gyro=gx,gy,gz:rad/s", "--map", "accel=ax,ay,az:m/s^2")


def test_a_clock_of_zero_is_a_clock(tmp_path: Path) -> None:
    """0 s is an offset that was said: no lens is needed, nothing is searched, frame times stay to the digit."""
    given = (*IN_SI, "--axes", "x=x y=y z=z", "--clock", "0", "--yes", "--output", tmp_path / "r")
    result = run(SAMPLE / "video.mp4", log_of_the_sample(tmp_path), *given)
    assert result.exit_code == 0, result.output
    assert "second best offset" not in result.stderr
    frames = pd.read_csv(tmp_path / "r" / "frames.csv")
    np.testing.assert_allclose(frames["time_s"], Video(SAMPLE / "video.mp4").times_s, rtol=0, atol=1e-9)
    assert YAML(typ="safe").load((tmp_path / "r" / "import.yaml").read_text())["clock"] == 0.0
    again = run("--mapping", tmp_path / "r" / "import.yaml", "--output", tmp_path / "again")
    assert again.exit_code == 0, again.output
    assert (tmp_path / "again" / "frames.csv").read_bytes() == (tmp_path / "r" / "frames.csv").read_bytes()


def test_a_taken_folder_is_refused_before_the_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def searched(*_: object, **__: object) -> None:
        raise AssertionError("the clock was searched first")

    monkeypatch.setattr("flow.intake.gather.match_clocks", searched)
    (tmp_path / "r").mkdir()
    (tmp_path / "r" / "notes.txt").write_text("mine")
    given = (
        SAMPLE / "video.mp4",
        log_of_the_sample(tmp_path),
        *IN_SI,
        "--module",
        MODULE,
        "--yes",
        "--output",
        tmp_path / "r",
    )
    for forced, says in (((), "is not empty"), (("--force",), "holds notes.txt")):
        result = run(*given, *forced)
        assert result.exit_code == 1 and says in result.stderr
        assert "proposed mapping" not in result.stderr  # nor is anybody asked in vain


def test_columns_that_are_left_out_are_named(tmp_path: Path) -> None:
    log = log_of_the_sample(tmp_path, dist_ft=True, baro_hpa=1013.2, mag_x=0.2)
    given = (*IN_SI, "--axes", "x=x y=y z=z", "--clock", "0")
    shown = run(SAMPLE / "video.mp4", log, *given, "--output", tmp_path / "n", typed="n\n").stderr
    (said,) = (line for line in shown.splitlines() if "columns left out" in line)
    assert {"baro_hpa", "mag_x"} == set(said.split(": ")[1].split(", "))
    assert run(SAMPLE / "video.mp4", log, *given, "--yes", "--output", tmp_path / "r").exit_code == 0
    again = run("--mapping", tmp_path / "r" / "import.yaml", "--output", tmp_path / "again")
    assert "baro_hpa" in again.stderr and "mag_x" in again.stderr


def test_the_preview_tells_different_times_apart(tmp_path: Path) -> None:
    """Stamps of 2025 two milliseconds apart, to the microsecond, shown as the recording will hold them."""
    log = log_of_the_sample(tmp_path, zero_s=1.7642e9 + 0.25, dist_ft=True)
    shown = run(SAMPLE / "video.mp4", log, *IN_SI, "--output", tmp_path / "n", typed="n\n").stderr.splitlines()
    at = next(k for k, line in enumerate(shown) if line.split()[:1] == ["time_s"])
    seconds = [float(line.split()[0]) for line in shown[at + 1 : at + 4]]
    np.testing.assert_allclose(seconds, [0.25, 0.252, 0.254], rtol=0, atol=2.4e-7)  # a double of 1.8e9 s holds no more


@pytest.mark.parametrize("unit", ["ft", "in"])
def test_feet_and_inches(unit: str, tmp_path: Path) -> None:
    """0.3048 m and 0.0254 m by the agreement of 1959; the log's six decimals leave 2e-7 m."""
    log = log_of_the_sample(tmp_path, **{f"dist_{unit}": True})
    given = (*IN_SI, "--axes", "x=x y=y z=z", "--clock", "0", "--yes", "--output", tmp_path / "r")
    result = run(SAMPLE / "video.mp4", log, *given)
    assert result.exit_code == 0, result.output
    ours, original = pd.read_csv(tmp_path / "r" / "range.csv"), pd.read_csv(SAMPLE / "range.csv")
    expected = np.interp(ours["time_s"], original["time_s"], original["range_m"])
    np.testing.assert_allclose(ours["range_m"], expected, rtol=0, atol=3e-7)
    assert re.search(rf"\b{unit}\b,? ", CliRunner().invoke(main, ["import", "--help"]).stdout.split("Units:")[1])


def test_gravity_proposes_no_heading_as_known(tmp_path: Path) -> None:
    """The sample's own axes: down is z; every heading about it reads the same, so a person has to say which."""
    given = (SAMPLE / "video.mp4", log_of_the_sample(tmp_path), *IN_SI, "--clock", "0", "--yes")
    unsaid = run(*given, "--output", tmp_path / "n")
    assert unsaid.exit_code == 1
    upside_down = run(*given, "--axes", "x=x y=-y z=-z", "--output", tmp_path / "n")
    for result in (unsaid, upside_down):
        assert result.exit_code == 1
        said = result.stderr.splitlines()[-1]
        assert "by gravity down is the log's z; which of the others is forward is not observable" in said
        assert "--axes 'x=x y=y z=z' (x forward), the nominal guess" in said and "'x=y y=-x z=z' (y forward)" in said
    assert not (tmp_path / "n").exists()
    confirmed = run(*given, "--axes", "x=x y=y z=z", "--output", tmp_path / "r")
    assert confirmed.exit_code == 0
    assert "gravity agrees with its down, which way is forward was not compared with the video" in confirmed.stdout
