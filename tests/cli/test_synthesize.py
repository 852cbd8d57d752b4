"""``groundpace synthesize`` as a person uses it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from cli.main import main
from flow import scene
from flow.choices import CODECS, MOTIONS
from flow.video import Video

QUICK = ("--ground", "bare", "--duration", "0.5", "--fps", "20")


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["synthesize", *map(str, arguments)])


def test_choices_are_the_library_s() -> None:
    assert tuple(MOTIONS) == scene.MOTIONS
    assert tuple(CODECS) == scene.CODECS


def test_makes_a_recording(tmp_path: Path) -> None:
    result = run(tmp_path / "r", *QUICK, "--motion", "pass", "--speed", "0.8", "--attitude", "--seed", "3")
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    assert "frames" in result.stdout
    names = {path.name for path in (tmp_path / "r").iterdir()}
    assert names == {"video.mp4", "gyro.csv", "range.csv", "attitude.csv", "module.yaml", "truth.csv"}
    assert len(Video(tmp_path / "r" / "video.mp4")) == 8
    truth = pd.read_csv(tmp_path / "r" / "truth.csv")
    assert truth["forward_m_s"].to_numpy() == pytest.approx(0.8, abs=1e-8)


def test_refuses_a_taken_folder_before_any_work(tmp_path: Path) -> None:
    (tmp_path / "r").mkdir()
    (tmp_path / "r" / "gyro.csv").write_text("mine")
    result = run(tmp_path / "r", *QUICK)
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "--force" in result.stderr
    assert (tmp_path / "r" / "gyro.csv").read_text() == "mine"
    assert run(tmp_path / "r", *QUICK, "--force").exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("--ground", "moss"), 1, "moss"),
        (("--module", "no.yaml"), 1, "no.yaml"),
        (("--motion", "climb", "--speed", "-1", "--duration", "3"), 1, "height"),
        (("--motion", "dance"), 2, "dance"),
        (("--height", "0"), 2, "--height"),
        (("--ground", str(Path(__file__)), "--ground-size", "1"), 1, "not an image"),
    ],
)
def test_says_what_is_wrong(tmp_path: Path, arguments: tuple[str, ...], code: int, said: str) -> None:
    result = run(tmp_path / "r", *QUICK, *arguments)
    assert result.exit_code == code
    assert said in result.stderr
    assert not list(tmp_path.iterdir())


def test_help_has_an_example() -> None:
    result = run("--help")
    assert result.exit_code == 0
    assert "groundpace synthesize hover --motion hover" in result.stdout


def test_board_pictures(tmp_path: Path) -> None:
    result = run(tmp_path / "b", "--board", "circles:5x4:0.03", "--views", "2", "--seed", "4")
    assert result.exit_code == 0, result.output
    names = sorted(path.name for path in (tmp_path / "b").iterdir())
    assert names == ["module.yaml", "view-00.png", "view-01.png", "views.csv"]
    assert "2 images of circles:5x4:0.03" in result.stdout
    assert run(tmp_path / "c", "--board", "dominoes:5x4:0.03").exit_code == 2
