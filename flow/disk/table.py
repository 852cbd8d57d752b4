"""CSV files in bounded memory: cells to numbers, and the place of every cell that is not one."""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.disk.regular import refuse_devices
from flow.errors import DataError

if TYPE_CHECKING:
    import pandas as pd  # loaded by the functions that read: a quarter of a second that a live loop never needs

Array: TypeAlias = NDArray[np.float64]

CHUNK_ROWS = 32768
_TAIL_BYTES = 65536
_SHOWN = 400  # letters of a header in a message
_NEVER_EMPTY = ("time_s", "frame")


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Some consecutive rows of a CSV file.

    ``columns`` holds (N,) numbers by name, NaN where the cell is empty; ``words`` the columns read as text,
    ``""`` where empty; ``lines`` the line in the file of each row (the header is line 1). Rows without any
    cell are gone.
    """

    path: Path
    columns: Mapping[str, Array]
    words: Mapping[str, list[str]]
    lines: NDArray[np.int64]

    def refuse(self, bad: NDArray[np.bool_], key: str, problem: Callable[[float], str]) -> None:
        """Raise a `DataError` for the first row where ``bad``; ``problem`` words it, given the value."""
        if bad.any():
            row = int(bad.argmax())
            value = float(self.columns[key][row])
            raise DataError(problem(value), path=self.path, line=int(self.lines[row]), key=key)


def read_table(
    path: str | os.PathLike[str],
    needed: Sequence[str],
    optional: Sequence[str] = (),
    *,
    words: Sequence[str] = (),
    chunk_rows: int = CHUNK_ROWS,
) -> Iterator[Table]:
    """Read named columns of a CSV file, some rows at a time.

    Columns may come in any order, among others; a byte-order mark, blanks around cells and either line ending
    are understood. The header is checked at once, the rows as they are asked for.

    Parameters
    ----------
    path
        The file, UTF-8.
    needed, optional
        Columns of numbers; an optional one that is absent is absent from `Table.columns` too.
    words
        Needed columns that hold text.
    chunk_rows
        Rows at a time.

    Raises
    ------
    DataError
        No such file, empty, not text, a needed column missing or given twice, a cell that is not a finite
        number, a row with more cells than the header.
    """
    target = Path(path)
    names, cells = _header(target)
    for key in (*needed, *words):
        if key not in names:
            raise DataError(f"column missing; {_found(names)}", path=target, line=1, key=key)
    for key in (*needed, *optional, *words):
        if names.count(key) > 1:
            raise DataError("column given twice", path=target, line=1, key=key)
    numbers = [key for key in (*needed, *optional) if key in names]
    return _chunks(target, names, max(len(names), cells) + 1, numbers, words, chunk_rows)


def time_steps(
    table: Table, before_s: float | None, key: str = "time_s", *, longest_step_s: float | None = None
) -> float | None:
    """Check that times are given and increase, from ``before_s`` (None at the start) on; give the last.

    Raises
    ------
    DataError
        A row without time, a time that repeats or runs backwards (says both), or steps usually longer than
        ``longest_step_s``, which only a wrong unit explains.
    """
    time_s = table.columns[key]
    table.refuse(np.isnan(time_s), key, lambda _: "empty; every row needs its time")
    if not len(time_s):
        return before_s
    earlier = np.concatenate([[-np.inf if before_s is None else before_s], time_s[:-1]])
    bad = ~(time_s > earlier)
    if bad.any():
        row = int(bad.argmax())
        how = "repeats" if time_s[row] == earlier[row] else "runs backwards"
        problem = f"time {how}: {time_s[row]:.9g} s after {earlier[row]:.9g} s; times must increase"
        raise DataError(problem, path=table.path, line=int(table.lines[row]), key=key)
    step = float(np.median(np.diff(time_s))) if len(time_s) > 3 else 0.0
    if longest_step_s is not None and step > longest_step_s:
        factor = step / longest_step_s
        unit = "milliseconds" if factor < 1e3 else "microseconds" if factor < 1e6 else "nanoseconds"
        problem = f"rows are {step:.6g} s apart (median); is time in {unit}?"
        raise DataError(problem, path=table.path, line=int(table.lines[0]), key=key)
    return float(time_s[-1])


def time_span_s(path: str | os.PathLike[str], key: str = "time_s") -> tuple[float, float]:
    """First and last time of a CSV file, from its first rows and its last bytes alone.

    Raises
    ------
    DataError
        As :func:`read_table`; also a file without rows.
    """
    target = Path(path)
    head = next((t for t in read_table(target, [key], chunk_rows=16) if len(t.lines)), None)
    if head is None:
        raise DataError("holds no row", path=target)
    time_steps(head, None, key)
    column = _header(target)[0].index(key)
    with target.open("rb") as file:
        file.seek(max(0, target.stat().st_size - _TAIL_BYTES))
        tail = file.read().decode("utf-8", errors="replace").splitlines()
    last = float(head.columns[key][-1])
    for row in csv.reader(reversed(tail)):
        try:
            found = float(row[column])
        except (IndexError, ValueError):
            continue  # the reader of the whole file will say what is wrong with this row
        last = max(last, found)
        break
    return float(head.columns[key][0]), last


def _found(names: list[str]) -> str:
    """Say what stands in the header instead of a column that was looked for."""
    shown = ", ".join(filter(None, names)) or "none"
    if len(names) == 1 and ";" in shown:
        return f"found {shown}; separate the cells by commas, not semicolons"
    shown = shown if len(shown) <= _SHOWN else shown[:_SHOWN] + " ..."
    if names and all(re.fullmatch(r"[-+.\deE]+", name) for name in names):
        return f"found {shown}; is the line of column names missing?"
    return f"found {shown}"


def _header(path: Path) -> tuple[list[str], int]:
    """Read the names in the header, and how many cells the row below it has."""
    refuse_devices(path)
    try:
        with path.open("rb") as file:
            start = file.read(_TAIL_BYTES)
        if not start.strip():
            raise DataError("empty file", path=path)
        if b"\0" in start:
            raise DataError("not a text file; a CSV table is expected", path=path)
        header, *rows = start.splitlines()
        names = next(csv.reader([header.decode("utf-8-sig")]), [])
        return [name.strip() for name in names], rows[0].count(b",") + 1 if rows else 0
    except FileNotFoundError:
        raise DataError("no such file", path=path) from None
    except IsADirectoryError:
        raise DataError("is a folder; a CSV table is expected", path=path) from None
    except OSError as error:
        raise DataError(f"cannot be read ({error.strerror})", path=path) from None
    except (UnicodeDecodeError, csv.Error):
        raise DataError("not a text file in UTF-8; a CSV table is expected", path=path, line=1) from None


def _chunks(
    path: Path, names: list[str], width: int, numbers: list[str], words: Sequence[str], chunk_rows: int
) -> Iterator[Table]:
    import pandas as pd

    try:
        with pd.read_csv(
            path,
            header=None,
            skiprows=1,
            names=range(width),  # some more than the header has: cells beyond it are found, not lost
            index_col=False,
            dtype={names.index(key): str for key in words},
            chunksize=chunk_rows,
            skip_blank_lines=False,  # a blank line still counts in an error's line number
            skipinitialspace=True,
            keep_default_na=False,
            na_values=[""],
            low_memory=False,
            encoding="utf-8-sig",
        ) as reader:
            for frame in reader:
                lines = np.asarray(frame.index, np.int64) + 2
                full = np.asarray(frame.notna().any(axis=1))
                beyond = np.asarray(frame.iloc[:, len(names) :].notna().any(axis=1))
                if beyond.any():
                    raise _too_wide(path, int(lines[beyond.argmax()]), len(names))
                frame = frame.iloc[:, : len(names)].set_axis(names, axis=1)
                yield Table(
                    path=path,
                    columns={key: _numbers(frame[key], lines, path, key)[full] for key in numbers},
                    words={key: [str(cell).strip() for cell in frame[key].fillna("")[full]] for key in words},
                    lines=lines[full],
                )
    except pd.errors.EmptyDataError:
        return
    except pd.errors.ParserError as error:
        if wide := re.search(r"in line (\d+), saw \d+", str(error)):
            raise _too_wide(path, int(wide[1]), len(names)) from None
        raise DataError(f"not a table: {error}; is a quote left open?", path=path) from None
    except UnicodeDecodeError:
        raise DataError("not a text file in UTF-8; a CSV table is expected", path=path) from None
    except OSError as error:
        raise DataError(f"cannot be read ({error.strerror})", path=path) from None


def _numbers(cells: pd.Series, lines: NDArray[np.int64], path: Path, key: str) -> Array:
    """Cells as numbers; NaN where empty; an error where anything else than a finite number stands."""
    import pandas as pd

    if cells.dtype.kind in "iuf":
        values = cells.to_numpy(float)
        bad = np.isinf(values)
    else:
        text = cells.astype("str").str.strip()
        values = pd.to_numeric(text, errors="coerce").to_numpy(float)
        bad = np.asarray(cells.notna() & (text != "")) & ~np.isfinite(values)
    if bad.any():
        row = int(bad.argmax())
        found = str(cells.iloc[row]).strip()
        if "\0" in found:
            problem = "zero bytes instead of text, as a power failure leaves them; cut the file before this line"
            raise DataError(problem, path=path, line=int(lines[row]))
        shown = found if len(found) <= 40 else found[:40] + "..."
        remedy = "" if key in _NEVER_EMPTY else "; leave the cell empty where there is no reading"
        problem = f"{shown!r} is not a finite number{remedy}"
        raise DataError(problem, path=path, line=int(lines[row]), key=key)
    return values


def _too_wide(path: Path, line: int, cells: int) -> DataError:
    return DataError(f"more cells than the {cells} of the header; is a comma a decimal point?", path=path, line=line)
