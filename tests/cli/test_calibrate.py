"""``groundpace calibrate``: what goes into the module file, what stays, and the report."""

from __future__ import annotations

import hashlib
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from calib.boards import parse_board
from cli.main import main
from cli.page.report import Chart
from flow.module import read_partial_module
from tests.calib.board_scenes import PINHOLE, Renderer, random_pose
from tests.calib.rest_log import simulate, write_gyro
from tests.calib.test_ranging import readings, table

BEFORE = """\
# spare module of the greenhouse craft
name: fern-03
range:
  beam: wide     # ultrasonic
  position_m: [0.0, 0.02, 0.01]
  scale: 1.5
  sigma:
    position_m: [0.001, 0.001, 0.001]
gyro:
  bias_rad_s: [0.008, -0.012, 0.005]   # from the last bench
"""


@pytest.fixture
def taped(tmp_path: Path) -> Path:
    return table(tmp_path / "taped.csv", readings(np.random.default_rng(3), strays=0.1))


@pytest.fixture
def at_rest(tmp_path: Path) -> Path:
    rng = np.random.default_rng(8)
    rate = np.column_stack([simulate(rng, 4000, 0.02, n=1e-4)[0] + b for b in (0.01, -0.02, 0.0)])
    return write_gyro(tmp_path / "gyro.csv", rate, 0.02)


@pytest.fixture
def module(tmp_path: Path) -> Path:
    path = tmp_path / "fern-03.yaml"
    path.write_text(BEFORE)
    return path


def run(*arguments: object) -> Any:
    return CliRunner().invoke(main, ["calibrate", *map(str, arguments)])


