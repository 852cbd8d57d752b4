"""What the README promises is what the project does."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from cli.main import main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```sh\n(.*?)\n```", README, flags=re.DOTALL)
SCREEN = 60  # lines of a tall window


def ours() -> list[str]:
    """Give each command line of ours in a block, without what sets up."""
    lines = [line for block in BLOCKS for line in block.splitlines()]
    return [line[line.index("groundpace ") :] for line in lines if re.search(r"(^|/)groundpace ", line)]


def test_ci_runs_the_readmes_test_command() -> None:
    test_command = next(command for command in BLOCKS if "pytest" in command)
    assert test_command in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_what_the_readme_shows_is_there() -> None:
    for name in re.findall(r"\]\((?!http)([^)#]+)\)", README):
        assert (ROOT / name).exists(), name


@pytest.mark.parametrize("line", ours())
def test_each_command_is_understood(line: str) -> None:
    """Every option is one that the command has, with a value that it takes; ``test_walkthrough`` runs the calibrations."""
    _, *given = shlex.split(line)
    command, context = main, click.Context(main)
    while isinstance(command, click.Group):
        inner = command.get_command(context, given.pop(0))
        assert inner is not None
        command, context = inner, click.Context(inner, parent=context)  # type: ignore[assignment]
    command.make_context("groundpace", given, parent=context)


def test_it_is_two_screens() -> None:
    assert len(README.splitlines()) <= 2 * SCREEN


def test_it_names_what_is_not_shown_here() -> None:
    assert "`groundpace explain WORD`" in README
    assert "Not proven yet" in README and "never be an autopilot's only source" in README
