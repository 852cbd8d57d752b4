"""Words that must not come back in what users read, each with what to say instead."""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from cli.main import main

ROOT = Path(__file__).parents[1]

INSTEAD = {
    r"pictures?": "image, or frame of a video",
    r"mpx": "px, as 0.02 px",
    r"one[- ]sigmas? of how sure|how sure|surer|sure of": "sigma, uncertainty",
    r"anchor(s|ed|ing)?": "keyframe",
    r"sights?": "relative-pose measurement",
    r"beliefs?|believ(e|es|ed|able)": "state, estimate; plausible",
    r"hindsight": "first pass",
    r"vouch(es|ed)?": "inlier; is trustworthy",
    r"strays|stray (readings?|points?|matches)": "outlier",
    r"rails": "saturation",
    r"line patterns?": "row and column fixed-pattern noise",
    r"uneven ground": "non-planar ground, terrain, relief",
    r"force sums?": "velocity preintegration",
    r"(sound gyro|gyro (is|was) sound)": "gyro validity",
    r"intake|outlet": "importer, exporter",
    r"placing|posed": "extrinsics, intrinsics",
    r"unruly|misfits?": "inconsistent",
    r"wander(s|ed|ing)?": "drift; inconsistent with the accelerometer",
    r"put right|mend(s|ed)?": "correct, update; repair",
    r"(figures of the module|module's figures)": "calibration values",
    r"learn(s|t|ed)?": "estimate, detect",
    r"h[eo]ld(s|ing)? (\S+ ){0,4}?against": "compare with",
    r"(cannot|can not|does not|do not|nothing|recording) tells?": "not observable; cannot be estimated",
    r"cannot be told|told (apart|from)": "cannot be distinguished",
    r"take(s|n)? (\S+ ){0,4}?for granted": "assume",
    r"miss(es)? by": "has a residual of",
    r"leans? on": "rely on, use",
    r"stands? on the module file": "rests on the module file",
}
"""Regular expressions of whole words, in any case; what stands between backticks is a name and free."""

_WORDS = {re.compile(rf"\b(?:{word})\b", re.IGNORECASE): say for word, say in INSTEAD.items()}

GROUPS = {
    "README": ["README.md", "sample_video/README.md"],
    "changelog": ["CHANGELOG.md"],
    "command line": ["cli/*.py"],
    "check": ["cli/check.py", "calib/fitness/*.py"],
    "pages": ["cli/page/*.py", "cli/page/*.html", "cli/page/review_*.js"],
    "calibration": ["calib/*.py"],
    "measurement": ["flow/**/*.py"],
    "statuses": ["flow/row.py", "flow/statuses.py", "flow/fusion/fusedlog.py"],
}
"""Files by what they are for; a file belongs to the last group that names it."""

NOT_YET: set[str] = set()
"""Groups whose wording is still being rewritten; a group that is taken out of here is held to the words."""


def files(group: str) -> list[Path]:
    held = {name: {path for pattern in patterns for path in ROOT.glob(pattern)} for name, patterns in GROUPS.items()}
    names = list(GROUPS)
    later = set[Path]().union(*(held[name] for name in names[names.index(group) + 1 :]))
    return sorted(held[group] - later)


def docstrings(tree: ast.AST) -> set[int]:
    """Constants that are a docstring, or a string that documents the name above it."""
    bodies = [body for node in ast.walk(tree) if isinstance(body := getattr(node, "body", None), list)]
    return {id(node.value) for body in bodies for node in body if isinstance(node, ast.Expr)}


def messages(path: Path) -> Iterator[tuple[int, str]]:
    """Line and text of every string with a space in it that is no docstring: what is raised, printed or shown."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    documenting = docstrings(tree)
    for node in ast.walk(tree):
        value = node.value if isinstance(node, ast.Constant) else None
        if isinstance(value, str) and " " in value and id(node) not in documenting:
            yield node.lineno, value


def lines(path: Path) -> Iterator[tuple[int, str]]:
    """Line number and text of a document or template; code blocks are left out, a template's own code is not text."""
    text = path.read_text(encoding="utf-8")
    text = re.sub(r"```.*?```", lambda block: "\n" * block[0].count("\n"), text, flags=re.DOTALL)
    if path.suffix == ".html":
        text = re.sub(r"\{[{%#].*?[}%#]\}", "", text)
    yield from enumerate(text.splitlines(), start=1)


def found(text: str) -> list[str]:
    plain = re.sub(r"`[^`]*`", "", text)
    return [f"{hit[0]!r}: say {say}" for word, say in _WORDS.items() if (hit := word.search(plain))]


def offences(group: str) -> list[str]:
    texts = ((path, messages(path) if path.suffix == ".py" else lines(path)) for path in files(group))
    return [
        f"{path.relative_to(ROOT)}:{line}: {offence}"
        for path, held in texts
        for line, text in held
        for offence in found(text)
    ]


@pytest.mark.parametrize("group", GROUPS)
def test_words_that_must_not_come_back(group: str) -> None:
    assert files(group)
    there = offences(group)
    if group in NOT_YET:
        pytest.skip(f"{group}: still being rewritten, {len(there)} places to go")
    assert there == []


def helps() -> Iterator[list[str]]:
    yield []
    for name in main.list_commands(click.Context(main)):
        yield [name]
        command = main.get_command(click.Context(main), name)
        if isinstance(command, click.Group):
            yield from ([name, part] for part in command.list_commands(click.Context(command)))


@pytest.mark.parametrize("command", list(helps()), ids=" ".join)
def test_help_has_the_words_of_the_field(command: list[str]) -> None:
    if command == ["check"] and "check" in NOT_YET:
        pytest.skip("still being rewritten")
    text = CliRunner().invoke(main, [*command, "--help"]).stdout
    assert found(" ".join(text.split())) == []


_PLURAL = re.compile(
    r"^ (?:pictures|images|frames|rows|views|points|runs|readings|samples|corners|heights|copies|files|flights|columns|"
    r"markers|pairs|messages|recordings|conditions|moments|bytes|topics|cells|boards)\b(?!/)"
)


def _is_constant(value: ast.expr) -> bool:
    """Whether it is a constant of the module, which is no one."""
    return isinstance(value, ast.Name) and value.id.isupper()


@pytest.mark.parametrize("group", [group for group in GROUPS if group not in NOT_YET])
def test_a_number_of_one_has_its_noun_in_the_singular(group: str) -> None:
    """A number beside a plural noun is right for all numbers but one: ``flow.wording.counted`` knows."""
    wrong = []
    for path in files(group):
        for node in ast.walk(
            ast.parse(path.read_text(encoding="utf-8")) if path.suffix == ".py" else ast.Module([], [])
        ):
            parts = node.values if isinstance(node, ast.JoinedStr) else []
            for number, text in itertools.pairwise(parts):
                if (
                    isinstance(number, ast.FormattedValue)
                    and not _is_constant(number.value)
                    and isinstance(text, ast.Constant)
                    and _PLURAL.search(text.value)
                ):
                    wrong.append(f"{path.relative_to(ROOT)}:{number.lineno}: {text.value!r}")
    assert wrong == []


def test_the_words_are_found_where_they_stand() -> None:
    """The search itself: a plain offence is seen, a name between backticks is not."""
    assert [hit.split(":")[0] for hit in found("The picture wanders.")] == ["'picture'", "'wanders'"]
    assert found("`picture_fixed` and `anchor` are columns") == []
    assert "compare with" in found("Hold a speed log against a reference log.")[0]
