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
    help="The module file to update. Its other sections stay as they are. It is created where it does not exist.",
)
"""``module``: a path that a calibration updates."""

json_option: Decorator[Any] = click.option(
    "--json", "as_json", is_flag=True, help="Print the result as JSON on standard output."
)
"""``as_json``: whether standard output is for machines."""

dry_run_option: Decorator[Any] = click.option(
    "--dry-run", is_flag=True, help="Show the changes of the module file; write nothing."
)
"""``dry_run``: whether nothing is to be written."""


class _Position(click.ParamType[list[float]]):
    """Three metres, ``X,Y,Z``."""

    name = "position"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> list[float]:
        try:
            x, y, z = map(float, str(value).split(","))
        except ValueError:
            self.fail(f"{value!r} is not X,Y,Z in metres, for example 0.03,-0.01,0.02", param, ctx)
        return [x, y, z]


position_option: Decorator[Any] = click.option(
    "--position",
    type=_Position(),
    metavar="X,Y,Z",
    help="Lever arm from the body origin, m forward, right and down, measured with a ruler; written too.",
)
"""``position``: three numbers, or None to leave what the file has."""


def output_option(default: str) -> Decorator[Any]:
    """``output``: a folder, or None for the default, which is shown in words."""
    return click.option(
        "--output",
        "-o",
        type=click.Path(path_type=Path),
        metavar="DIR",
        help=f"Folder for the results; it is created if it does not exist.  [default: {default}]",
    )


class RenamedOption(click.Option):
    """An option that is still taken by names that it had before; the help shows the new one alone.

    Parameters
    ----------
    declarations
        Names, the new one first.
    old
        Names from before.
    """

    def __init__(self, declarations: list[str], *, old: tuple[str, ...] = (), **attributes: Any) -> None:
        super().__init__([*declarations, *old], **attributes)
        self._old = old

    def get_help_record(self, ctx: click.Context) -> tuple[str, str] | None:
        """Give the line of the help, without the old names."""
        names = self.opts
        self.opts = [name for name in names if name not in self._old]
        try:
            return super().get_help_record(ctx)
        finally:
            self.opts = names


_VERBOSITY = "groundpace.verbosity"


def verbosity() -> int:
    """How much a command says beside its result: -1 errors only, 0 progress and notes, 1 the time of each stage too."""
    context = click.get_current_context(silent=True)
    return 0 if context is None else int(context.meta.get(_VERBOSITY, 0))


def _set_verbosity(ctx: click.Context, param: click.Parameter, wanted: bool) -> None:
    if wanted:
        ctx.meta[_VERBOSITY] = -1 if param.name == "quiet" else 1


def verbosity_options() -> list[click.Option]:
    """Make ``-q`` and ``-v``, which every command has; :func:`verbosity` gives what they say."""
    shared: dict[str, Any] = {"is_flag": True, "expose_value": False, "is_eager": True, "callback": _set_verbosity}
    return [
        click.Option(["-q", "--quiet"], help="Print the result and errors only: no progress, no notes.", **shared),
        click.Option(["-v", "--verbose"], help="Print the time of each stage on standard error too.", **shared),
    ]
