"""Files written whole or not at all."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from numpy.typing import NDArray

from flow.columns import CsvFile
from flow.disk.workplace import cannot_be_written, workplace
from flow.errors import DataError


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a temporary path of the same name; on success it takes the place of ``path``, on failure it goes.

    It stands alone in a hidden folder beside ``path`` (:mod:`flow.disk.workplace`). Folders that are missing are made; on
    failure those go too.

    Raises
    ------
    DataError
        The folder cannot be written, or the disk is full.
    """
    made: list[Path] = []
    try:
        if file := next((parent for parent in path.parents if parent.is_file()), None):
            raise DataError(f"cannot be written, {file} is a file; choose a folder", path=path)
        if path.is_dir():
            raise DataError("cannot be written, a folder has that name; choose another place", path=path)
        made = [folder for folder in path.parents if not folder.exists()]
        path.parent.mkdir(parents=True, exist_ok=True)
        with workplace(path.parent) as place:
            temporary = place / path.name
            temporary.touch()
            yield temporary
            temporary.chmod(0o644)
            temporary.replace(path)
        made = []
    except OSError as error:
        raise DataError(cannot_be_written(error), path=path) from None
    finally:
        for folder in made:
            with suppress(OSError):  # somebody else's by now
                folder.rmdir()


def write_text(path: Path, text: str) -> None:
    """Write ``text`` as UTF-8, whole or not at all."""
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def write_table(
    path: Path, table: CsvFile, columns: Mapping[str, NDArray[Any]], *, decimals: int = 9, number: str | None = None
) -> None:
    """Write columns that are at hand as a whole; NaN becomes an empty cell.

    Parameters
    ----------
    path
        Where to; the caller sees to it that the file appears whole.
    table
        What the file is, column by column.
    columns
        Arrays (N,) by name, in the order of the file.
    decimals
        Numbers keep so many at most.
    number
        A format for all numbers instead, such as ``%.9f``.

    Raises
    ------
    KeyError
        The table defines no such column, or a needed one is missing.
    """
    import pandas as pd  # a quarter of a second that most commands never need

    table.check(columns)
    if missing := [name for name in table.needed if name not in columns]:
        raise KeyError(f"{table.name} needs {', '.join(missing)}")
    frame = pd.DataFrame(dict(columns))
    frame = frame.round(decimals) if number is None else frame
    frame.to_csv(path, index=False, na_rep="", float_format=number, lineterminator="\n")


class RowWriter:
    """Writes a CSV file row by row; it appears when all went well, and never half-written.

    Use it as a context manager.

    Parameters
    ----------
    path
        Where the file goes; one that is there stays until the new one is whole.
    table
        What the file is, column by column.

    Raises
    ------
    DataError
        The place cannot be written, or the disk is full.
    """

    def __init__(self, path: str | os.PathLike[str], table: CsvFile) -> None:
        self._path = Path(path)
        self._columns = table.names
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        temporary = self._stack.enter_context(replacing(self._path))
        self._file = self._stack.enter_context(temporary.open("w", encoding="utf-8", newline="\n"))
        self.write_cells(self._columns)
        return self

    def write_cells(self, cells: Sequence[str]) -> None:
        """Append a row of words and numbers without commas."""
        self._file.write(",".join(cells) + "\n")

    def flush(self) -> None:
        """Put all rows on the disk, so that nothing is left to go wrong but the change of names."""
        self._file.flush()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        return self._stack.__exit__(kind, error, trace)


def cell(value: float | None, decimals: int) -> str:
    """Give a number as a CSV cell; empty where it is not known."""
    return "" if value is None or not math.isfinite(value) else f"{value:z.{decimals}f}"
