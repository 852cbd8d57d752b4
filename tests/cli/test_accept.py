"""``groundpace accept`` from files to words and exit codes."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from ruamel.yaml import YAML

from calib.limits import Limits, read_limits
from cli.main import main
from tests.calib.test_acceptance import SECTIONS


def write(path: Path, **changed: dict[str, Any] | None) -> str:
    """Write the good module of the library's tests with some keys replaced; a section given as None goes."""
    tree = copy.deepcopy(SECTIONS)
    for section, keys in changed.items():
        if keys is None:
            del tree[section]
        else:
            tree[section].update(keys)
    YAML(typ="safe").dump(tree, path)
    return str(path)


def run(*arguments: str) -> Any:
    return CliRunner().invoke(main, ["accept", *arguments])


def test_a_good_module_passes_with_cautions_once(tmp_path: Path) -> None:
    result = run("--module", write(tmp_path / "m.yaml"))
    assert result.exit_code == 0, result.output
    assert "fern-03 passes all" in result.stdout
    assert "FAIL" not in result.stdout
    assert result.stderr.count("propellers off") == 1
    # Hover at 2 m, pitch: noise 2e-4 sqrt(30) 2 m = 2.2 mm/s, the largest cell of its column.
    row = next(line for line in result.stdout.splitlines() if line.startswith("  gyro noise"))
    assert row.split()[-2] == "2.2"


def test_a_failing_module_is_exit_1_with_number_limit_and_remedy(tmp_path: Path) -> None:
    result = run("--module", write(tmp_path / "m.yaml", gyro={"bias_rad_s": [0.0, -0.2, 0.0]}))
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("FAIL"))
    assert lines[at].split() == ["FAIL", "gyro", "largest", "bias", "200", "mrad/s,", "limit", "100"]
    assert "remedy  groundpace calibrate gyro" in lines[at + 2]
    assert "fern-03 fails 1 of" in result.stdout


def test_a_section_never_calibrated_fails_with_the_command(tmp_path: Path) -> None:
    result = run("--module", write(tmp_path / "m.yaml", alignment=None, camera=None))
    assert result.exit_code == 1
    assert "remedy  groundpace calibrate lens" in result.stdout
    assert "remedy  groundpace calibrate alignment" in result.stdout


def test_what_moved_since_the_old_file(tmp_path: Path) -> None:
    old = write(tmp_path / "old.yaml")
    new = write(tmp_path / "new.yaml", range={"offset_m": 0.03})
    result = run("--module", new, "--against", old)
    assert result.exit_code == 0  # what moved is asked about, not failed
    assert "look  range      offset: +50 mm, 11.8 sigma" in result.stdout  # 50 / (3 sqrt 2)
    assert "does the sensor sit higher or lower?" in result.stdout
    assert "look  gyro       section: the same values, not calibrated again" in result.stdout


def test_json_is_all_there_is_on_standard_output(tmp_path: Path) -> None:
    new = write(tmp_path / "new.yaml", range={"noise_m": 0.06})
    result = run("--module", new, "--against", write(tmp_path / "old.yaml"), "--json")
    assert result.exit_code == 1
    found = json.loads(result.stdout)
    assert found["passed"] is False and found["module"] == "fern-03"
    failed = [c for c in found["checks"] if not c["passed"]]
    assert failed[0]["quantity"] == "noise of a reading" and failed[0]["value"] == pytest.approx(60)
    cruise = next(e for e in found["speed_errors"] if e["height_m"] == 1.0 and "cruise" in e["flight"])
    # 60 mm of noise, 1 mm of scale (2e-3) and 3 mm of offset at 1 m, times 2 m/s.
    assert cruise["parts_m_s"]["range"] == pytest.approx(2 * (0.002**2 + 0.003**2) ** 0.5)
    assert cruise["parts_m_s"]["height"] == pytest.approx(2 * 0.06)
    assert {c["section"] for c in found["changes"]} == {"camera", "alignment", "gyro", "range"}


def test_own_limits_and_the_file_to_start_from(tmp_path: Path) -> None:
    shown = run("--show-limits")
    assert shown.exit_code == 0
    path = tmp_path / "limits.yaml"
    path.write_text(shown.stdout)
    assert read_limits(path) == Limits()
    path.write_text(shown.stdout.replace("range_noise_m: 0.05 ", "range_noise_m: 0.004 "))
    result = run("--module", write(tmp_path / "m.yaml"), "--limits", str(path))
    assert result.exit_code == 1
    assert "noise of a reading" in next(x for x in result.stdout.splitlines() if x.startswith("FAIL"))


@pytest.mark.parametrize("option", ["--module", "--against", "--limits"])
def test_a_missing_file_is_named(tmp_path: Path, option: str) -> None:
    arguments = {"--module": write(tmp_path / "m.yaml")} | {option: str(tmp_path / "gone.yaml")}
    result = run(*(word for pair in arguments.items() for word in pair))
    assert result.exit_code == 1
    assert "gone.yaml" in result.stderr and result.stderr.count("\n") == 1
    assert result.stdout == ""


def test_no_module_is_wrong_usage() -> None:
    assert run().exit_code == 2
