"""Where the ink of a printable board goes, in millimetres on the paper."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.boards import BoardKind
from flow.errors import DataError
from flow.wording import counted

PAPERS_MM = {
    "a4": (210.0, 297.0),
    "a3": (297.0, 420.0),
    "a2": (420.0, 594.0),
    "a1": (594.0, 841.0),
    "a0": (841.0, 1189.0),
    "letter": (215.9, 279.4),
    "legal": (215.9, 355.6),
    "tabloid": (279.4, 431.8),
}
"""Width and height upright: ISO 216, and the sizes of ANSI/ASME Y14.1 and common practice."""

CHECK_MM = 100.0
DISC_SHARE = 0.25
"""Radius of a disc over the spacing of the discs."""
MARKER_SHARE = 0.75
"""Side of a marker over the side of its square."""

_MARGIN_MM = 8.0  # most printers leave 4 to 6 mm bare (common practice)
_STRIP_MM = 12.0  # for the check lines and the label, off the board on two sides
_TICK_MM = 3.0

Box: TypeAlias = tuple[float, float, float, float]
"""Left, top, width, height, mm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardArt:
    """One sheet. Millimetres, x to the right and y down from the top left corner of the paper.

    ``boxes`` (left, top, width, height) and ``discs`` (x, y, radius) are black; ``lines`` (x0, y0, x1, y1)
    are the check lines of 100 mm, one along each side because a printer may stretch one way only;
    ``origin_mm`` is where the board's first point comes to lie.
    """

    board: BoardKind
    paper: str
    width_mm: float
    height_mm: float
    boxes: tuple[Box, ...]
    discs: tuple[tuple[float, float, float], ...]
    lines: tuple[tuple[float, float, float, float], ...]
    origin_mm: tuple[float, float]
    label: str
    label_at_mm: tuple[float, float]


def board_art(board: BoardKind, paper: str = "a4") -> BoardArt:
    """Lay a board out on paper, upright or lengthwise, at true scale.

    Raises
    ------
    DataError
        It does not fit, or it is a charuco board with more markers than any dictionary has.
    """
    upright = PAPERS_MM[paper]
    width, height = _extent_mm(board)
    for sheet in (upright, upright[::-1]):
        if width + _STRIP_MM + 2 * _MARGIN_MM <= sheet[0] and height + _STRIP_MM + 2 * _MARGIN_MM <= sheet[1]:
            return _laid_out(board, paper, sheet)
    room = [(side - 2 * _MARGIN_MM - _STRIP_MM) for side in sorted(upright)]
    share = min(room[0] / min(width, height), room[1] / max(width, height))
    larger = [name for name, sides in PAPERS_MM.items() if _fits((width, height), sides)]
    remedy = f"a SIZE of {np.floor(share * board.size_m * 1e4) / 1e4:g} fits"
    if larger:
        remedy += f", or --paper {min(larger, key=lambda name: PAPERS_MM[name][0] * PAPERS_MM[name][1])}"
    raise DataError(
        f"{board} covers {width:.0f} x {height:.0f} mm, and {paper} has {room[0]:.0f} x {room[1]:.0f} mm "
        f"to print on; {remedy}",
        key="board",
    )


def dictionary_for(board: BoardKind) -> cv2.aruco.Dictionary:
    """Marker dictionary of a printed charuco board: the smallest of 4 x 4 bits that has enough markers."""
    markers = board.columns * board.rows // 2
    for count in (50, 100, 250, 1000):
        if markers <= count:
            return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_4X4_{count}"))
    raise DataError(
        f"{board} needs {counted(markers, 'marker')}, the largest dictionary has 1000; print fewer squares", key="board"
    )


def _fits(extent_mm: tuple[float, float], sides_mm: tuple[float, float]) -> bool:
    extra = _STRIP_MM + 2 * _MARGIN_MM
    return min(extent_mm) + extra <= min(sides_mm) and max(extent_mm) + extra <= max(sides_mm)


