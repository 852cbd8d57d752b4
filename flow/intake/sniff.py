"""How a log in text is laid out: separator, decimal sign, the line of column names, what stands in the first rows."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from flow.errors import DataError
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]

_START_BYTES = 1 << 18
_SEPARATORS = (",", ";", "\t", "|", " ")
_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?|[-+]?(nan|inf)|", re.IGNORECASE)
_LOOK_ROWS = 60
_MOST_ABOVE = 200  # lines of a preamble


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where things are in a text log.

    ``separator`` is one character, a blank for any run of blanks; ``header_line`` counts from 1; ``names`` are the
    columns in order, ``""`` where a column has none; ``sample`` holds the cells of the first rows.
    """

    path: Path
    separator: str
    decimal: str
    header_line: int
    names: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]

    def column(self, name: str) -> int:
        """Place of a column.

        Raises
        ------
        DataError
            No column, or more than one, has that name.
        """
        count = self.names.count(name)
        if count != 1:
            held = ", ".join(filter(None, self.names))
            problem = f"no such column; there are {held}" if not count else f"{counted(count, 'column')} have this name"
            raise DataError(problem, path=self.path, line=self.header_line, key=name)
        return self.names.index(name)


def sniff(path: Path, separator: str | None = None, header_line: int | None = None) -> Layout:
    """Find the layout of a log from its beginning.

    Parameters
    ----------
    path
        A text file: any separator, lines of a preamble or comments above the column names, a line of units below.
    separator, header_line
        What is known already.

    Raises
    ------
    DataError
        Not a text file, empty, or no table of numbers below a line of names.
    """
    lines = _start(path)
    candidates = [separator] if separator is not None else list(_SEPARATORS)
    found = [layout for s in candidates if (layout := _with_separator(path, lines, s, header_line)) is not None]
    if not found:
        problem = "no line of column names with rows of numbers below it; is it a table, and are its columns named?"
        raise DataError(problem, path=path)
    return max(found, key=lambda layout: len(layout.names))


def read_columns(layout: Layout, names: Sequence[str], words: Sequence[str] = ()) -> tuple[dict[str, Any], Array]:
    """Read whole columns.

    Parameters
    ----------
    layout
        Of the file.
    names
        Columns to read: whole numbers stay whole (64 bits) where no cell is empty, others become float64 with NaN
        where a cell is empty.
    words
        Those of them to leave as text.

    Returns
    -------
    The columns by name, and the line of each row.

    Raises
    ------
    DataError
        A cell that is not a number; says where.
    """
    places = {name: layout.column(name) for name in dict.fromkeys(names)}
    try:
        table = pd.read_csv(
            layout.path,
            sep=r"\s+" if layout.separator == " " else layout.separator,
            decimal=layout.decimal,
            header=None,
            names=list(range(len(layout.names))),
            index_col=False,
            usecols=sorted(places.values()),
            dtype={places[word]: str for word in words},
            skiprows=layout.header_line,
            skip_blank_lines=False,
            skipinitialspace=True,
            low_memory=False,
            encoding="utf-8",
            encoding_errors="replace",
            on_bad_lines="error",
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError) as error:
        problem = str(error).splitlines()[0].removeprefix("Error tokenizing data. C error: ")
        raise DataError(f"cannot be read as a table ({problem})", path=layout.path) from None
    lines = np.arange(len(table)) + layout.header_line + 1
    full = np.array(table.notna().any(axis=1))
    full[: _unit_rows(layout)] = False
    columns = {
        name: table[place][full].astype(str).to_numpy()
        if name in words
        else _numbers(table[place][full], lines[full], layout, name)
        for name, place in places.items()
    }
    return columns, lines[full]


def is_number(cell: str) -> bool:
    """Whether a cell holds a number, with a point or a comma; an empty one may."""
    return _NUMBER.fullmatch(cell.strip()) is not None


def _start(path: Path) -> list[str]:
    try:
        with path.open("rb") as file:
            start = file.read(_START_BYTES)
    except OSError as error:
        raise DataError(f"cannot be read ({(error.strerror or str(error)).lower()})", path=path) from None
    if not start.strip():
        raise DataError("empty file", path=path)
    if b"\0" in start:
        raise DataError("is neither a text table nor a video nor a bag that can be read", path=path)
    lines = start.decode("utf-8-sig", errors="replace").splitlines()
    return lines[:-1] if len(start) == _START_BYTES else lines


def _with_separator(path: Path, lines: list[str], separator: str, header_line: int | None) -> Layout | None:
    decimal = "," if separator not in (",", " ") and _comma_decimals(lines, separator) else "."
    tried = range(min(len(lines) - 1, _MOST_ABOVE)) if header_line is None else [header_line - 1]
    for i in tried:
        names = tuple(_cells(lines[i].lstrip("#% "), separator))
        if len(names) < 2 or sum(bool(re.search(r"[^\W\d]", name)) for name in names) < 0.6 * len(names):
            continue
        rows = [tuple(_cells(line, separator)) for line in lines[i + 1 : i + 1 + _LOOK_ROWS] if line.strip()]
        fit = [row for row in rows if 0 <= len(row) - len(names) <= 1 and sum(map(is_number, row)) >= 0.4 * len(row)]
        if rows and len(fit) >= 0.8 * (len(rows) - 2) and fit:
            return Layout(
                path=path,
                separator=separator,
                decimal=decimal,
                header_line=i + 1,
                names=names,
                sample=tuple(rows[:_LOOK_ROWS]),
            )
    return None


def _cells(line: str, separator: str) -> list[str]:
    if separator == " ":
        return line.split()
    return [cell.strip().strip('"').strip() for cell in next(csv.reader([line], delimiter=separator), [])]


def _comma_decimals(lines: list[str], separator: str) -> bool:
    cells = [cell for line in lines[-20:] for cell in _cells(line, separator)]
    commas = sum("," in cell and is_number(cell) for cell in cells)
    return commas > 0 and commas >= sum("." in cell and is_number(cell) for cell in cells)


def _unit_rows(layout: Layout) -> int:
    """Count the rows right below the header that hold units or dashes and no number at all."""
    count = 0
    for row in layout.sample:
        if any(is_number(cell) and cell.strip() for cell in row):
            break
        count += 1
    return count


def _numbers(cells: pd.Series, lines: NDArray[Any], layout: Layout, name: str) -> NDArray[Any]:
    if cells.dtype.kind in "iuf":
        return cells.to_numpy()
    text = cells.astype("str").str.strip()
    if layout.decimal == ",":
        text = text.str.replace(",", ".", regex=False)
    values = pd.to_numeric(text, errors="coerce")
    bad = np.asarray(cells.notna() & (text != "") & (text.str.lower() != "nan") & values.isna())
    if bad.any():
        row = int(bad.argmax())
        found = str(cells.iloc[row]).strip()[:40]
        raise DataError(f"{found!r} is not a number", path=layout.path, line=int(lines[row]), key=name)
    return values.to_numpy()
