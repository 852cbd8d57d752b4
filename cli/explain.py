"""``groundpace explain``: what a column, key, status, cause of error or option means."""

from __future__ import annotations

import json
import shutil
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.options import json_option
from cli.progress import note

if TYPE_CHECKING:
    from cli.reference import Entry

_WIDEST = 110  # characters: longer lines are hard to read
_NARROWEST = 30
_PLURALS = {"status": "statuses", "cause of error": "causes of error", "axes": "axes"}


@click.command(
    short_help="Say what a column, key, status, cause of error or option means.",
    context_settings={"ignore_unknown_options": True},  # `explain --codec` asks for an option of another command
)
@click.argument("word", nargs=-1)
@click.option(
    "--html",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the whole reference as one page, with a commented example of a module file.",
)
@json_option
def explain(word: tuple[str, ...], html: Path | None, as_json: bool) -> None:
    """Say what a word means: unit, axes, default, limits, and what to do about it.

    WORD is a column of any file, a file, a key or section of module.yaml, a status, a cause of error, a command,
    an option or one of its values. A word with several meanings shows all of them. Without a WORD, lists what
    can be explained.

    \b
    Examples:
      groundpace explain inlier_share
      groundpace explain range.scale
      groundpace explain no_texture
      groundpace explain --html reference.html
    """
    from cli.reference import all_entries, find, nearest

    entries = all_entries()
    asked = " ".join(word)
    found = find(asked, entries) if asked else list(entries)
    if not found:
        close = nearest(asked, entries)
        hint = f"; did you mean {', '.join(close)}?" if close else "; `groundpace explain` lists every word"
        raise click.UsageError(f"nothing is called {asked!r}{hint}")
    if html is not None:
        from cli.page.reference import reference_page
        from flow.disk.files import write_text

        write_text(html, reference_page(entries))
        note(f"written: {html}")
    if as_json:
        click.echo(json.dumps([entry.as_dict() for entry in found], indent=2, ensure_ascii=False))
    elif asked:
        _show(found)
    elif html is None:
        _list(entries)


def _formatter() -> click.HelpFormatter:
    return click.HelpFormatter(width=max(_NARROWEST, min(shutil.get_terminal_size().columns, _WIDEST)))


def _show(found: Sequence[Entry]) -> None:
    """Print what a word means, one meaning below the other, folded to the terminal; places where it means the same share one."""
    meanings: dict[tuple[object, ...], list[Entry]] = {}
    for entry in found:
        meanings.setdefault((entry.kind, entry.word, entry.told), []).append(entry)
    for k, alike in enumerate(meanings.values()):
        page, entry = _formatter(), replace(alike[0], place=", ".join(entry.place for entry in alike))
        if k:
            click.echo()
        page.write(textwrap.fill(entry.title, page.width, subsequent_indent="  ", break_on_hyphens=False) + "\n")
        with page.indentation():
            page.write_dl(list(entry.told), col_max=16)
        click.echo(page.getvalue(), nl=False)


def _list(entries: Sequence[Entry]) -> None:
    """Print every word that can be explained: the columns of each file, then the rest by what it is."""
    listed: dict[str, dict[str, None]] = {}
    for entry in entries:
        if entry.kind != "file":
            title = (
                f"columns of {entry.place}" if entry.kind == "column" else _PLURALS.get(entry.kind, f"{entry.kind}s")
            )
            listed.setdefault(title, {})[entry.word] = None
    width, indent = _formatter().width, "  "
    for title, words in listed.items():
        text = ", ".join(words)
        click.echo(f"{title}:")
        click.echo(textwrap.fill(text, width, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False))
    note("\n`groundpace explain WORD` explains one; --html FILE writes all of it as a page.")