def _extent_mm(board: BoardKind) -> tuple[float, float]:
    """Width and height of the ink."""
    grown = {"chessboard": 1.0, "charuco": 0.0, "circles": 2 * DISC_SHARE - 1}[board.kind]
    return 1e3 * board.size_m * (board.columns + grown), 1e3 * board.size_m * (board.rows + grown)


def _laid_out(board: BoardKind, paper: str, sheet_mm: tuple[float, float]) -> BoardArt:
    width, height = _extent_mm(board)
    left, top = (sheet_mm[0] - _STRIP_MM - width) / 2, (sheet_mm[1] - _STRIP_MM - height) / 2
    size = 1e3 * board.size_m
    inset = DISC_SHARE * size if board.kind == "circles" else size
    x_line, y_line = sheet_mm[0] - _MARGIN_MM - _TICK_MM, sheet_mm[1] - _MARGIN_MM - _TICK_MM
    check_x, check_y = _MARGIN_MM + _TICK_MM, (sheet_mm[1] - CHECK_MM) / 2
    return BoardArt(
        board=board,
        paper=paper,
        width_mm=sheet_mm[0],
        height_mm=sheet_mm[1],
        boxes=tuple(_boxes(board, left, top)),
        discs=tuple(_discs(board, left + inset, top + inset)),
        lines=tuple(_check_lines(check_x, y_line, x_line, check_y)),
        origin_mm=(left + inset, top + inset),
        label=f"{board}: print at 100 %, not fitted to the page; both lines must measure {CHECK_MM:g} mm",
        label_at_mm=(check_x, y_line - 2.0),
    )


def _boxes(board: BoardKind, left: float, top: float) -> Iterator[Box]:
    size = 1e3 * board.size_m
    if board.kind == "circles":
        return
    squares = 1 if board.kind == "chessboard" else 0
    columns, rows = board.columns + squares, board.rows + squares
    dictionary = dictionary_for(board) if board.kind == "charuco" else None
    marker = 0
    for row in range(rows):
        for column in range(columns):
            x, y = left + column * size, top + row * size
            if (row + column) % 2 == 0:
                yield x, y, size, size
            elif dictionary is not None:
                yield from _marker_boxes(dictionary, marker, x, y, size)
                marker += 1


def _marker_boxes(dictionary: cv2.aruco.Dictionary, marker: int, x: float, y: float, size: float) -> Iterator[Box]:
    """Black runs of a marker's rows, its black border of one cell included."""
    cells = dictionary.markerSize + 2
    bits: NDArray[np.uint8] = np.asarray(cv2.aruco.generateImageMarker(dictionary, marker, cells), np.uint8)
    cell = MARKER_SHARE * size / cells
    x, y = x + (1 - MARKER_SHARE) / 2 * size, y + (1 - MARKER_SHARE) / 2 * size
    for row in range(cells):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], bits[row] < 128, [0]])))
        for start, stop in edges.reshape(-1, 2).tolist():
            yield x + start * cell, y + row * cell, (stop - start) * cell, cell


def _discs(board: BoardKind, x: float, y: float) -> Iterator[tuple[float, float, float]]:
    if board.kind == "circles":
        for point in board.points_m * 1e3:
            yield x + float(point[0]), y + float(point[1]), DISC_SHARE * 1e3 * board.size_m


def _check_lines(x: float, y_line: float, x_line: float, y: float) -> Iterator[tuple[float, float, float, float]]:
    """Lines along two sides of the paper, with a tick at both ends."""
    yield x, y_line, x + CHECK_MM, y_line
    for end in (x, x + CHECK_MM):
        yield end, y_line - _TICK_MM / 2, end, y_line + _TICK_MM / 2
    yield x_line, y, x_line, y + CHECK_MM
    for end in (y, y + CHECK_MM):
        yield x_line - _TICK_MM / 2, end, x_line + _TICK_MM / 2, end
