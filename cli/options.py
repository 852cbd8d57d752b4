"""Options that several commands share, in one place so that they read and behave alike."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])
Decorator = Callable[[Command], Command]


class WordChoice(click.Choice[str]):
    """One of some words, each with its meaning, which `groundpace explain` tells.

    Parameters
    ----------
    words
        What each means.
    case_sensitive
        Whether capitals count.
    """

    def __init__(self, words: Mapping[str, str], *, case_sensitive: bool = True) -> None:
        super().__init__(list(words), case_sensitive=case_sensitive)
        self.words = words


class WordOr(click.ParamType[str]):
    """One of some words with their meanings, or anything else.

    Parameters
    ----------
    words
        What each means.
    other
        What else may stand there, in capitals.
    """

    def __init__(self, words: Mapping[str, str], other: str) -> None:
        self.words = words
        self.name = "|".join((*words, other))

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Take any text: what else may stand there is checked by who uses it."""
        return str(value)

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        """Show the words as they are written."""
        return self.name


module_option: Decorator[Any] = click.option(
    "--module",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The calibrated module.  [default: RECORDING/module.yaml]",
)
"""``module``: a path, or None for the recording's own file."""

module_file_option: Decorator[Any] = click.option(
    "--module",
    type=click.Path(path_type=Path),
    metavar="FILE",
    required=True,
    help="The module file to write to; its other sections stay, and it is created where it does not exist.",
)
"""``module``: a path that a calibration updates."""

json_option: Decorator[Any] = click.option(
    "--json", "as_json", is_flag=True, help="Print the result as JSON on standard output."
)
"""``as_json``: whether standard output is for machines."""

dry_run_option: Decorator[Any] = click.option(
    "--dry-run", is_flag=True, help="Show what would change in the module file, and write nothing."
)
"""``dry_run``: whether nothing is to be written."""


def output_option(default: str) -> Decorator[Any]:
    """``output``: a folder, or None for the default, which is shown in words."""
    return click.option(
        "--output",
        type=click.Path(path_type=Path),
        metavar="DIR",
        help=f"Where the results go; made if need be.  [default: {default}]",
    )
