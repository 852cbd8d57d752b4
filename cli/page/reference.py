"""The reference as one page: everything that can be explained, with a table of contents and an example module file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from cli.page.report import Page, render
from cli.reference import Entry
from flow.module_reference import example_module_text
from flow.version import __version__

Row: TypeAlias = tuple[str, str, Sequence[str]]
"""What it is called, where links lead, and its other cells."""

_SUMMARY = (
    "Every column of every file, every key of the module file, every status and cause of error with what to do, and every "
    "value of an option, from the definitions that the program itself uses. Units are SI."
)
_CAUTION = (
    "A camera speed must never be an autopilot's only source: it goes blind over bare floors, in the dark and in dust. Take "
    "the propellers off whenever a module is worked on or turned by hand."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A table of the reference: what its rows are, and which fact stands in which column."""

    title: str
    about: str = ""
    head: Sequence[str]
    rows: Sequence[Row]

    @property
    def anchor(self) -> str:
        """Where links lead."""
        return _anchor(self.title)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A chapter with its tables; ``example`` is a text to copy, if there is one."""

    title: str
    about: str
    blocks: Sequence[Block]
    example: str = ""

    @property
    def anchor(self) -> str:
        """Where links lead."""
        return _anchor(self.title)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferencePage(Page):
    """What the template shows."""

    parts: Sequence[Part]


def reference_page(entries: Sequence[Entry]) -> str:
    """Give the text of the page."""
    page = ReferencePage(
        title="Reference",
        summary=_SUMMARY,
        parts=(_files(entries), _module(entries), _statuses(entries), _causes(entries), _options(entries)),
        cautions=(_CAUTION,),
        footer=(f"groundpace {__version__}; made by `groundpace explain --html`",),
    )
    return render(page, "reference.html")


def _files(entries: Sequence[Entry]) -> Part:
    axes = [_row(entry, ("are",)) for entry in entries if entry.kind == "axes"]
    blocks = [
        Block(title="Axes", about="The frames that vectors are told in.", head=("axes", "what they are"), rows=axes)
    ]
    for file in (entry for entry in entries if entry.kind == "file"):
        told = dict(file.told)
        columns = [entry for entry in entries if entry.kind == "column" and entry.place == file.word]
        about = f"{_capital(told['holds'])}. {_capital(told['use'])}."
        rows = [_column(entry) for entry in columns]
        blocks.append(Block(title=file.word, about=about, head=("column", "unit", "axes", "meaning"), rows=rows))
    about = "An empty cell means that there is no reading. It is never zero."
    return Part(title="Files and their columns", about=about, blocks=blocks)


def _column(entry: Entry) -> Row:
    told = dict(entry.told)
    meaning = told["meaning"] + (". The file may lack it" if "needed" in told else "")
    return entry.word, _id(entry), (told["unit"], told.get("axes", "none").partition(":")[0], meaning)


def _module(entries: Sequence[Entry]) -> Part:
    keys = [entry for entry in entries if entry.kind == "module key"]
    blocks = [
        Block(
            title=f"module.yaml: {section or 'top level'}",
            head=("key", "unit", "meaning", "default", "limits", "how to get it"),
            rows=[_key(entry) for entry in keys if _section(entry) == section],
        )
        for section in dict.fromkeys(map(_section, keys))
    ]
    about = (
        "What calibration knows about one camera module. A calibration rewrites its own section only; an unknown key, a wrong "
        "type or an impossible value is an error."
    )
    return Part(title="The module file", about=about, blocks=blocks, example=example_module_text())


def _section(entry: Entry) -> str:
    return entry.word.rpartition(".")[0]


def _key(entry: Entry) -> Row:
    told = dict(entry.told)
    values = "; ".join(f"{title[6:]}: {text}" for title, text in entry.told if title.startswith("value "))
    axes = f", {told['axes'].partition(':')[0]} axes" if "axes" in told else ""
    meaning = told["meaning"] + (f". {_capital(values)}" if values else "")
    cells = (told["unit"] + axes, meaning, told["default"], told.get("limits", "none"), told["how to get it"])
    return entry.word.rpartition(".")[2], _id(entry), cells


def _statuses(entries: Sequence[Entry]) -> Part:
    statuses = [entry for entry in entries if entry.kind == "status"]
    blocks = [
        Block(
            title=f"Status in {place}",
            head=("status", "meaning", "what to do"),
            rows=[_row(entry, ("meaning", "what to do")) for entry in statuses if entry.place == place],
        )
        for place in dict.fromkeys(entry.place for entry in statuses)
    ]
    about = "A row of speed.csv that is not ok has no velocity: never zero, never a guess."
    return Part(title="Statuses", about=about, blocks=blocks)


def _causes(entries: Sequence[Entry]) -> Part:
    titles = ("meaning", "what to do", "lasts", "acts", "module key")
    rows = [_row(entry, titles) for entry in entries if entry.kind == "cause of error"]
    block = Block(title="The error budget", head=("cause", *titles), rows=rows)
    about = "What the one-sigma of a row is made of. Tables, charts and JSON name the causes by these words."
    return Part(title="Causes of error", about=about, blocks=(block,))


def _options(entries: Sequence[Entry]) -> Part:
    blocks = [
        Block(
            title=f"groundpace {command.word}",
            about=dict(command.told)["does"],
            head=("option or value", "meaning", "default"),
            rows=list(_option_rows(entries, f"groundpace {command.word}")),
        )
        for command in entries
        if command.kind == "command"
    ]
    about = "A word that an option takes stands below the option. What stands in capitals is yours to fill in."
    return Part(title="Commands, options and their values", about=about, blocks=blocks)


def _option_rows(entries: Sequence[Entry], usage: str) -> Iterable[Row]:
    """Rows of a command: its options, the words of each below it; then the words of its arguments."""
    values = [entry for entry in entries if entry.kind == "option value" and entry.place.rpartition(" ")[0] == usage]
    for entry in entries:
        if entry.kind == "option" and entry.place == usage:
            yield _row(entry, ("meaning", "default"))
            for value in values:
                if value.place == f"{usage} {entry.word}":
                    yield _value(value, entry.word)
    for value in values:
        argument = value.place.rpartition(" ")[2]
        if not argument.startswith("-"):
            yield _value(value, argument.upper())


def _value(value: Entry, name: str) -> Row:
    return f"{name} {value.word}", _id(value), (dict(value.told)["meaning"], "")


def _row(entry: Entry, titles: Iterable[str]) -> Row:
    told = dict(entry.told)
    return entry.word, _id(entry), [told.get(title, "") for title in titles]


def _id(entry: Entry) -> str:
    return _anchor(f"{entry.kind} {entry.place} {entry.word}")


def _anchor(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
