"""What a column of a table is: its name, unit, axes and meaning, in one typed place.

Readers and writers take the names of their columns from here, so that no column can be read or written that nobody
explains.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, TypeAlias

Kind: TypeAlias = Literal["number", "count", "text"]

_DTYPES: dict[Kind, str] = {"number": "float64", "count": "int64", "text": "str"}

LEVEL = "level"
BODY = "body"
NO_AXES = "none"
AXES = {
    LEVEL: "horizontal: forward = body x projected on the horizontal plane, right = 90° clockwise seen from above, down = gravity",
    BODY: "x forward, y right, z down (ISO 1151-1)",
    "start": "level and fixed: forward and right as they were at the first measured frame",
    "camera": "x right in the image, y down the image, z out along the optical axis",
    NO_AXES: "a quantity without a direction",
}
"""The frames that vectors are told in."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table.

    Parameters
    ----------
    name
        As in the header, with the unit in it.
    unit
        SI; ``1`` where there is none, ``text`` for words.
    axes
        A key of :data:`AXES`.
    meaning
        What stands in it, and what an empty cell says.
    kind
        A ``number`` (empty: no reading), a ``count`` (never empty) or ``text``.
    optional
        Whether the file may lack it.

    Raises
    ------
    ValueError
        A part is empty, or the axes are unknown.

    Examples
    --------
    >>> Column("range_m", "m", "none", "distance as the sensor tells it").dtype
    'float64'
    """

    name: str
    unit: str
    axes: str
    meaning: str
    kind: Kind = "number"
    optional: bool = False

    def __post_init__(self) -> None:
        for part in ("name", "unit", "axes", "meaning"):
            if not getattr(self, part).strip():
                raise ValueError(f"column {self.name!r} has no {part}")
        if self.axes not in AXES:
            raise ValueError(f"column {self.name!r}: unknown axes {self.axes!r}")

    @property
    def dtype(self) -> str:
        """The pandas type of its cells."""
        return _DTYPES[self.kind]


@dataclass(frozen=True, slots=True)
class CsvFile:
    """A table on disk: what it holds, which command makes or reads it, and its columns in their order.

    Raises
    ------
    ValueError
        A text is missing, or two columns share a name.
    """

    name: str
    about: str
    used_by: str
    columns: tuple[Column, ...]

    def __post_init__(self) -> None:
        if not (self.name and self.about and self.used_by and self.columns):
            raise ValueError(f"table {self.name!r} lacks a text or columns")
        if len(set(self.names)) < len(self.columns):
            raise ValueError(f"table {self.name!r} names a column twice")

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all columns, in the order of the file."""
        return tuple(column.name for column in self.columns)

    @property
    def needed(self) -> tuple[str, ...]:
        """Names of the columns of numbers that the file must have."""
        return tuple(c.name for c in self.columns if not c.optional and c.kind != "text")

    @property
    def optional(self) -> tuple[str, ...]:
        """Names of the columns that the file may lack."""
        return tuple(c.name for c in self.columns if c.optional)

    def pick(self, *names: str) -> tuple[str, ...]:
        """Give names of columns back, once it is plain that the file defines them.

        Raises
        ------
        KeyError
            The file has no such column.
        """
        self.check(names)
        return names

    def check(self, names: Iterable[str]) -> None:
        """Refuse to write columns that are not defined.

        Raises
        ------
        KeyError
            The file has no such column.
        """
        if unknown := [name for name in names if name not in self.names]:
            raise KeyError(f"{self.name} defines no column {', '.join(unknown)}; describe it in flow.columns")
