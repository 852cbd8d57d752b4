"""``groundpace benchmark`` from options to files. The work runs in this process; tests/flow has the real engine."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from skimage.data import gravel

from cli.main import main
from flow import scene
from flow.benchmark import sweep
from flow.benchmark.trials import Item, Run
from flow.module import write_module

ROOT = Path(__file__).parents[2]
Job = Callable[[Item], list[Run]]


class InThisProcess:
    """Stands for the engine; counts items, and is interrupted before item number ``until``."""

    def __init__(self) -> None:
        self.done = 0
        self.until: int | None = None

    def __call__(self, processes: int) -> Callable[[Job, Sequence[Item]], Iterator[tuple[Item, list[Run]]]]:
        """Make the engine."""

        def engine(job: Job, items: Sequence[Item]) -> Iterator[tuple[Item, list[Run]]]:
            for item in items:
                if self.done == self.until:
                    raise KeyboardInterrupt
                self.done += 1
                yield item, job(item)

        return engine


@pytest.fixture
def engine(monkeypatch: pytest.MonkeyPatch) -> InThisProcess:
    stand_in = InThisProcess()
    monkeypatch.setattr(sweep, "local_engine", stand_in)
    return stand_in


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """Write a module file and a photograph of gravel (scikit-image's, CC0)."""
    folder = tmp_path_factory.mktemp("inputs")
    write_module(folder / "fern-03.yaml", scene.preset_module("small"))
    cv2.imwrite(str(folder / "gravel.png"), gravel())
    return str(folder / "fern-03.yaml"), str(folder / "gravel.png")


def run(inputs: tuple[str, str], output: Path, *more: str, heights: str = "0.5,2") -> Result:
    module, floor = inputs
    given = ["--module", module, "--floor", floor, "--floor-size", "0.5", "--heights", heights, "--frames", "6"]
    return CliRunner().invoke(main, ["benchmark", *given, "--seeds", "2", "--output", str(output), *more])


def table(folder: Path) -> list[dict[str, str]]:
    return list(csv.DictReader((folder / "benchmark.csv").read_text().splitlines()))


def test_table_page_and_words_say_the_same(inputs: tuple[str, str], tmp_path: Path, engine: InThisProcess) -> None:
    result = run(inputs, tmp_path / "out", heights="1")
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "benchmark-runs.csv", "benchmark.csv", "benchmark.html"
    ]  # fmt: skip
    rows = table(tmp_path / "out")
    assert [row["method"] for row in rows] == list(sweep.METHODS)
    ours = rows[0]
    # Errors of single rows at 1 m, where the picture moves 4.4 m/s a pixel at 60 Hz / 266 px: 0.23 m/s; a tenth is
    # no tracker of ours.
    assert 0 < float(ours["rms_m_s"]) < 0.023
    assert float(ours["height_m"]) == 1 and float(ours["speed_m_s"]) == 0.5
    assert float(ours["usable"]) == 1 and 0 < float(ours["cover95"]) <= 1
    assert float(ours["sigma_predicted_m_s"]) > 0 and rows[1]["sigma_predicted_m_s"] == ""
    assert [float(row["image_over_bound"]) > 0.5 for row in rows] == [True] * len(rows)
    assert float(ours["motion_ms_per_frame"]) < float(ours["ms_per_frame"])
    assert float(ours["rocking_rad"]) == pytest.approx(np.radians(2))
    page = (tmp_path / "out" / "benchmark.html").read_text()
    # The table is rounded to 1e-6, the page from what was measured to three digits: half of each.
    shown = [float(n) for n in re.findall(r">(\d+\.?\d*)<", page.split("<script>")[0])]
    shared = 1000 * float(ours["shared_rms_m_s"])
    assert min(abs(n - shared) for n in shown) <= 0.0005 + 0.005 * shared
    assert re.findall(r'(?:src|href)="(?!data:)[^"]*"', page.split("<script>")[0]) == []  # readable without a network
    assert page.count("must never be an autopilot&#39;s only source") == 1
    words = result.stdout.splitlines()[1].replace("\u00a0", " ").split()
    assert words[:4] == ["gravel.png,", "1", "m", f"{1000 * float(ours['rms_m_s']):.3g}"]
    assert result.stderr.startswith("written: ")