class Parts(HTMLParser):
    """Elements that could reach out to the network, and the scripts."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.reaching: list[str] = []
        self.kinds: list[str | None] = []
        self.figures: list[Any] = []
        self.words = ""
        self._kind: str | None = None
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: D102
        given = dict(attrs)
        where = given.get("src") or given.get("href") or ""
        if where and not where.startswith("data:"):
            self.reaching.append(where)
        self._kind = tag
        if tag == "script":
            self._kind = given.get("type") or "script"
            self.kinds.append(self._kind)

    def handle_data(self, data: str) -> None:  # noqa: D102
        if self._kind == "application/json" and data.strip():
            self.figures.append(json.loads(data))
        elif self._kind not in ("script", "style"):
            self.words += data


def test_range_rewrites_its_section_and_nothing_else(taped: Path, module: Path) -> None:
    result = run("range", taped, "--module", module)
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    text = module.read_text()
    assert text.startswith("# spare module of the greenhouse craft\n")
    assert "beam: wide     # ultrasonic" in text
    assert "bias_rad_s: [0.008, -0.012, 0.005]   # from the last bench" in text
    found = read_partial_module(module)
    assert found.range.scale == pytest.approx(1.012, abs=4 * found.range.sigma.scale)
    assert found.range.sigma.position_m == (0.001, 0.001, 0.001)  # the rule's, not the table's
    assert found.range.provenance["sha256"] == hashlib.sha256(taped.read_bytes()).hexdigest()
    assert found.range.provenance["source"] == "taped.csv"
    assert found.gyro.provenance == {} and found.camera is None


def test_words_say_value_sigma_and_meaning(taped: Path, module: Path) -> None:
    said = run("range", taped, "--module", module).stdout
    scale = re.search(r"scale +(1\.\d+) ± (0\.\d+) +speed ± (\d\.\d+) % at every height", said)
    assert scale and float(scale[3]) == pytest.approx(100 * float(scale[2]) / float(scale[1]), abs=0.01)
    assert re.search(r"offset +-\d+\.\d\d ± 0\.\d\d mm|offset +-\d+\.\d ± \d\.\d mm", said)
    assert "written: range in" in said


def test_dry_run_shows_a_diff_and_writes_nothing(taped: Path, module: Path) -> None:
    result = run("range", taped, "--module", module, "--dry-run")
    assert result.exit_code == 0
    assert "-  scale: 1.5\n" in result.stdout
    assert re.search(r"^\+  scale: 1\.01", result.stdout, re.MULTILINE)
    assert module.read_text() == BEFORE
    assert sorted(path.name for path in module.parent.iterdir()) == ["fern-03.yaml", "taped.csv"]


def test_a_file_that_is_absent_is_begun(at_rest: Path, tmp_path: Path) -> None:
    path = tmp_path / "new" / "moss-01.yaml"
    result = run("gyro", at_rest, "--module", path)
    assert result.exit_code == 0, result.output
    found = read_partial_module(path)
    assert found.name == "moss-01"
    # The mean of 80 s of noise: 1e-4 / sqrt(80) = 1.1e-5; three sigma.
    assert found.gyro.bias_rad_s == pytest.approx((0.01, -0.02, 0.0), abs=4e-5)
    assert found.gyro.bias_instability_rad_s is not None
    assert (tmp_path / "new" / "moss-01-gyro.html").exists()


@pytest.mark.parametrize("command", ["range", "gyro"])
def test_nothing_is_written_when_the_data_cannot_serve(tmp_path: Path, module: Path, command: str) -> None:
    poor = tmp_path / "poor.csv"
    poor.write_text("reference_m,range_m\n0.5,0.5\n0.5,half\n" if command == "range" else "time_s\n0\n")
    result = run(command, poor, "--module", module)
    assert result.exit_code == 1
    assert "poor.csv" in result.stderr and result.stderr.count("\n") == 1
    assert module.read_text() == BEFORE
    assert sorted(path.name for path in tmp_path.iterdir()) == ["fern-03.yaml", "poor.csv"]


def test_a_broken_module_file_stops_before_the_work(taped: Path, module: Path) -> None:
    module.write_text("name: x\nrange: {scal: 1}\n")
    result = run("range", taped, "--module", module)
    assert result.exit_code == 1
    assert "scal" in result.stderr
    assert module.read_text() == "name: x\nrange: {scal: 1}\n"


def test_the_air_of_the_module_file_is_used(tmp_path: Path, module: Path) -> None:
    rows = [(h, r, 2.0) for h, r in readings(np.random.default_rng(3), noise=1e-4, tape=0)]
    path = table(tmp_path / "cold.csv", rows, "reference_m,range_m,air_temperature_c")
    module.write_text("name: m\nrange: {assumed_air_temperature_c: 20.0}\n")
    assert run("range", path, "--module", module).exit_code == 0
    found = read_partial_module(module).range
    # 1.012 at 20 degrees C; readings at 2 degrees C shrink by sqrt(275.15 / 293.15), so the scale grows.
    assert found.scale == pytest.approx(1.012 * (293.15 / 275.15) ** 0.5, abs=1e-3)
    assert found.assumed_air_temperature_c == 20.0


def test_the_air_of_the_bench_is_written_and_asked_for(taped: Path, module: Path) -> None:
    asked = run("range", taped, "--beam", "wide", "--module", module)
    assert asked.exit_code == 0 and "give --air" in asked.stdout
    assert read_partial_module(module).range.assumed_air_temperature_c is None
    told = run("range", taped, "--beam", "wide", "--air", "18", "--module", module)
    assert told.exit_code == 0 and "give --air" not in told.stdout
    found = read_partial_module(module).range
    assert found.assumed_air_temperature_c == 18.0 and found.sigma.scale < 0.005


def test_light_has_no_air(taped: Path, module: Path) -> None:
    before = module.read_text()
    refused = run("range", taped, "--beam", "narrow", "--air", "18", "--module", module)
    assert refused.exit_code == 2 and "narrow beam is assumed to be light" in refused.stderr
    assert module.read_text() == before
    assert run("range", taped, "--beam", "narrow", "--module", module).exit_code == 0


def test_report_is_one_file_that_needs_no_network(at_rest: Path, module: Path, tmp_path: Path) -> None:
    report = tmp_path / "page.html"
    assert run("gyro", at_rest, "--module", module, "--report", report).exit_code == 0
    text = report.read_text(encoding="utf-8")
    parts = Parts(text)
    assert parts.reaching == []
    assert text.count("plotly.js (basic") == 1  # its script once, however many charts
    assert len(parts.figures) == 3  # an Allan chart an axis
    measured = parts.figures[0]["data"][0]
    # White noise of 1e-4 rad/s/sqrt(Hz): 1e-4 / sqrt(0.2 s) at the shortest averaging time; 400 spans know it to 4 %.
    assert measured["x"][0] == pytest.approx(0.2)
    assert measured["y"][0] == pytest.approx(1e3 * 1e-4 / 0.2**0.5, rel=0.15)
    assert "Gyro calibration of fern-03" in parts.words
    assert "propellers off" in parts.words
    assert "prefers-color-scheme: dark" in text and "@media print" in text


def test_a_name_cannot_break_out_of_the_page(taped: Path, tmp_path: Path) -> None:
    module = tmp_path / "m.yaml"
    module.write_text("name: '</script><b>fern'\n")
    assert run("range", taped, "--module", module, "--report", tmp_path / "r.html").exit_code == 0
    text = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "<b>fern" not in text and "&lt;b&gt;fern" in text


def test_a_picture_name_cannot_end_the_chart_script() -> None:
    name = "</script><script>alert(1)</script>"
    chart = Chart(title="t", caption="c", traces=[{"x": [name], "y": [float("nan")], "name": "n"}], layout={})
    assert "<" not in chart.json
    assert json.loads(chart.json)["data"] == [{"x": [name], "y": [None], "name": "n"}]


def test_range_report_shows_strays_and_heights(taped: Path, module: Path, tmp_path: Path) -> None:
    report = tmp_path / "r.html"
    assert run("range", taped, "--module", module, "--report", report).exit_code == 0
    parts = Parts(report.read_text(encoding="utf-8"))
    band, kept, means = parts.figures[0]["data"]
    assert means["x"] == [0.3, 0.5, 1.0, 2.0, 3.0, 4.0]
    assert len(kept["x"]) == 120 - read_partial_module(module).range.provenance["strays"]
    assert max(band["y"]) == -min(band["y"]) > 0


def test_a_report_that_cannot_be_written_leaves_the_module(taped: Path, module: Path) -> None:
    result = run("range", taped, "--module", module, "--report", "/dev/null/page.html")
    assert result.exit_code == 1
    assert module.read_text() == BEFORE


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten pictures of a board under a known lens, and one without a board."""
    folder = tmp_path_factory.mktemp("board")
    board, rng = parse_board("chessboard:7x5:0.03"), np.random.default_rng(4)
    renderer = Renderer("pinhole", PINHOLE, oversample=2)
    for k in range(10):
        pose = random_pose(rng, board, "pinhole", PINHOLE, tilt_deg=(20, 45))
        cv2.imwrite(str(folder / f"view{k}.png"), renderer.render(board, pose, rng))
    cv2.imwrite(str(folder / "bare.png"), np.full((480, 640), 120, np.uint8))
    return folder


