"""How results are laid out for people: folded at a narrow terminal, one line an item in a pipe or a file."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

UNBOUNDED = 10_000
"""Characters; the width of what is no terminal: a line that a program reads is never folded."""

_GAP = 2
_LEAST_TEXT = 24  # characters; a text narrower than that goes below its label


def result_console(*, width: int | None = None) -> Console:
    """Console on standard output, for the result of a command.

    Parameters
    ----------
    width
        In place of the terminal's own, characters.
    """
    console = Console(highlight=False, emoji=False, width=width)
    if width is None and not console.is_terminal:
        console.width = UNBOUNDED
    return console


def print_text(console: Console, text: str | Text, *, label: str | Text = "") -> None:
    """Print a text whose folded lines stay to the right of its label.

    Parameters
    ----------
    console
        Where to.
    text
        What to print; a plain string is printed as it is, without markup.
    label
        What stands before the first line, with the spaces that part it from the text.
    """
    label = Text(label) if isinstance(label, str) else label
    text = Text(text) if isinstance(text, str) else text
    lead = label.cell_len
    if lead and console.width - lead < _LEAST_TEXT:
        label.rstrip()
        for line in label.wrap(console, console.width):
            console.print(line, soft_wrap=True)
        label, lead = Text(" " * min(4, console.width // 8)), min(4, console.width // 8)
    lines = text.wrap(console, max(1, console.width - lead)) or [Text()]
    for k, line in enumerate(lines):
        line.rstrip()
        start = label if k == 0 else Text(" " * lead)
        console.print(start + line, soft_wrap=True)


def print_table(
    console: Console, titles: Sequence[str], rows: Sequence[Sequence[str | Text]], *, left: Collection[int] = (0,)
) -> None:
    """Print a table; where it is wider than the console, its columns in several parts below one another.

    Each part repeats the first column, so that a row can be found in each. No cell is cut.

    Parameters
    ----------
    console
        Where to.
    titles
        Of the columns.
    rows
        Cells; a plain string is printed as it is, without markup.
    left
        Columns that are set to the left; the others stand to the right, as numbers do.
    """
    cells = [[Text(cell) if isinstance(cell, str) else cell for cell in row] for row in rows]
    widths = [max(cell_len(title), *(row[k].cell_len for row in cells), 0) for k, title in enumerate(titles)]
    for part in _parts(widths, console.width):
        lines = [[Text(titles[k], style="bold") for k in part], *([row[k] for k in part] for row in cells)]
        for line in lines:
            text = Text(" " * _GAP).join(
                _padded(cell, widths[k], to_left=k in left) for k, cell in zip(part, line, strict=True)
            )
            text.rstrip()
            console.print(text, soft_wrap=True)


def _parts(widths: Sequence[int], room: int) -> list[list[int]]:
    """Columns of each part: as many as there is room for beside the first, one at least."""
    parts: list[list[int]] = [[0]]
    used = widths[0]
    for k, width in enumerate(widths[1:], start=1):
        if used + _GAP + width > room and len(parts[-1]) > 1:
            parts.append([0])
            used = widths[0]
        parts[-1].append(k)
        used += _GAP + width
    return parts


def _padded(cell: Text, width: int, *, to_left: bool) -> Text:
    spaces = Text(" " * (width - cell.cell_len))
    return cell + spaces if to_left else spaces + cell
