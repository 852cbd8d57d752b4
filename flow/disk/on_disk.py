"""Columns of numbers as long as a recording, which need not stay in memory."""

from __future__ import annotations

import tempfile
from array import array
from collections.abc import Iterable
from pathlib import Path
from typing import BinaryIO, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError

Array: TypeAlias = NDArray[np.float64]

_IN_MEMORY = 65_536  # 18 minutes at 60 frames/s


class LongColumn:
    """Takes numbers one after another; a long column goes to a nameless file, whose pages the system may drop.

    >>> column = LongColumn()
    >>> column.extend([1.0, 2.5])
    >>> column.finish()
    array([1. , 2.5])
    """

    def __init__(self) -> None:
        self._newest = array("d")
        self._file: BinaryIO | None = None
        self._count = 0

    def __len__(self) -> int:
        return self._count + len(self._newest)

    def append(self, value: float) -> None:
        """Take a number."""
        self._newest.append(value)
        if len(self._newest) >= _IN_MEMORY:
            self._put_away()

    def extend(self, values: Iterable[float]) -> None:
        """Take some numbers."""
        self._newest.extend(values)
        if len(self._newest) >= _IN_MEMORY:
            self._put_away()

    def finish(self) -> Array:
        """Give all of them, (N,), read-only.

        Raises
        ------
        DataError
            No room for the file.
        """
        if self._file is None:
            whole = np.array(self._newest)
        else:
            self._put_away()
            whole = np.asarray(np.memmap(self._file, np.float64, "r", shape=(self._count,)))
            self._file.close()  # the array holds its pages all the same
        whole.flags.writeable = False
        return whole

    def __del__(self) -> None:
        if self._file is not None:
            self._file.close()

    def _put_away(self) -> None:
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile()  # noqa: SIM115 - closed when the array that shows it is made
            self._newest.tofile(self._file)
            self._file.flush()
        except OSError as error:
            problem = f"no room for the times of a long recording ({error.strerror}); let TMPDIR name a larger disk"
            raise DataError(problem, path=Path(tempfile.gettempdir())) from None
        self._count += len(self._newest)
        self._newest = array("d")
