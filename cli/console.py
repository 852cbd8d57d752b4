"""How results are laid out for people: folded at a narrow terminal, one line an item in a pipe or a file."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rich.console import Console
from rich.text import Text

UNBOUNDED = 10_000
"""Characters; the width of what is no terminal: a line that a program reads is never folded."""

_GAP = 2
_NARROW_INDENT = 2
_LEAST_NAME = 10  # characters of a table's first column
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
    if console.width - label.cell_len < _LEAST_TEXT:
        label = _indented(label)
    lead = label.cell_len
    if lead and console.width - lead < _LEAST_TEXT:
        print_text(console, label)
        label = Text(" " * _NARROW_INDENT)
        lead = _NARROW_INDENT
    for k, line in enumerate(text.wrap(console, max(1, console.width - lead)) or [Text()]):
        whole = (label if k == 0 else Text(" " * lead)) + line
        whole.rstrip()
        console.print(whole, soft_wrap=True)


def _indented(label: Text) -> Text:
    """Give a label with less space before it, where there is much."""
    deep = len(label.plain) - len(label.plain.lstrip())
    return label[deep - _NARROW_INDENT :] if deep > _NARROW_INDENT else label


def print_table(
    console: Console, titles: Sequence[str], rows: Sequence[Sequence[str | Text]], *, left: Collection[int] = (0,)
) -> None:
    """Print a table; where it is wider than the console, its columns in several parts below one another.

    Each part repeats the first column, which may be folded, so that a row can be found in each. No cell is cut.

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
    lines = [[Text(title, style="bold") for title in titles], *cells]
    widths = [max(line[k].cell_len for line in lines) for k in range(len(titles))]
    if sum(widths) + _GAP * (len(widths) - 1) > console.width:  # then the first column leaves room for one beside it
        room = min(console.width // 2, console.width - _GAP - max(widths[1:], default=0))
        widths[0] = min(widths[0], max(_LEAST_NAME, room))
    for part in _parts(widths, console.width):
        for line in lines:
            first, *others = line[0].wrap(console, widths[0]) or [Text()]
            row = [first, *(line[k] for k in part[1:])]
            text = Text(" " * _GAP).join(
                _padded(cell, widths[k], to_left=k in left) for k, cell in zip(part, row, strict=True)
            )
            for text_line in (text, *(Text("  ") + other for other in others)):
                text_line.rstrip()
                console.print(text_line, soft_wrap=True)


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
    cell = cell.copy()
    cell.rstrip()
    spaces = Text(" " * (width - cell.cell_len))
    return cell + spaces if to_left else spaces + cell
