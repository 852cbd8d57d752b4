"""How results and progress look: folded at a narrow terminal, whole in a pipe; stages that are named and end full."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from pathlib import Path

import click
import numpy as np
import pytest
from click.testing import CliRunner
from rich.console import Console
from rich.text import Text

from cli.console import print_table, print_text, result_console
from cli.main import main
from cli.progress import Stages, note
from flow.numerics.compiled import watch_compiler
from tests.cli.short_flight import ENVIRONMENT, ROOT
from tests.cli.test_accept import write

ROWS = [("clock offset, ms", "6.103", "0.131"), ("mounting, turn about body x, °", "0.029", "0.063")]
TITLES = ("quantity", "flight", "one-sigma")


def printed(width: int, *, table: bool = False) -> list[str]:
    console = Console(file=io.StringIO(), width=width, highlight=False)
    if table:
        print_table(console, TITLES, ROWS)
    else:
        print_text(console, "the file lacks sigma and provenance of the section", label="why     ")
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


def test_a_text_folds_beside_its_label() -> None:
    lines = printed(36)
    assert len(lines) == 2
    assert lines[0].startswith("why     the file") and lines[1].startswith(" " * 8 + "provenance")
    assert max(map(len, lines)) <= 36
    assert printed(120) == ["why     the file lacks sigma and provenance of the section"]


def test_a_text_goes_below_a_label_that_leaves_no_room() -> None:
    lines = printed(26)
    assert lines[0] == "why" and all(line.startswith("  ") for line in lines[1:])
    assert max(map(len, lines)) <= 26


@pytest.mark.parametrize("width", [28, 36, 44, 60, 200])
def test_a_table_shows_every_cell_whatever_the_width(width: int) -> None:
    lines = printed(width, table=True)
    assert max(map(len, lines)) <= width
    words = " ".join(lines)
    assert all(cell in words for row in ROWS for cell in row[1:]) and "…" not in words
    assert (len(lines) == 3) == (width >= 60)  # 30 + 2 + 6 + 2 + 9 characters in one piece


def test_brackets_of_a_name_are_no_markup() -> None:
    console = Console(file=io.StringIO(), width=80)
    print_text(console, "module [red]fern[/]", label=Text.from_markup("[green]pass[/] "))
    print_table(console, ("a", "b"), [("[bold]x", "1")])
    assert isinstance(console.file, io.StringIO)
    assert "pass module [red]fern[/]" in console.file.getvalue() and "[bold]x" in console.file.getvalue()


def test_what_is_no_terminal_gets_lines_in_one_piece(capsys: pytest.CaptureFixture[str]) -> None:
    print_text(result_console(), "word " * 100)
    assert capsys.readouterr().out.count("\n") == 1


def at_terminal(columns: int, *arguments: str, cwd: Path) -> tuple[list[str], str]:
    """Run a command at a terminal so wide; give the lines of its result, and all that was shown on standard error."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    environment = {key: value for key, value in ENVIRONMENT.items() if key != "COLUMNS"}
    command = [sys.executable, "-m", "cli.main", *arguments]
    with subprocess.Popen(command, stdout=theirs, stderr=subprocess.PIPE, env=environment, cwd=cwd) as process:
        os.close(theirs)
        pieces = []
        while True:
            try:
                pieces.append(os.read(ours, 65536))
            except OSError:  # the other end is closed
                break
        assert process.stderr is not None
        errors = process.stderr.read().decode()
    os.close(ours)
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", b"".join(pieces).decode())
    return text.replace("\r\n", "\n").splitlines(), errors


def test_accept_and_calibrate_fold_at_a_narrow_terminal(tmp_path: Path) -> None:
    module = write(tmp_path / "m.yaml", gyro={"bias_rad_s": [0.0, -0.2, 0.0]})
    lines, _ = at_terminal(44, "accept", "--module", module, cwd=tmp_path)
    assert max(map(len, lines)) <= 44
    assert any(line.startswith("  remedy  groundpace calibrate gyro") for line in lines)
    log = str(ROOT / "sample_video" / "bench" / "gyro.csv")
    lines, _ = at_terminal(44, "calibrate", "gyro", log, "--module", "g.yaml", cwd=tmp_path)
    assert max(map(len, lines)) <= 44
    assert any(line.startswith("bias about x") for line in lines)


