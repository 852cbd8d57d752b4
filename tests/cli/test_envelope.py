"""``groundpace envelope`` from a module file to words, JSON, CSV and a page."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from flow.module import write_module
from flow.scene import preset_module


@pytest.fixture
def module(tmp_path: Path) -> str:
    path = tmp_path / "fern-03.yaml"
    write_module(path, preset_module().model_copy(update={"name": "fern-03"}))
    return str(path)


def run(module: str, *arguments: str) -> Result:
    return CliRunner().invoke(main, ["envelope", "--module", module, *arguments])


def test_tables_for_people(module: str) -> None:
    result = run(module, "--heights", "1,0.5")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert "\x1b" not in result.stdout and max(map(len, lines)) <= 80
    # GSD by hand: 0.48 m and 0.98 m (the camera is 2 cm below the origin) over f, mm.
    focal = preset_module().camera.fx_px
    rows = [line.split() for line in lines if line.strip().startswith(("0.5 ", "1 "))]
    assert [row[0] for row in rows] == ["0.5", "1", "0.5", "1"]
    assert [float(row[1]) for row in rows[:2]] == pytest.approx([480 / focal, 980 / focal], abs=0.006)
    assert "up to 0.02 px a frame" in result.stderr  # a unit that readers know, no thousandths of one
    assert "At 60 frames/s" in result.stderr and "grey levels/px" in result.stderr


def test_json_tells_every_cause(module: str) -> None:
    result = run(module, "--heights", "2", "--try", "fx_px=400", "--fps", "30", "--rocking", "5", "--json")
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["module"] == "fern-03"
    assert found["conditions"]["frame_rate_hz"] == 30.0
    assert found["flying"]["rocking_rad"] == pytest.approx(math.radians(5))
    names = [variant["name"] for variant in found["variants"]]
    assert names == ["as it is", "fx_px=400"]
    wide, narrow = (variant["heights"][0] for variant in found["variants"])
    # A longer lens sees finer and less ground, in proportion.
    focal = preset_module().camera.fx_px
    assert narrow["sample_forward_m"] / wide["sample_forward_m"] == pytest.approx(focal / 400, rel=1e-9)
    assert narrow["followed_m_s"] < wide["followed_m_s"]
    causes = [cause["forward_m_s"] for cause in wide["hover_causes"]]
    assert math.hypot(*causes) == pytest.approx(wide["hover_forward_sigma_m_s"], rel=1e-9)


def test_variants_stand_side_by_side(module: str) -> None:
    result = run(module, "--heights", "1,4", "--try", "fx_px=400", "--try", "fps=90,exposure=0.001")
    assert result.exit_code == 0, result.output
    first = result.stdout.splitlines()[2:5]
    assert first[0].strip().startswith("1  as it is")
    assert first[1].strip().startswith("fx_px=400")
    assert first[2].strip().startswith("fps=90, exposure=0.001")
    assert "…" not in result.stdout


def test_page_and_table_are_written(module: str, tmp_path: Path) -> None:
    out = tmp_path / "made"
    result = run(module, "--output", str(out), "--try", "fps=90")
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in out.iterdir()) == ["envelope.csv", "envelope.html"]
    rows = list(csv.DictReader((out / "envelope.csv").read_text().splitlines()))
    assert [row["variant"] for row in rows] == ["as it is"] * 6 + ["fps=90"] * 6
    page = (out / "envelope.html").read_text()
    assert "What fern-03 can measure" in page
    assert page.count("plotly.js (basic") == 1 and 'src="http' not in page
    charts = [json.loads(part.split("</script>")[0]) for part in page.split('<script type="application/json">')[1:]]
    assert len(charts) == 4
    followed = charts[0]["data"][0]
    assert followed["x"] == [0.3, 0.5, 1.0, 2.0, 4.0, 8.0]
    assert followed["y"][2] == pytest.approx(float(rows[2]["fastest_m_s"]), rel=1e-5)
    assert "written:" in result.stderr and "written:" not in result.stdout


def test_a_height_beyond_the_sensor_is_said_not_guessed(module: str, tmp_path: Path) -> None:
    result = run(module, "--heights", "12", "--json", "--output", str(tmp_path / "made"))
    assert result.exit_code == 0, result.output
    only = json.loads(result.stdout)["variants"][0]["heights"][0]
    assert only["hover_forward_sigma_m_s"] is None and "range sensor" in only["hover_limit"]
    assert only["hover_causes"] == []
    assert (tmp_path / "made" / "envelope.html").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--try", "fx=400"), "no such key"),
        (("--try", "fps"), "key=number"),
        (("--heights", "one"), "metres"),
        (("--heights", "0.001"), "expected heights from 0.05 to 100 m"),
        (("--fps", "0"), "--fps"),
    ],
)
def test_wrong_usage(module: str, tmp_path: Path, arguments: tuple[str, ...], words: str) -> None:
    result = run(module, *arguments, "--output", str(tmp_path / "made"))
    assert result.exit_code == 2
    assert words in result.stderr and result.stdout == ""
    assert not (tmp_path / "made").exists()


def test_a_missing_module_is_one_line(tmp_path: Path) -> None:
    result = run(str(tmp_path / "none.yaml"))
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1 and "none.yaml" in result.stderr


def test_a_camera_that_does_not_look_down_says_so(tmp_path: Path) -> None:
    # Mounted looking forward: the axis along body x.
    module = preset_module()
    ahead = module.alignment.model_copy(update={"camera_to_body_wxyz": (0.5, 0.5, 0.5, 0.5)})
    path = tmp_path / "ahead.yaml"
    write_module(path, module.model_copy(update={"alignment": ahead}))
    result = run(str(path), "--heights", "1")
    assert result.exit_code == 0, result.output
    assert "straight down" in result.stdout
