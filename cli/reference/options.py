"""Commands, options and what each word of an option means, read from the commands themselves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import click

from cli.reference.entry import Entry


def option_entries() -> Iterator[Entry]:
    """Explain every command, its options, and every word that an option takes."""
    for name, command in commands():
        usage = f"groundpace {name}"
        yield Entry(
            kind="command", word=name, place="", facts=(("does", _first_line(command)), ("use", f"{usage} --help"))
        )
        for param in command.params:
            if not isinstance(param, click.Option) or param.hidden or "--help" in param.opts:
                continue
            yield _option(name, param)
        for param in command.params:
            for word, text in words_of(param).items():
                where = f"{usage} {_name(param)}"
                facts = (("meaning", text),)
                yield Entry(
                    kind="option value",
                    word=word,
                    place=where,
                    facts=facts,
                    also=(_name(param), _name(param).lstrip("-")),
                )


def commands() -> tuple[tuple[str, click.Command], ...]:
    """Give every command that runs, groups walked through, by its full name."""
    from cli.main import main  # which finds this module's command by name, so that it cannot be needed before

    return tuple(_walk(main, click.Context(main), ""))


def words_of(param: click.Parameter) -> Mapping[str, str]:
    """Give what each word means that an option or argument takes; nothing where it takes none."""
    words: Mapping[str, str] = getattr(param.type, "words", {})
    return words


def _walk(command: click.Command, context: click.Context, name: str) -> Iterator[tuple[str, click.Command]]:
    if not isinstance(command, click.Group):
        yield name, command
        return
    for part in command.list_commands(context):
        inner = command.get_command(context, part)
        if inner is not None:
            yield from _walk(inner, context, f"{name} {part}".strip())


def _option(command: str, param: click.Option) -> Entry:
    text, _, worded = (param.help or "").partition("  [default: ")
    default: Any = param.default if param.show_default else worded.rstrip("]")
    if isinstance(default, list | tuple):
        default = ", ".join(map(str, default))
    facts = (
        ("meaning", text),
        ("default", "" if default is None else str(default)),
        ("values", ", ".join(words_of(param))),
        ("needed", "always" if param.required else ""),
    )
    name = _name(param)
    return Entry(kind="option", word=name, place=f"groundpace {command}", facts=facts, also=(name.lstrip("-"),))


def _name(param: click.Parameter) -> str:
    return max(param.opts, key=len) if isinstance(param, click.Option) else (param.human_readable_name)


def _first_line(command: click.Command) -> str:
    return command.short_help or command.get_short_help_str(limit=200)