def test_quiet_leaves_the_result_and_verbose_adds_the_time_of_each_stage(tmp_path: Path) -> None:
    log = str(ROOT / "sample_video" / "bench" / "gyro.csv")

    def run(*more: str) -> tuple[str, str]:
        done = CliRunner().invoke(main, ["calibrate", "gyro", log, "--module", str(tmp_path / "g.yaml"), *more])
        assert done.exit_code == 0, done.output
        return done.stdout, done.stderr

    result, nothing = run()
    assert nothing == "" and result.startswith("bias about x")
    assert run("--quiet")[1] == "" and run("-q")[0].startswith("bias about x")
    stages = re.findall(r"^([^:\n]+): \d+\.\d s$", run("-v")[1], re.MULTILINE)
    assert stages == ["starting", "reading the log", "looking for movement", "Allan deviation"]


def test_quiet_still_tells_errors(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["accept", "--module", str(tmp_path / "gone.yaml"), "-q"])
    assert done.exit_code == 1 and "no such file" in done.stderr


def test_notes_are_left_out_when_quiet(capsys: pytest.CaptureFixture[str]) -> None:
    with click.Context(click.Command("c")) as context:
        note("written: a")
        context.meta["groundpace.verbosity"] = -1
        note("written: b")
    assert capsys.readouterr().err == "written: a\n"


# A bar, drawn where nobody cuts it


def drawn(monkeypatch: pytest.MonkeyPatch) -> io.StringIO:
    """Have the next bars drawn into a text."""
    sink = io.StringIO()
    terminal = Console(file=sink, force_terminal=True, width=100, legacy_windows=False)
    monkeypatch.setattr("cli.progress.Console", lambda **_: terminal)
    return sink


def bars(sink: io.StringIO) -> list[str]:
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", sink.getvalue())
    return [line for line in re.split(r"[\r\n]+", text) if line.strip()]


def test_a_bar_starts_at_once_names_its_stages_and_ends_full(monkeypatch: pytest.MonkeyPatch) -> None:
    sink = drawn(monkeypatch)
    with Stages() as stages:
        assert bars(sink)[0].startswith("starting ")
        stages.stage("measuring", 40)
        for frame in range(31):  # the video ends before its header said
            stages.first_pass(frame)
        assert "first pass" in stages._progress.tasks[0].description
        for _ in range(37):
            stages.advance()
    last = bars(sink)[-1]
    assert last.startswith("measuring ") and "37/37 frames" in last


def test_a_failure_takes_the_bar_away(monkeypatch: pytest.MonkeyPatch) -> None:
    sink = drawn(monkeypatch)
    with pytest.raises(ValueError, match="broken"), Stages() as stages:
        stages.stage("measuring", 40)
        raise ValueError("broken")
    assert sink.getvalue().endswith("\x1b[1A\x1b[2K")  # up one line, and that line erased


def test_compiling_is_a_stage(monkeypatch: pytest.MonkeyPatch) -> None:
    from numba import njit

    sink = drawn(monkeypatch)
    fresh = njit(lambda values: values.sum() + 1.0)
    with Stages() as stages:
        stages.stage("measuring", 2)
        fresh(np.ones(3))
        assert stages._progress.tasks[0].description == "compiling"
        stages.advance(2)
    assert bars(sink)[-1].startswith("measuring ")


def test_the_compiler_is_watched_only_while_it_compiles() -> None:
    from numba import njit

    seen: list[int] = []
    end = watch_compiler(lambda: seen.append(1))
    fresh = njit(lambda values: values.sum() + 2.0)
    fresh(np.ones(3))
    once = len(seen)
    fresh(np.ones(3))
    assert once >= 1 and len(seen) == once
    end()
    njit(lambda values: values.sum() + 3.0)(np.ones(3))
    assert len(seen) == once
