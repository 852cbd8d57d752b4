"""What stands where in somebody's logs: said on the command line or in a YAML file that can be kept."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple, TypeAlias

from pydantic import Field, ValidationError, model_validator
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from flow.disk.regular import refuse_devices
from flow.errors import DataError
from flow.intake.axes import R_body_log
from flow.intake.units import unit
from flow.section_sigmas import Section
from flow.unknown_key import unknown_key
from flow.wording import counted

DIMENSIONS: Mapping[str, str] = {
    "time": "time",
    "gyro": "turn rate",
    "accel": "acceleration",
    "range": "length",
    "air_temperature": "temperature",
    "attitude": "angle",
    "velocity": "speed",
    "height": "length",
    "frame_time": "time",
    "exposure": "time",
}
"""By part: what it measures."""

COUNTS: Mapping[str, int] = {"gyro": 3, "accel": 3, "attitude": 2, "velocity": 3}
"""Columns of a part; the others have one."""

NAMES = "names"
"""In place of a table of frame times: the file names of the pictures are the times."""

CALENDAR = "iso8601"
"""A unit of time: dates with hours, minutes and seconds."""


class Columns(Section):
    """Columns of a part and their unit; a minus before a name turns its sign."""

    columns: Annotated[tuple[str, ...], Field(min_length=1, max_length=3)]
    unit: str

    def tree(self) -> dict[str, Any]:
        """Plain values for YAML."""
        return {"columns": list(self.columns), "unit": self.unit}


class LogFile(Section):
    """One text log: its layout, and what is taken from it. Axes turn its vectors into body axes.

    A mapping that is kept for other files may leave ``file`` out.
    """

    file: Path = Path()
    separator: str | None = None
    header_line: Annotated[int, Field(ge=1)] | None = None
    time: Columns
    axes: str | None = None
    gyro: Columns | None = None
    accel: Columns | None = None
    range: Columns | None = None
    air_temperature: Columns | None = None
    attitude: Columns | None = None
    velocity: Columns | None = None
    height: Columns | None = None

    @model_validator(mode="after")
    def _known(self) -> LogFile:
        for part in DIMENSIONS:
            check_part(part, getattr(self, part, None))
        if self.axes is not None:
            R_body_log(self.axes)
        return self

    @property
    def parts(self) -> dict[str, Columns]:
        """What is taken, time included."""
        return {part: held for part in DIMENSIONS if (held := getattr(self, part, None)) is not None}

    def tree(self) -> dict[str, Any]:
        """Plain values for YAML."""
        layout = {"separator": self.separator, "header_line": self.header_line, "axes": self.axes}
        said = {key: value for key, value in layout.items() if value is not None}
        return {"file": str(self.file.absolute()), **said, **{part: held.tree() for part, held in self.parts.items()}}


class FramesSource(Section):
    """The frames: a video or a folder of pictures, and where their times come from.

    Without ``rate_hz`` and ``times`` they are the container's own. ``times`` is a table of frame times, or
    ``names``: the file names of the pictures are their times. ``time`` and ``exposure`` say which columns.
    """

    video: Path | None = None
    pictures: Path | None = None
    rate_hz: Annotated[float, Field(gt=0, le=20000)] | None = None
    times: Path | None = None
    time: Columns | None = None
    exposure: Columns | None = None

    @model_validator(mode="after")
    def _one(self) -> FramesSource:
        if (self.video is None) == (self.pictures is None):
            raise ValueError("name either a video or a folder of images")
        if self.rate_hz is not None and self.times is not None:
            raise ValueError("give either a rate or the times of the frames")
        check_part("time", self.time)
        check_part("exposure", self.exposure)
        return self

    def tree(self) -> dict[str, Any]:
        """Plain values for YAML."""
        paths = {key: getattr(self, key) for key in ("video", "pictures", "times")}
        said: dict[str, Any] = {
            key: str(path) if str(path) == NAMES else str(path.absolute())
            for key, path in paths.items()
            if path is not None
        }
        if self.rate_hz is not None:
            said["rate_hz"] = self.rate_hz
        return said | {key: held.tree() for key in ("time", "exposure") if (held := getattr(self, key)) is not None}


Clock: TypeAlias = Literal["search", "same"] | float


class ImportPlan(Section):
    """Everything an import is told; ``made`` is what an earlier import noted, and counts for nothing."""

    frames: FramesSource | None = None
    logs: tuple[LogFile, ...] = ()
    clock: Clock | None = None
    module: Path | None = None
    bag: Path | None = None
    topics: dict[str, str] = Field(default_factory=dict)
    imu_axes: str | None = None
    ground_z_m: float | None = None
    made: dict[str, Any] = Field(default_factory=dict, exclude=True)

    def tree(self) -> dict[str, Any]:
        """Plain values for YAML, paths made absolute."""
        said: dict[str, Any] = {}
        if self.bag is not None:
            said["bag"] = str(self.bag.absolute())
        if self.topics:
            said["topics"] = dict(self.topics)
        for key in ("imu_axes", "ground_z_m"):
            if getattr(self, key) is not None:
                said[key] = getattr(self, key)
        if self.frames is not None:
            said["frames"] = self.frames.tree()
        if self.logs:
            said["logs"] = [log.tree() for log in self.logs]
        if self.module is not None:
            said["module"] = str(self.module.absolute())
        return said if self.clock is None else {**said, "clock": self.clock}


def check_part(part: str, held: Columns | None) -> None:
    """Check that a part has as many columns as it needs, and a unit that there is.

    Raises
    ------
    DataError
        It has not.
    """
    if held is None:
        return
    count = COUNTS.get(part, 1)
    if len(held.columns) != count:
        raise DataError(
            f"{counted(count, 'column')} expected, {len(held.columns)} given: {', '.join(held.columns)}", key=part
        )
    if not (part == "time" and held.unit == CALENDAR):
        try:
            unit(DIMENSIONS[part], held.unit)
        except DataError as error:
            raise DataError(error.problem, key=part) from None


class SaidPart(NamedTuple):
    """A part as the command line says it; of one file alone where that is named, left out where ``columns`` is None."""

    part: str
    file: str | None
    columns: Columns | None


def part_from_text(text: str) -> SaidPart:
    """Read ``PART=COLUMNS:UNIT``, ``PART@FILE=COLUMNS:UNIT`` or ``PART=none``.

    Raises
    ------
    DataError
        It is not of that form, or part or unit are unknown.

    Examples
    --------
    >>> part_from_text("range@sonar.csv=dist:cm")
    SaidPart(part='range', file='sonar.csv', columns=Columns(columns=('dist',), unit='cm'))
    """
    left, _, rest = text.partition("=")
    part, _, file = (piece.strip() for piece in left.partition("@"))
    if part not in DIMENSIONS:
        raise DataError(f"{part!r} is no part of a recording; there are {', '.join(DIMENSIONS)}")
    if rest.strip() == "none":
        return SaidPart(part, file or None, None)
    names, found, unit_name = rest.rpartition(":")
    columns = tuple(name.strip() for name in names.split(",") if name.strip())
    if not found or not columns:
        example = {"gyro": "gyro=gx,gy,gz:deg/s", "attitude": "attitude=roll,pitch:deg"}.get(
            part, f"{part}=column:unit"
        )
        raise DataError(f"{text!r} is not PART=COLUMNS:UNIT, for example {example}")
    held = Columns(columns=columns, unit=unit_name.strip())
    check_part(part, held)
    return SaidPart(part, file or None, held)


def part_text(part: str, held: Columns) -> str:
    """Write a part as :func:`part_from_text` reads it."""
    return f"{part}={','.join(held.columns)}:{held.unit}"


def read_mapping(path: Path) -> ImportPlan:
    """Read a mapping file; its paths count from its own folder.

    Raises
    ------
    DataError
        Unreadable, not YAML, or a key, type or value that is not understood: names file and key.
    """
    refuse_devices(path)
    try:
        tree = YAML(typ="safe").load(path.read_bytes().decode("utf-8"))
    except OSError as error:
        raise DataError(f"cannot be read ({(error.strerror or str(error)).lower()})", path=path) from None
    except (UnicodeDecodeError, YAMLError, ValueError, RecursionError):
        raise DataError("is not YAML; a mapping file is expected", path=path) from None
    if not isinstance(tree, dict):
        raise DataError("expected sections such as `frames:` and `logs:`", path=path)
    try:
        return _placed(ImportPlan.model_validate(tree), path.resolve().parent)
    except ValidationError as error:
        first = error.errors()[0]
        problem = first["msg"].removeprefix("Value error, ").replace("Input should be", "should be")
        if first["type"] == "extra_forbidden":
            problem = unknown_key(ImportPlan, first["loc"])
        elif first["loc"][:1] == ("clock",):
            problem = "search, same or a number of seconds is expected"
        key = ".".join(str(part) for part in first["loc"] if part not in ("float", "literal['search','same']"))
        raise DataError(problem, path=path, key=key) from None
    except DataError as error:  # of a part inside
        raise DataError(error.problem, path=path, key=error.key) from None


def _placed(mapping: ImportPlan, folder: Path) -> ImportPlan:
    """Make all paths absolute."""

    def at(path: Path | None) -> Path | None:
        return None if path is None or str(path) == NAMES else folder / path

    frames = mapping.frames
    if frames is not None:
        places = {key: at(getattr(frames, key)) for key in ("video", "pictures", "times")}
        frames = frames.model_copy(update={key: path for key, path in places.items() if path is not None})
    logs = tuple(log.model_copy(update={"file": folder / log.file}) for log in mapping.logs)
    return mapping.model_copy(
        update={"frames": frames, "logs": logs, "module": at(mapping.module), "bag": at(mapping.bag)}
    )