def test_lens_from_pictures(pictures: Path, module: Path, tmp_path: Path) -> None:
    report = tmp_path / "lens.html"
    board = "chessboard:7x5:0.03"
    result = run("lens", pictures, "--board", board, "--module", module, "--report", report)
    assert result.exit_code == 0, result.output
    camera = read_partial_module(module).camera
    assert camera is not None and camera.model == "pinhole"
    # Exact truth within four of the calibration's own sigmas.
    assert abs(camera.fx_px - PINHOLE[0]) < 4 * camera.focal_sigma[0] * camera.fx_px
    assert abs(camera.cx_px - PINHOLE[2]) < 4 * camera.sigma.cx_px
    assert re.search(r"focal length x, y +\d+\.\d+ ± \d\.\d+.*speed ± 0\.\d+ %", result.stdout)
    assert re.search(r"note: \d+ images? left out: .*bare\.png \(.*not found", result.stdout)
    parts = Parts(report.read_text(encoding="utf-8"))
    coverage, residuals, bars = parts.figures
    counts = [int(text) for text in coverage["data"][0]["text"]]
    bare = np.mean(np.array(counts) == 0)
    assert (f"note: No corner was seen in {bare:.0%} of the image" in result.stdout) == bool(bare)
    assert sum(counts) == 35 * len(bars["data"][0]["x"])
    # Residuals are drawn as lines between gaps: corner, tip, gap.
    assert len(residuals["data"][0]["x"]) == 3 * len(residuals["data"][1]["x"])
    assert "bare.png" in parts.words and "not found" in parts.words


@pytest.mark.parametrize(
    "arguments",
    [("lens", "x", "--board", "chess:9x6", "--module", "m.yaml"), ("range", "x.csv"), ("gyro", "--module", "m.yaml")],
)
def test_wrong_usage_is_exit_2(arguments: tuple[str, ...]) -> None:
    assert run(*arguments).exit_code == 2


def test_lens_keeps_the_readout_of_the_alignment(pictures: Path, module: Path) -> None:
    known = "sigma: {readout_s: 0.0001}\n  provenance: {readout_source: hand-turned}\n"
    camera = "camera:\n  width_px: 640\n  height_px: 480\n  fx_px: 500\n  fy_px: 500\n  cx_px: 320\n  cy_px: 240\n"
    module.write_text(f"{BEFORE}{camera}  readout_s: 0.014\n  {known}")
    assert run("lens", pictures, "--board", "chessboard:7x5:0.03", "--module", module).exit_code == 0
    found = read_partial_module(module).camera
    assert (found.readout_s, found.sigma.readout_s) == (0.014, 0.0001)
    assert found.provenance["readout_source"] == "hand-turned" and found.provenance["source"] == pictures.name
