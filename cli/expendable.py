"""Files that a measurement can do without: what goes wrong while one is made costs that file, never the speed log."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Generic, Self, TypeVar

from flow.disk.workplace import cannot_be_written
from flow.errors import DataError

T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """Files that were not made, and the exception that cost them."""

    files: tuple[str, ...]
    error: Exception

    @property
    def is_defect(self) -> bool:
        """Whether it is groundpace that is wrong, not the data or the disk."""
        return not isinstance(self.error, DataError | OSError)

    def __str__(self) -> str:
        """Say in one line what was lost and why; a defect with the exception's name and place, for a report."""
        return f"{' and '.join(self.files)} not written: {' '.join(self._why().split())}"

    def _why(self) -> str:
        error = self.error
        if isinstance(error, DataError):
            return str(error)
        if isinstance(error, OSError):
            return cannot_be_written(error)
        steps = traceback.extract_tb(error.__traceback__)
        where = f" at {Path(steps[-1].filename).name}:{steps[-1].lineno}" if steps else ""
        return f"{type(error).__name__}: {error}{where}; this is a defect of groundpace, please report it"


class Expendable(Generic[T]):
    """Guards what makes files beside the log: its first exception ends it, is kept as a :class:`Loss`, and goes no further.

    A context manager. A :class:`DataError` on entering passes: what is asked for cannot be had, and nothing has been
    measured yet. An interrupt passes at any time, and leaves no file.

    Parameters
    ----------
    files
        Names of the files that are lost with it.
    make
        Gives the context manager that is guarded. It must put its files in place on exit, or where it is exited with an
        exception leave none.
    """

    def __init__(self, files: Sequence[str], make: Callable[[], AbstractContextManager[T]]) -> None:
        self._files, self._make = tuple(files), make
        self._stack = ExitStack()
        self._held: T | None = None
        self.loss: Loss | None = None

    def __enter__(self) -> Self:
        try:
            self._held = self._stack.enter_context(self._make())
        except DataError:
            raise
        except Exception as error:
            self._lose(error)
        return self

    def run(self, step: Callable[[T], R]) -> R | None:
        """Let ``step`` work with what is guarded; None where that fails, or has failed before."""
        if self._held is None:
            return None
        try:
            return step(self._held)
        except Exception as error:
            self._lose(error)
            return None

    def close(self) -> bool:
        """Put the files in place; says whether they are."""
        self._held = None
        try:
            self._stack.close()
        except Exception as error:
            self._lose(error)
        return self.loss is None

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.close()
        else:
            self._stack.__exit__(kind, error, trace)

    def _lose(self, error: Exception) -> None:
        self.loss = self.loss or Loss(files=self._files, error=error)
        self._held = None
        with suppress(Exception):  # what else goes wrong while half-made files are cleared away has the same cause
            self._stack.__exit__(type(error), error, error.__traceback__)
