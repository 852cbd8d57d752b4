"""``groundpace check`` from the outside: table, JSON, exit codes, one line for what cannot be read."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from cli.main import main
from tests.cli.short_flight import ROOT, held

SAMPLE = ROOT / "sample_video" / "flight"


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["check", *arguments])


@pytest.fixture(scope="module")
def flipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the sample flight with the sign of the gyro's x axis turned (its bias of 8 mrad/s included)."""
    folder = tmp_path_factory.mktemp("flipped") / "flight"
    shutil.copytree(SAMPLE, folder)
    table = pd.read_csv(folder / "gyro.csv")
    table["gyro_x_rad_s"] *= -1
    table.to_csv(folder / "gyro.csv", index=False)
    return folder


def test_the_sample_flight_is_fit() -> None:
    before = held(SAMPLE)
    result = run(str(SAMPLE))
    assert result.exit_code == 0, result.output
    assert "fit to be measured, nothing found" in result.stdout
    assert "clock offset, ms" in result.stdout
    assert result.stderr == ""
    assert held(SAMPLE) == before


def test_a_wrong_sign_is_said_loudly(flipped: Path) -> None:
    result = run(str(flipped), "--json")
    assert result.exit_code == 1
    found = json.loads(result.stdout)
    assert found["fit"] is False
    worst = found["findings"][0]
    assert (worst["severity"], worst["topic"], worst["when_s"]) == ("stop", "gyro", None)
    assert worst["what"].startswith("GYRO AXES: x reads -x.")
    assert set(worst) == {"severity", "topic", "figure", "what", "when_s", "effect", "remedy"}
    shown = {estimate["quantity"]: estimate for estimate in found["estimates"]}
    assert (
        abs(shown["clock offset"]["by_flight"] - 0.006) < 3 * shown["clock offset"]["sigma"]
    )  # its other figures hold


def test_a_flight_too_short_to_tell_says_so(recording: Path) -> None:
    result = run(str(recording))
    assert result.exit_code == 0, result.output
    assert "not observable: clock offset, mounting" in result.stdout


def test_a_lens_cap_stops(recording: Path) -> None:
    """A module file of the wrong camera is refused before any work; a black video after it, with a table."""
    from tests.calib.fitness.memory_flight import black_video

    black_video(recording / "video.mp4")
    result = run(str(recording))
    assert result.exit_code == 1
    assert result.stderr == ""
    assert "STOP  picture" in result.stdout
    assert "lens cap" in result.stdout
    assert "not fit: 1 finding makes the speed log untrustworthy" in result.stdout


@pytest.mark.parametrize(
    ("file", "spoil", "message"),
    [
        (
            "gyro.csv",
            "time_s,gyro_x_rad_s,gyro_y_rad_s,gyro_z_rad_s\n0,57,0,0\n1,0,0,0\n",
            "gyro.csv:2: gyro_x_rad_s: 57 rad/s",
        ),
        ("range.csv", "time_s,range_m\n0,-1\n1,1\n2,1\n", "range.csv:2: range_m: -1 m is negative"),
        ("module.yaml", "camera: 3\n", "module.yaml"),
    ],
)
def test_what_cannot_be_read_is_told_in_one_line(recording: Path, file: str, spoil: str, message: str) -> None:
    (recording / file).write_text(spoil)
    for arguments in ((), ("--json",)):
        result = run(str(recording), *arguments)
        assert result.exit_code == 1
        assert result.stdout == ""
        assert message in result.stderr
        assert result.stderr.count("\n") == 1


def test_wrong_usage() -> None:
    assert run().exit_code == 2
    assert run(str(SAMPLE), "--loud").exit_code == 2
    assert run("nowhere").exit_code == 1
