"""What every help has in common: examples that can be pasted, suggestions, one word for one thing."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from cli.help import fold_command
from cli.main import main


def commands() -> Iterator[tuple[str, ...]]:
    """Give the words of each command, those of groups too."""
    yield ()
    for name in main.list_commands(click.Context(main)):
        yield (name,)
        command = main.get_command(click.Context(main), name)
        if isinstance(command, click.Group):
            yield from ((name, part) for part in command.list_commands(click.Context(command)))


def shown(*words: str) -> str:
    result = CliRunner().invoke(main, [*words, "--help"], prog_name="groundpace")
    assert result.exit_code == 0, result.output
    return result.stdout


def examples(text: str) -> list[str]:
    """Give the command lines of a help as a shell reads them: a backslash at the end joins two lines."""
    joined = text.split("Options:")[0].replace("\\\n", " ")
    return [line.strip() for line in joined.splitlines() if line.startswith("    groundpace ")]


@pytest.mark.parametrize("words", list(commands()), ids=" ".join)
def test_help_is_plain_and_narrow(words: tuple[str, ...]) -> None:
    text = shown(*words)
    assert "\\b" not in text and "\b" not in text
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("words", [words for words in commands() if words != ("calibrate",)], ids=" ".join)
def test_examples_can_be_pasted(words: tuple[str, ...]) -> None:
    """Each example is a whole command line whose options and values are understood; files need not be there."""
    found = examples(shown(*words))
    assert found
    for line in found:
        for part in line.split(" && "):
            _, *given = shlex.split(part)
            command, context = main, click.Context(main)
            while isinstance(command, click.Group):
                inner = command.get_command(context, given.pop(0))
                assert inner is not None, part
                command, context = inner, click.Context(inner, parent=context)  # type: ignore[assignment]
            command.make_context("groundpace", given, parent=context)  # a usage error would be raised here


def test_a_folded_command_is_the_same_command() -> None:
    line = "  groundpace import a.mp4 b.csv --axes 'x=y y=-x z=z' --map gyro=wx,wy,wz:deg/s --yes --output flight-07"
    folded = fold_command(line, 44)
    assert len(folded.splitlines()) > 2
    assert max(map(len, folded.splitlines())) <= 44
    assert all(part.endswith(" \\") for part in folded.splitlines()[:-1])
    assert shlex.split(folded.replace("\\\n", "")) == shlex.split(line)
    assert not re.search(r"--(axes|map|output) \\$", folded, re.MULTILINE)  # an option stays beside its value


@pytest.mark.parametrize(
    ("words", "meant"),
    [(["mesure"], "measure"), (["calibrate", "lense"], "lens"), (["benchmrk"], "benchmark"), (["imports"], "import")],
)
def test_a_misspelt_command_is_answered_with_the_one_that_is_meant(words: list[str], meant: str) -> None:
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 2
    assert re.search(rf"Did you mean {meant}\b", result.stderr)


def test_a_name_like_none_of_ours_gets_no_suggestion() -> None:
    assert "Did you mean" not in CliRunner().invoke(main, ["xyzzy"]).stderr


def test_the_parts_of_calibrate_are_listed_in_the_order_of_use() -> None:
    listed = re.findall(r"^  (\w+)  ", shown("calibrate").split("Commands:")[1], re.MULTILINE)
    assert listed == ["lens", "gyro", "alignment", "range"]


@pytest.mark.parametrize("words", [words for words in commands() if words not in ((), ("calibrate",))], ids=" ".join)
def test_short_options_are_the_same_everywhere(words: tuple[str, ...]) -> None:
    text = shown(*words)
    assert "-q, --quiet" in text and "-v, --verbose" in text
    assert ("--output" in text.split("Options:")[1]) == ("-o, --output" in text)


def test_one_word_for_the_ground_and_the_old_one_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for command in ("benchmark", "synthesize"):
        options = shown(command).split("Options:")[1]
        assert "--ground " in options and "--ground-size " in options and "--floor" not in options
    monkeypatch.chdir(tmp_path)
    for word in ("--ground", "--floor"):
        told = CliRunner().invoke(main, ["benchmark", "--module", "small", word, "sand"])
        assert told.exit_code == 1
        assert (
            told.stderr
            == "groundpace: sand: unknown ground; choose gravel, soil, paving, bare or the file of an image\n"
        )
    (tmp_path / "sand.png").write_bytes(b"")
    for size in ("--ground-size", "--floor-size"):
        given = ["benchmark", "--module", "small", "--ground", "sand.png", size, "1"]
        assert "not an image" in CliRunner().invoke(main, given).stderr
    told = CliRunner().invoke(main, ["synthesize", "new", "--ground", "sand"])
    assert "sand: unknown ground" in told.stderr
    assert "needs its width" in CliRunner().invoke(main, ["synthesize", "new", "--ground", "sand.png"]).stderr


def test_envelope_knows_the_example_modules() -> None:
    told = CliRunner().invoke(main, ["envelope", "--module", "small", "--heights", "1", "--quiet"])
    assert told.exit_code == 0, told.output
    assert told.stderr == "" and "footprint" in told.stdout
