"""The calibration boards: what the user types, and where the points of a board are."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError

Kind: TypeAlias = Literal["chessboard", "circles", "charuco"]

BOARD_FORM = "KIND:COLSxROWS:SIZE"
_EXAMPLE = "for example chessboard:9x6:0.025 for 9 x 6 inner corners of 25 mm squares"


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardKind:
    """A flat board with a regular grid of points.

    Parameters
    ----------
    kind
        ``chessboard`` (columns x rows inner corners), ``circles`` (columns x rows dark discs, symmetric grid)
        or ``charuco`` (columns x rows squares, a marker in every white one).
    columns, rows
        As above.
    size_m
        Side of a square, or spacing of the discs, m. It scales the distance of the board, never the focal
        length.
    """

    kind: Kind
    columns: int
    rows: int
    size_m: float

    @property
    def grid(self) -> tuple[int, int]:
        """Columns and rows of points: the inner corners, or the discs."""
        inner = 1 if self.kind == "charuco" else 0
        return self.columns - inner, self.rows - inner

    @property
    def points_m(self) -> NDArray[np.float64]:
        """(N, 3) points row by row, m; x along the columns, y along the rows, z = 0."""
        columns, rows = self.grid
        y, x = np.mgrid[:rows, :columns]
        return np.column_stack([x.ravel(), y.ravel(), np.zeros(columns * rows)]) * self.size_m

    @property
    def outline_m(self) -> NDArray[np.float64]:
        """(4, 2) the outermost points in turn, m."""
        x, y = (self.grid[0] - 1) * self.size_m, (self.grid[1] - 1) * self.size_m
        return np.array([[0.0, 0.0], [x, 0.0], [x, y], [0.0, y]])

    def __str__(self) -> str:
        return f"{self.kind}:{self.columns}x{self.rows}:{self.size_m:g}"


def parse_board(text: str) -> BoardKind:
    """Understand ``KIND:COLSxROWS:SIZE``.

    Raises
    ------
    DataError
        Not of that form, or no board that can be printed and found.

    Examples
    --------
    >>> parse_board("chessboard:9x6:0.025").grid
    (9, 6)
    >>> parse_board("charuco:8x5:0.03").grid
    (7, 4)
    """
    match = re.fullmatch(r"([a-z]+):(\d{1,3})x(\d{1,3}):([0-9.eE+-]+)", text.strip())
    try:
        size_m = float(match[4]) if match else 0.0
    except ValueError:
        match = None
    if match is None:
        raise DataError(f"{text!r} is not {BOARD_FORM}; {_EXAMPLE}", key="board")
    columns, rows = int(match[2]), int(match[3])
    for kind in get_args(Kind):
        if kind == match[1]:
            _refuse_impossible(text, kind, columns, rows, size_m)
            return BoardKind(kind=kind, columns=columns, rows=rows, size_m=size_m)
    raise DataError(f"{match[1]!r} is no board known here; use chessboard, circles or charuco", key="board")


def _refuse_impossible(text: str, kind: Kind, columns: int, rows: int, size_m: float) -> None:
    least = 4 if kind == "charuco" else 3
    if min(columns, rows) < least:
        raise DataError(f"{text!r}: a {kind} board needs at least {least} x {least}; {_EXAMPLE}", key="board")
    if columns * rows > 1500:
        raise DataError(f"{text!r}: more than 1500 points cannot be distinguished in an image", key="board")
    if not 5e-4 <= size_m <= 1.0:
        raise DataError(
            f"{text!r}: SIZE is in metres, between 0.0005 and 1, and {size_m:g} is not (25 mm is 0.025)",
            key="board",
        )
