"""What the README promises is what the project does."""

from __future__ import annotations

import re
from pathlib import Path

from flow.row import REASONS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_ci_runs_the_readmes_test_command() -> None:
    commands = re.findall(r"```sh\n(.*?)\n```", README, flags=re.DOTALL)
    test_command = next(command for command in commands if "pytest" in command)
    assert test_command in (ROOT / ".ci/run").read_text(encoding="utf-8")


def test_every_status_is_explained() -> None:
    for word, meaning in REASONS.items():
        assert f"| `{word}` | {meaning} |" in README


def test_what_the_readme_shows_is_there() -> None:
    for name in re.findall(r"\]\((?!http)([^)#]+)\)", README):
        assert (ROOT / name).exists(), name