def test_json_is_the_table(inputs: tuple[str, str], tmp_path: Path, engine: InThisProcess) -> None:
    result = run(inputs, tmp_path, "--alone", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert [row["height_m"] for row in told] == [0.5, 2.0]
    for row, cells in zip(told, table(tmp_path), strict=True):
        assert {key: "" if value is None else str(value) for key, value in row.items()} == cells


def test_an_interruption_keeps_what_is_done_and_touches_no_result(
    inputs: tuple[str, str], tmp_path: Path, engine: InThisProcess
) -> None:
    (tmp_path / "benchmark.csv").write_text("the last result\n")
    engine.until = 1
    result = run(inputs, tmp_path, "--alone")
    assert result.exit_code == 130
    assert result.stdout == ""
    assert result.stderr == "groundpace: interrupted; 1 of 4 runs kept; --resume runs the rest\n"
    assert (tmp_path / "benchmark.csv").read_text() == "the last result\n"
    engine.until = None
    assert run(inputs, tmp_path, "--alone", "--resume").exit_code == 0
    assert engine.done == 4
    whole = table(tmp_path)
    assert run(inputs, tmp_path, "--alone", "--resume").exit_code == 0
    assert engine.done == 4  # nothing was left to do
    again = table(tmp_path)
    assert again == whole
    assert run(inputs, tmp_path, "--alone").exit_code == 0
    assert engine.done == 8
    for row, before in zip(table(tmp_path), whole, strict=True):
        assert {k: v for k, v in row.items() if not k.endswith("ms_per_frame")} == {
            k: v for k, v in before.items() if not k.endswith("ms_per_frame")
        }


def test_real_recordings_are_held_against_their_reference(tmp_path: Path, engine: InThisProcess) -> None:
    flight = str(ROOT / "sample_video" / "flight")
    (tmp_path / "second").symlink_to(flight)
    given = ["benchmark", "--recordings", flight, str(tmp_path / "second"), "--frames", "20", "--alone"]
    result = CliRunner().invoke(main, [*given, "--output", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    rows = table(tmp_path / "out")
    assert len(rows) == 2
    assert rows[0]["light"] == rows[0]["sigma_predicted_m_s"] == ""
    assert float(rows[0]["usable"]) > 0.9
    assert "against their reference logs" in (tmp_path / "out" / "benchmark.html").read_text()


def test_a_floor_without_texture_is_told_as_such(
    tmp_path: Path, engine: InThisProcess, inputs: tuple[str, str]
) -> None:
    flat = tmp_path / "bare.png"
    cv2.imwrite(str(flat), np.full((512, 512), 118, np.uint8))
    result = run((inputs[0], str(flat)), tmp_path / "out", heights="1")
    assert result.exit_code == 0, result.output
    for row in table(tmp_path / "out"):
        assert float(row["usable"]) == 0 and row["rms_m_s"] == "" and row["failure"] == "no_texture", row["method"]
    assert "of the rows give no speed" in (tmp_path / "out" / "benchmark.html").read_text()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "give the module with --module FILE"),
        (["--module", "small", "--heights", "1,two"], "'two' is not a number; expected numbers such as 0.5,1,2"),
        (["--module", "small", "--heights", "0.01"], "0.01 is outside 0.1 to 100"),
        (["--module", "small", "flight-07"], "unexpected argument flight-07; recordings follow --recordings"),
        (["--recordings", "flight-07", "--heights", "1"], "--heights is for synthetic flights"),
        (["--recordings", "flight-07", "--floor", "soil"], "--ground is for synthetic flights"),
    ],
)
def test_wrong_usage_is_told_in_a_line(options: list[str], words: str) -> None:
    result = CliRunner().invoke(main, ["benchmark", *options])
    assert result.exit_code == 2
    assert words in result.stderr.splitlines()[-1]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--module", "none.yaml"], "groundpace: none.yaml: "),
        (["--module", "small", "--ground", "sand"], "groundpace: sand: unknown ground; choose gravel"),
        (["--module", "small", "--floor", "moss.jpg", "--floor-size", "1"], "groundpace: moss.jpg: unknown ground"),
        (["--recordings", "flight-07"], "groundpace: flight-07: "),
    ],
)
def test_data_that_cannot_serve_is_told_in_a_line_and_leaves_nothing(
    options: list[str], words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, ["benchmark", *options])
    assert result.exit_code == 1
    assert result.stderr.startswith(words) and result.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_help_has_an_example_and_every_option() -> None:
    result = CliRunner().invoke(main, ["benchmark", "--help"])
    assert "groundpace benchmark --module fern-03.yaml --output fern-03-accuracy" in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 100
