"""Runs of a benchmark on disk: one CSV line each, appended as they end, so that an interruption costs only the last."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, fields
from pathlib import Path
from types import TracebackType, UnionType
from typing import Any, TypeAlias, TypeVar, Union, get_args, get_origin, get_type_hints

from flow.benchmark.error_sums import ErrorSums, ImageSums
from flow.benchmark.forecast import Forecast
from flow.benchmark.trial_flight import Condition
from flow.benchmark.trials import Item, Run
from flow.columns import RUNS
from flow.disk.files import replacing

Cells: TypeAlias = Mapping[str, str]
T = TypeVar("T", Condition, ErrorSums, ImageSums, Forecast)

_OWN = ("key", "method", "seed", "frames", "cpu_s", "motion_s", "position_s", "failure")
COLUMNS = RUNS.pick(*_OWN, *(f.name for part in (Condition, ErrorSums, ImageSums, Forecast) for f in fields(part)))


class RunLog:
    """The runs of one folder; a context manager.

    While work goes on they are in ``benchmark-runs.partial.csv``; :meth:`finish` renames that to
    ``benchmark-runs.csv``, which stays untouched until then. A log without a run leaves nothing behind.

    Parameters
    ----------
    folder
        Where it lives; made if need be.
    resume
        Whether runs that are there count: of the partial log, or else of the finished one.

    Raises
    ------
    DataError
        The folder cannot be written.
    """

    def __init__(self, folder: Path, *, resume: bool) -> None:
        self.path = folder / "benchmark-runs.partial.csv"
        self.finished_path = folder / "benchmark-runs.csv"
        self._resume = resume
        self._runs: dict[str, list[Run]] = {}

    def __enter__(self) -> RunLog:
        self._made = [folder for folder in self.path.parents if not folder.exists()]
        old = next((path for path in (self.path, self.finished_path) if path.exists()), None)
        if self._resume and old is not None:
            self._runs = _read(old)
        with replacing(self.path) as temporary, temporary.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerow(COLUMNS)
            _lines(file, [run for runs in self._runs.values() for run in runs])
        self._file = self.path.open("a", encoding="utf-8", newline="")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()
        if not self._runs:
            self.path.unlink(missing_ok=True)
            for folder in self._made:
                with suppress(OSError):
                    folder.rmdir()

    def __len__(self) -> int:
        """Give the number of items that are done."""
        return len(self._runs)

    def done(self, items: Sequence[Item]) -> dict[str, list[Run]]:
        """Give the runs of those items that are there whole, by key, in the order of each item's methods."""
        whole = {}
        for item in items:
            runs = {run.method: run for run in self._runs.get(item.key, ())}
            if runs.keys() >= set(item.methods):
                whole[item.key] = [runs[method] for method in item.methods]
        return whole

    def add(self, runs: Sequence[Run]) -> None:
        """Append the runs of one item."""
        _lines(self._file, runs)
        self._file.flush()
        self._runs[runs[0].key] = list(runs)

    def finish(self) -> None:
        """Say that all is done: the log takes its final name."""
        self._file.close()
        self.path.replace(self.finished_path)


def _lines(file: Any, runs: Sequence[Run]) -> None:
    rows = csv.writer(file, lineterminator="\n")
    for run in runs:
        cells = {name: getattr(run, name) for name in _OWN} | asdict(run.condition) | asdict(run.sums)
        for known in (run.image, run.forecast):
            cells |= {} if known is None else asdict(known)
        rows.writerow(["" if (cell := cells.get(name)) is None else cell for name in COLUMNS])


def _read(path: Path) -> dict[str, list[Run]]:
    """Read runs by key; a last line that was cut short, or a log of another version, counts for nothing."""
    text = path.read_text(encoding="utf-8", errors="replace")
    lines = text[: text.rfind("\n") + 1].splitlines()
    rows = csv.DictReader(lines)
    runs: dict[str, list[Run]] = defaultdict(list)
    if tuple(rows.fieldnames or ()) != COLUMNS:
        return runs
    for cells in rows:
        with suppress(ValueError, TypeError):
            run = _run(cells)
            runs[run.key].append(run)
    return runs


def _run(cells: Cells) -> Run:
    return Run(
        key=cells["key"],
        method=cells["method"],
        seed=int(cells["seed"]),
        frames=int(cells["frames"]),
        cpu_s=float(cells["cpu_s"]),
        motion_s=float(cells["motion_s"]) if cells["motion_s"] else None,
        position_s=float(cells["position_s"]) if cells["position_s"] else None,
        failure=cells["failure"],
        condition=_part(Condition, cells),
        sums=_part(ErrorSums, cells),
        image=_part(ImageSums, cells) if cells["image_due"] else None,
        forecast=_part(Forecast, cells) if cells["scatter_m_s"] else None,
    )


def _part(kind: type[T], cells: Cells) -> T:
    hints = get_type_hints(kind)
    return kind(**{f.name: _value(hints[f.name], cells[f.name]) for f in fields(kind)})


def _value(hint: Any, cell: str) -> Any:
    if get_origin(hint) in (Union, UnionType):
        return None if cell == "" else _value(get_args(hint)[0], cell)
    return hint(cell)
