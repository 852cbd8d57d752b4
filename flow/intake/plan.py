"""What a person named on the command line, sorted into a plan: bag, frames, logs, and what is proposed for each log."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from flow.disk.regular import refuse_devices
from flow.errors import DataError
from flow.intake.axes import R_body_log
from flow.intake.bags import is_bag
from flow.intake.frames import PICTURE_SUFFIXES, picture_files
from flow.intake.log_times import time_zero_ns, to_ns
from flow.intake.mapping import CALENDAR, DIMENSIONS, NAMES, Clock, Columns, FramesSource, ImportPlan, LogFile, SaidPart
from flow.intake.propose import Proposal, propose
from flow.intake.sniff import Layout, is_number, sniff
from flow.intake.units import unit
from flow.series import ACCEL_COLUMNS, GYRO_COLUMNS, TRUTH_COLUMNS

_STORED: Mapping[str, tuple[str, ...]] = {
    "time": ("time_s",),
    "gyro": GYRO_COLUMNS,
    "accel": ACCEL_COLUMNS,
    "range": ("range_m",),
    "air_temperature": ("air_temperature_c",),
    "attitude": ("roll_rad", "pitch_rad"),
    "velocity": TRUTH_COLUMNS[:3],
    "height": TRUTH_COLUMNS[3:],
}
_SAMPLES = 3
_OF_FRAMES = ("frame_time", "exposure")


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What the command line said beside the sources; None and empty where it said nothing."""

    parts: Sequence[SaidPart] = ()
    axes: str | None = None
    clock: Clock | None = None
    module: Path | None = None
    rate_hz: float | None = None
    times: str | None = None
    topics: Mapping[str, str] = field(default_factory=dict)
    ground_z_m: float | None = None

    def of_log(self, path: Path) -> dict[str, Columns | None]:
        """Give what was said of a log, in general and by its name."""
        said = [one for one in self.parts if one.part not in _OF_FRAMES and one.file in (None, path.name)]
        return {one.part: one.columns for one in sorted(said, key=lambda one: one.file is not None)}

    def of_frames(self, part: str) -> Columns | None:
        """Give what was said of the frames' own table."""
        return next((one.columns for one in self.parts if one.part == part), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """Columns of a log with some rows, as logged and as they will be stored (vectors in body axes).

    ``left_out`` are the columns that are not taken over. Times are less what a recording takes off long ones.
    """

    names: tuple[str, ...]
    logged: tuple[tuple[str, ...], ...]
    stored_names: tuple[str, ...]
    stored: tuple[tuple[str, ...], ...]
    left_out: tuple[str, ...]


def make_plan(sources: Sequence[Path], kept: ImportPlan | None, said: Said) -> tuple[ImportPlan, list[Proposal]]:
    """Sort sources, apply a mapping that was kept, propose the rest.

    Parameters
    ----------
    sources
        A bag; or a video or a folder of pictures, and text logs. None: those of ``kept``.
    kept
        A mapping file's content.
    said
        The command line, which has precedence over ``kept``.

    Returns
    -------
    The plan, and the proposals in it that nobody has stated, for a person to look at.

    Raises
    ------
    DataError
        A source that is nothing of these, one too many, or columns that no log has.
    """
    bags, frames, logs = _sorted(sources)
    if not sources and kept is not None:
        bags, logs = ([kept.bag] if kept.bag else []), [log.file for log in kept.logs]
    if bags and (frames or logs or len(bags) > 1):
        raise DataError("a bag is imported by itself; leave the other sources out", path=bags[0])
    base = kept or ImportPlan()
    common = {
        "clock": said.clock if said.clock is not None else base.clock,
        "module": said.module or base.module,
    }
    if bags:
        topics = {**base.topics, **said.topics}
        ground_z_m = said.ground_z_m if said.ground_z_m is not None else base.ground_z_m
        bag = {"bag": bags[0], "topics": topics, "imu_axes": said.axes or base.imu_axes, "ground_z_m": ground_z_m}
        return ImportPlan.model_validate({**bag, **common}), []
    if len(frames) > 1:
        raise DataError(f"{frames[0].name} and {frames[1].name}: a recording has one video or one folder of images")
    for path in logs:
        if path == Path():
            raise DataError("its logs name no file; name the sources: groundpace import SOURCE... --mapping FILE")
    planned = [_log(path, base, said) for path in logs]
    _check_all_used(said, [log for log, _ in planned])
    plan = ImportPlan.model_validate(
        {
            "frames": _frames(frames[0] if frames else None, base.frames, said),
            "logs": [log for log, _ in planned],
            **common,
        }
    )
    return plan, [proposal for _, proposal in planned if proposal is not None]


def sample(log: LogFile) -> Sample:
    """Take the first rows of a log that hold everything, as logged and as they will be stored."""
    layout = sniff(log.file, log.separator, log.header_line)
    parts = log.parts
    names = [name.removeprefix("-") if name not in layout.names else name for c in parts.values() for name in c.columns]
    places = [layout.column(name) for name in names]
    rows = [tuple(row[k] for k in places) for row in layout.sample if max(places) < len(row)]
    chosen = _telling([row for row in rows if any(is_number(cell) and cell for cell in row)])
    turn = np.eye(3) if log.axes is None else R_body_log(log.axes)
    zero_s = _time_zero_s(log, layout)
    stored = []
    for row in chosen:
        cells, k = [], 0
        for part, columns in parts.items():
            given = row[k : k + len(columns.columns)]
            k += len(given)
            if all(given):
                values = _converted(part, columns, given, layout.names)
                values = values - zero_s if part == "time" else values
                cells += [_digits(value) for value in (turn @ values if part in ("gyro", "accel") else values)]
            else:
                cells += [""] * len(given)
        stored.append(tuple(cells))
    stored_names = tuple(name for part in parts for name in _STORED[part])
    return Sample(
        names=tuple(names),
        logged=tuple(chosen),
        stored_names=stored_names,
        stored=tuple(stored),
        left_out=tuple(name for name in layout.names if name and name not in names),
    )


def _digits(value: float) -> str:
    """Nine decimals, as a recording keeps them: numbers that differ in it are shown to differ."""
    return f"{value + 0.0:.9f}".rstrip("0").rstrip(".")


def _time_zero_s(log: LogFile, layout: Layout) -> float:
    """Give what the first row's time makes a recording take off all times, s."""
    place = layout.column(log.time.columns[0])
    first = next((row[place] for row in layout.sample if place < len(row) and row[place]), "")
    if not first:
        return 0.0
    start_s = float(_converted("time", log.time, [first], layout.names)[0])
    return time_zero_ns([round(start_s * 1e9)]) * 1e-9


def _telling(rows: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Choose rows, first those that fill columns which the ones before leave empty."""
    chosen: list[tuple[str, ...]] = []
    seen: set[int] = set()
    for row in rows:
        filled = {k for k, cell in enumerate(row) if cell}
        if filled - seen:
            chosen.append(row)
            seen |= filled
    chosen += [row for row in rows if row not in chosen][: max(_SAMPLES - len(chosen), 0)]
    return sorted(chosen[:_SAMPLES], key=rows.index)


def _converted(part: str, columns: Columns, cells: Sequence[str], names: Sequence[str]) -> np.ndarray:
    if part == "time":
        whole = cells[0].lstrip("-").isdigit() or columns.unit == CALENDAR
        given = np.array([cells[0] if columns.unit == CALENDAR else int(cells[0]) if whole else _number(cells[0])])
        return to_ns(given, columns.unit, Path(), np.zeros(1), "time") * 1e-9
    signs = [-1.0 if name.startswith("-") and name not in names else 1.0 for name in columns.columns]
    return unit(DIMENSIONS[part], columns.unit).convert(np.array([_number(cell) for cell in cells])) * signs


def _number(cell: str) -> float:
    return float(cell.replace(",", "."))


def _sorted(sources: Sequence[Path]) -> tuple[list[Path], list[Path], list[Path]]:
    """Bags, frames and text logs, by their content."""
    bags: list[Path] = []
    frames: list[Path] = []
    logs: list[Path] = []
    for path in sources:
        if not path.exists():
            raise DataError("no such file or folder", path=path)
        refuse_devices(path)
        if is_bag(path):
            bags.append(path)
        elif path.is_dir():
            if not picture_files(path):
                kinds = ", ".join(sorted(PICTURE_SUFFIXES))
                raise DataError(f"is a folder without images ({kinds}) and no bag; name its files", path=path)
            frames.append(path)
        else:
            (logs if _is_text(path) else frames).append(path)
    return bags, frames, logs


def _is_text(path: Path) -> bool:
    with path.open("rb") as file:
        start = file.read(4096)
    control = sum(byte < 9 or 13 < byte < 32 for byte in start)
    return control == 0


def _log(path: Path, base: ImportPlan, said: Said) -> tuple[LogFile, Proposal | None]:
    """Map a log: as kept where a kept mapping fits it, else as proposed."""
    parts = said.of_log(path)
    for kept in base.logs:
        if kept.file == path or _fits(kept, path):
            update = {part: columns for part, columns in parts.items() if part in kept.parts or columns is None}
            axes = {} if said.axes is None else {"axes": said.axes}
            return LogFile.model_validate({**kept.model_dump(), **update, **axes, "file": path}), None
    proposal = propose(path, parts, said.axes)
    guessed = any(reason != "said" for reason in proposal.reasons.values())
    return proposal.log, proposal if guessed else None


def _fits(kept: LogFile, path: Path) -> bool:
    """Whether a log has all columns of a kept mapping."""
    try:
        names = sniff(path, kept.separator, kept.header_line).names
    except DataError:
        return False
    return all(name in names or name.removeprefix("-") in names for c in kept.parts.values() for name in c.columns)


def _check_all_used(said: Said, logs: Sequence[LogFile]) -> None:
    names = ", ".join(log.file.name for log in logs)
    for part, file, columns in said.parts:
        meant = [log for log in logs if file in (None, log.file.name)]
        if not meant:
            raise DataError(f"no log is called {file} ({names})", key=f"{part}@{file}")
        if columns is not None and part not in _OF_FRAMES and all(log.parts.get(part) != columns for log in meant):
            raise DataError(f"no log has the columns {', '.join(columns.columns)} ({names})", key=part)


def _frames(path: Path | None, kept: FramesSource | None, said: Said) -> FramesSource | None:
    if path is None and kept is None:
        return None
    tree = {} if kept is None else kept.model_dump(exclude_none=True)
    if path is not None:
        tree = {key: value for key, value in tree.items() if key in ("rate_hz", "time", "exposure")}
        tree["pictures" if path.is_dir() else "video"] = path
        if kept is not None and str(kept.times) == NAMES:
            tree["times"] = NAMES
    if said.rate_hz is not None:
        tree = {key: value for key, value in tree.items() if key != "times"} | {"rate_hz": said.rate_hz}
    if said.times is not None:
        tree = {key: value for key, value in tree.items() if key != "rate_hz"} | {"times": said.times}
    for ours, theirs in (("time", "frame_time"), ("exposure", "exposure")):
        if (columns := said.of_frames(theirs)) is not None:
            tree[ours] = columns
    return FramesSource.model_validate(tree)
