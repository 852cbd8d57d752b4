"""``groundpace board`` from the command line to the file."""

import pytest
from click.testing import CliRunner

from calib.board_art import PAPERS_MM
from calib.boards import BOARD_FORM
from cli import board as cli_board
from cli.main import main
from flow.choices import PAPERS


def run(*words):
    return CliRunner().invoke(main, ["board", *map(str, words)])


def test_writes_the_board_and_tells_so_on_standard_output(tmp_path):
    path = tmp_path / "new folder" / "board.pdf"
    result = run("circles:8x5:0.03", "--output", path, "--paper", "A3")
    assert result.exit_code == 0
    assert path.read_bytes().startswith(b"%PDF-")
    assert result.stderr == ""
    assert "circles:8x5:0.03 on a3, 297 x 420 mm" in result.stdout
    assert "both check lines must measure 100 mm" in result.stdout


def test_choices_are_the_library_s():
    assert {name: f"{short_mm:g} x {long_mm:g} mm" for name, (short_mm, long_mm) in PAPERS_MM.items()} == PAPERS
    assert cli_board.BOARD_FORM == BOARD_FORM


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("chessboard:9x6", "--output", "b.svg"), 2, "is not KIND:COLSxROWS:SIZE"),
        (("chessboard:9x6:25", "--output", "b.svg"), 2, "SIZE is in metres"),
        (("chessboard:9x6:0.025",), 2, "--output"),
        (("chessboard:9x6:0.025", "--output", "b.svg", "--paper", "a7"), 2, "a7"),
        (("chessboard:9x6:0.025", "--output", "b.png"), 1, "name the file .svg or .pdf"),
        (("chessboard:9x6:0.05", "--output", "b.svg"), 1, "a SIZE of 0.026 fits, or --paper a2"),
        (("charuco:4x4:0.02", "--output", "/proc/nowhere/b.svg"), 1, "cannot be written"),
    ],
)
def test_refusals(tmp_path, monkeypatch, words, code, says):
    monkeypatch.chdir(tmp_path)
    result = run(*words)
    assert result.exit_code == code
    assert says in result.stderr
    assert result.stdout == ""
    assert not list(tmp_path.iterdir())
    assert code == 2 or len(result.stderr.strip().splitlines()) == 1
