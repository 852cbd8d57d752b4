"""The command itself: what it lists, how fast it starts, how it fails."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from cli import main as cli_main
from cli.main import COMMANDS, Entry, main

ROOT = Path(__file__).parents[2]


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(COMMANDS, "fail", Entry("tests.cli.failing", "fail", "Fail."))


@pytest.mark.usefixtures("failing")
def test_bad_data_is_one_line_on_standard_error_and_exit_1() -> None:
    result = CliRunner().invoke(main, ["fail", "data"])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr == "groundpace: gyro.csv:41: gyro_x_rad_s: 912 rad/s is beyond any gyro\n"


@pytest.mark.usefixtures("failing")
def test_an_interrupt_is_one_line_and_exit_130() -> None:
    result = CliRunner().invoke(main, ["fail", "interrupt"])
    assert result.exit_code == 130
    assert result.stderr.count("\n") == 1
    assert result.stderr.startswith("groundpace: interrupted")


@pytest.mark.usefixtures("failing")
def test_a_full_disk_is_one_line_and_exit_1() -> None:
    result = CliRunner().invoke(main, ["fail", "space"])
    assert result.exit_code == 1
    assert result.stderr == "groundpace: speed.csv: No space left on device\n"


@pytest.mark.usefixtures("failing")
def test_our_own_mistakes_are_not_hidden() -> None:
    assert isinstance(CliRunner().invoke(main, ["fail", "bug"]).exception, ZeroDivisionError)


@pytest.mark.parametrize("arguments", [["mesure"], ["--loud"], ["compare", "only-one.csv"]])
def test_wrong_usage_is_exit_2(arguments: list[str]) -> None:
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 2
    assert result.stdout == ""


def test_help_lists_every_command_that_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(COMMANDS, "teleport", Entry("cli.teleport", "teleport", "Not written."))
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    listed = result.stdout.split("Commands:")[1]
    assert "compare" in listed
    assert "teleport" not in listed
    assert "\x1b" not in result.stdout
    assert CliRunner().invoke(main, ["teleport"]).exit_code == 2


def test_every_listed_command_has_help_and_the_words_that_the_list_says() -> None:
    context = click.Context(main)
    for name in main.list_commands(context):
        command = main.get_command(context, name)
        assert command is not None
        assert CliRunner().invoke(main, [name, "--help"]).exit_code == 0
        assert command.help


def test_version() -> None:
    result = CliRunner().invoke(main, ["--version"])
    assert result.exit_code == 0
    assert result.stdout.startswith("groundpace")


def python(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)


def test_starting_imports_nothing_heavy() -> None:
    heavy = {"cv2", "pandas", "numpy", "scipy", "av", "pydantic", "rich"}
    code = f"import sys, {cli_main.__name__}; print(sorted({heavy} & set(sys.modules)))"
    assert python(code).stdout.strip() == "[]"
    assert python(code.replace("print", "cli.main.main(['--help'], standalone_mode=False); print")).stdout.endswith(
        "[]\n"
    )


@pytest.mark.parametrize(
    "command", ["measure", "calibrate", "check", "compare", "import_", "synthesize", "envelope", "benchmark"]
)
def test_a_command_shows_its_bar_before_the_heavy_libraries_load(command: str) -> None:
    heavy = {"cv2", "pandas", "numpy", "scipy", "av", "pydantic", "numba"}
    assert python(f"import sys, cli.{command}; print(sorted({heavy} & set(sys.modules)))").stdout.strip() == "[]"


def test_a_closed_pipe_is_quiet() -> None:
    code = (
        "import cli.main; cli.main.COMMANDS['fail'] = cli.main.Entry('tests.cli.failing', 'fail', '');"
        "cli.main.main(['fail', 'flood'])"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as run:
        assert run.stdout is not None
        assert run.stderr is not None
        run.stdout.readline()
        run.stdout.close()
        assert run.stderr.read() == b""
