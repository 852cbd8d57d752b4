"""What all commands share beside their options: pastable examples, suggestions for misspelt names."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator

import click

from cli.options import verbosity_options

_WORD = re.compile(r"(?:[^\s']|'[^']*')+")
_EXAMPLE = re.compile(r"^( +)(groundpace .*)$")
_INDENT = 4  # of the lines that go on with a command


def fold_command(line: str, width: int) -> str:
    """Fold a command line at a width, with a backslash at the end of each line that goes on.

    An option stays together with its value. What is printed can be pasted into a shell.

    >>> print(fold_command("  groundpace check flight-07 --module fern-03.yaml", 40))
      groundpace check flight-07 \\
          --module fern-03.yaml
    """
    found = _EXAMPLE.match(line)
    if found is None or len(line) <= width:
        return line
    lead, command = found.groups()
    lines, current = [], lead
    for part in _parts(command):
        if current.strip() and len(current) + 1 + len(part) + len(" \\") > width:
            lines.append(current + " \\")
            current = lead + " " * _INDENT
        current += part if current.endswith(" ") else f" {part}"
    return "\n".join([*lines, current])


def _parts(command: str) -> Iterator[str]:
    """Words of a command; an option with its value is one."""
    words = _WORD.findall(command)
    while words:
        word = words.pop(0)
        valued = word.startswith("-") and words and not words[0].startswith(("-", "&&"))
        yield f"{word} {words.pop(0)}" if valued else word


class Formatter(click.HelpFormatter):
    """Click's own, and examples that can be pasted."""

    def write(self, string: str) -> None:
        """Write a piece of the help."""
        super().write("\n".join(fold_command(line, self.width) for line in string.split("\n")))


class Context(click.Context):
    """Click's own, with our formatter."""

    formatter_class = Formatter


class Group(click.Group):
    """A group that suggests a name for one that it does not have.

    Parameters
    ----------
    order
        Names of its commands as they are listed; without it, as they were defined.
    """

    context_class = Context

    def __init__(self, *arguments: object, order: tuple[str, ...] = (), **attributes: object) -> None:
        super().__init__(*arguments, **attributes)  # type: ignore[arg-type]
        self._order = order

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands in the order of use."""
        return [*self._order, *(name for name in self.commands if name not in self._order)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Find a command, with the options that every command has."""
        found = super().get_command(ctx, cmd_name)
        return None if found is None else equipped(found)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that is asked for, or say which one may be meant."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            near = difflib.get_close_matches(args[0], self.list_commands(ctx), n=2) if args else []
            if near and not args[0].startswith("-"):
                raise click.UsageError(f"{error.message} Did you mean {' or '.join(near)}?", ctx) from None
            raise


def equipped(command: click.Command) -> click.Command:
    """Give a command the options that every command has, and our help; the same command, changed once."""
    command.context_class = Context
    if not isinstance(command, click.Group) and not any(option.name == "quiet" for option in command.params):
        command.params += verbosity_options()
    return command
