"""The README's "a new module in ten minutes", as written, on the samples."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from cli.main import main
from flow.accuracy.comparison import compare
from flow.module import read_module
from flow.series import read_truth
from flow.speedlog import read_speed_columns

ROOT = Path(__file__).parents[2]


def test_the_walk_through_runs_as_written_and_ends_with_a_module_as_good_as_the_true_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(ROOT / "sample_video", tmp_path / "sample_video")
    monkeypatch.chdir(tmp_path)
    section = (ROOT / "README.md").read_text(encoding="utf-8").split("## A new module in ten minutes")[1]
    commands = re.search(r"```sh\n(.*?)\n```", section, flags=re.DOTALL)
    assert commands is not None
    for command in commands[1].splitlines():
        result = CliRunner().invoke(main, shlex.split(command)[1:])
        assert result.exit_code == 0, f"{command}\n{result.output}"
    found, true = read_module("fern-03.yaml"), read_module("sample_video/flight/module.yaml")
    # Exact synthetic truth; three of the module's own sigmas, so that a chance miss is rare.
    assert abs(found.camera.fx_px - true.camera.fx_px) < 3 * found.camera.focal_sigma[0] * true.camera.fx_px
    off = (found.alignment.R_body_camera * true.alignment.R_body_camera.inv()).as_rotvec()
    assert (abs(off) < 3.5 * found.alignment.rotation_sigma_rad).all()
    assert abs(found.alignment.time_offset_s - true.alignment.time_offset_s) < 3.5 * found.alignment.sigma.time_offset_s
    # Measured with the calibrated module, the flight's scale is right within what was calibrated: range 0.07 %, lens
    # 0.03 % and the comparison's own 0.02 % make 0.3 % four sigma; H.264 leaves some 4 mm/s in a row.
    log = read_speed_columns("flight-fern-03/speed.csv")
    against = compare(log, read_truth("sample_video/flight/truth.csv"))
    assert against.forward.scale_error is not None
    assert abs(against.forward.scale_error) < 0.003
    assert against.forward.rms_m_s < 0.008


def test_the_samples_table_runs_from_top_to_bottom_as_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(ROOT / "sample_video", tmp_path / "sample_video")
    monkeypatch.chdir(tmp_path)
    text = (tmp_path / "sample_video" / "README.md").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line.startswith("| `")]
    assert [row.split("`")[1] for row in rows] == ["board", "bench", "hand-turned", "flight"]
    commands = [command for row in rows for command in re.findall(r"`(groundpace [^`]+)`", row)]
    assert len(commands) >= 6
    for command in commands:
        result = CliRunner().invoke(main, shlex.split(command)[1:])
        assert result.exit_code == 0, f"{command}\n{result.output}"
    # Measured with the module that the rows above made: 0.4 % are three sigma of range (0.11 %), lens and comparison.
    against = compare(read_speed_columns("flight-speed/speed.csv"), read_truth("sample_video/flight/truth.csv"))
    assert against.forward.scale_error is not None
    assert abs(against.forward.scale_error) < 0.004
