"""A picture to the points of a board, refined in several ways; which is best, the fit decides."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.boards import BoardKind
from calib.markers import without_markers

Grey: TypeAlias = NDArray[np.uint8]

HALF_WINDOWS_PX = (5, 3, 2, 7, 11)
"""Half-windows tried for the saddle point; 5 and 11 are those of the published results, 5 serves where no choice
is made."""

_SECTOR = "sector detector"
_WINDOW_SHARE = 0.45  # of the distance to the next corner; a window that reaches that one pulls towards it
_DETECT_PX = 1280  # boards are looked for in pictures no larger than this; refined in the full picture
_QUADS = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
_LEAST_POINTS = 8
_CRITERIA = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-4)
_FAMILIES = ("4X4", "5X5", "6X6", "7X7")


@dataclass(frozen=True, slots=True, kw_only=True)
class Corners:
    """Points found on a board: which of ``BoardKind.points_m`` (N,), and where in the picture (N, 2), px."""

    ids: NDArray[np.intp]
    pixels: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoCorners:
    """Why no points of the board were found."""

    reason: str


Found: TypeAlias = dict[str, Corners]


def window_name(half_px: int) -> str:
    """Name of the refinement with this half-window."""
    return f"window of {half_px} px"


class CornerFinder:
    """Finds one kind of board.

    Parameters
    ----------
    board
        The board. A charuco board may be partly hidden; its marker dictionary is found out from the first
        pictures.
    """

    def __init__(self, board: BoardKind) -> None:
        self.board = board
        self._detector: cv2.aruco.CharucoDetector | None = None

    def find(self, grey: Grey) -> Found | NoCorners:
        """Points of the board by refinement name; all refinements hold the same points.

        Parameters
        ----------
        grey
            (H, W) picture.

        Notes
        -----
        Chessboard: OpenCV's two detectors (``findChessboardCorners``, quads; ``findChessboardCornersSB``,
        Duda and Frese 2018), then the saddle point by ``cornerSubPix`` in several half-windows; the sector
        detector's own sub-pixel answer is one candidate. Discs: ``findCirclesGrid``, and a grey-weighted
        centroid.
        """
        match self.board.kind:
            case "chessboard":
                return self._chessboard(grey)
            case "circles":
                return self._circles(grey)
            case "charuco":
                return self._charuco(grey)

    def _chessboard(self, grey: Grey) -> Found | NoCorners:
        small, scale = _shrunk(grey)
        ok, quads = cv2.findChessboardCorners(small, self.board.grid, flags=_QUADS)
        sector_ok, sector = cv2.findChessboardCornersSB(small, self.board.grid)
        if not ok and not sector_ok:
            return NoCorners(reason="the whole board was not found")
        seed = _lifted(quads if ok else sector, scale)
        ids = np.arange(len(seed))
        found = _by_window(grey, ids, seed, self.board)
        if sector_ok and scale == 1:
            matched = _matched(_lifted(sector, 1.0), seed)
            if matched is not None:
                found[_SECTOR] = Corners(ids=ids, pixels=matched)
        return found

    def _circles(self, grey: Grey) -> Found | NoCorners:
        small, scale = _shrunk(grey)
        parameters = cv2.SimpleBlobDetector.Params()
        parameters.minArea, parameters.maxArea = 12.0, small.size / self.board.columns / self.board.rows
        parameters.minDistBetweenBlobs = 3.0
        detector = cv2.SimpleBlobDetector.create(parameters)
        for flags in (cv2.CALIB_CB_SYMMETRIC_GRID, cv2.CALIB_CB_SYMMETRIC_GRID | cv2.CALIB_CB_CLUSTERING):
            ok, centres = cv2.findCirclesGrid(small, self.board.grid, flags=flags, blobDetector=detector)
            if ok:
                blobs = _lifted(centres, scale)
                ids = np.arange(len(blobs))
                weighted = _grey_centroids(grey, blobs)
                found = {"blob": Corners(ids=ids, pixels=blobs)}
                return found if weighted is None else {**found, "centroid": Corners(ids=ids, pixels=weighted)}
        return NoCorners(reason="the whole grid of discs was not found")

    def _charuco(self, grey: Grey) -> Found | NoCorners:
        # A layout once proven is kept; until then every dictionary and both layouts are tried.
        tried = [self._detector] if self._detector is not None else list(_charuco_detectors(self.board))
        best = None
        for detector in tried:
            pixels, ids, markers, _ = detector.detectBoard(grey)
            if ids is not None and (best is None or len(ids) > len(best[0])):
                at = np.asarray(pixels, float).reshape(-1, 2)
                best = np.ravel(ids).astype(np.intp), at, [np.asarray(m, float)[0] for m in markers], detector
        if best is None or not _spread_out(best[0], self.board):
            return NoCorners(reason=f"fewer than {_LEAST_POINTS} corners between recognised markers")
        named, seed, quads, self._detector = best
        return _by_window(without_markers(grey, quads), named, seed, self.board)


def seen_mirrored(grey: Grey, board: BoardKind) -> bool:
    """Whether a charuco board reads only in the mirror; no other board can tell left from right."""
    return board.kind == "charuco" and not isinstance(CornerFinder(board).find(_mirror(grey)), NoCorners)


def grid_in_view(pictures: Sequence[Grey]) -> tuple[int, int] | None:
    """Columns and rows of inner corners of the chessboard that most pictures show; None if they disagree."""
    flags = cv2.CALIB_CB_LARGER | cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_NORMALIZE_IMAGE
    votes: Counter[tuple[int, int]] = Counter()
    for grey in pictures:
        found = cv2.findChessboardCornersSBWithMeta(_shrunk(grey)[0], (4, 4), flags)
        if found[0]:
            rows, columns = np.asarray(found[2]).shape[:2]
            votes[max(rows, columns), min(rows, columns)] += 1
    if not votes:
        return None
    # A grid grown from its middle may stop early or take in the edge of the sheet. Either detector alone
    # finds boards one row too large or too small now and then; both together do not.
    grid, _ = votes.most_common(1)[0]
    return grid if 2 * sum(_seen_by_both(grey, grid) for grey in pictures) > len(pictures) else None


def _seen_by_both(grey: Grey, grid: tuple[int, int]) -> bool:
    small, _ = _shrunk(grey)
    return cv2.findChessboardCorners(small, grid, flags=_QUADS)[0] and cv2.findChessboardCornersSB(small, grid)[0]


def _mirror(grey: Grey) -> Grey:
    return np.ascontiguousarray(grey[:, ::-1])


def _shrunk(grey: Grey) -> tuple[Grey, float]:
    scale = max(grey.shape) / _DETECT_PX
    if scale <= 1:
        return grey, 1.0
    size = (round(grey.shape[1] / scale), round(grey.shape[0] / scale))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8), grey.shape[1] / size[0]


def _lifted(found: cv2.typing.MatLike, scale: float) -> NDArray[np.float64]:
    """Shrunk pixels to full-size ones, both counted from the centre of the first pixel."""
    return (np.asarray(found, float).reshape(-1, 2) + 0.5) * scale - 0.5


def _by_window(grey: Grey, ids: NDArray[np.intp], seed: NDArray[np.float64], board: BoardKind) -> Found:
    spacing = _spacing_px(ids, seed, board)
    found: Found = {}
    for half in HALF_WINDOWS_PX:
        # Far boards get the widest window that keeps off the next corner; the name stays, the views stay
        # comparable.
        fitting = max(2, min(half, int(_WINDOW_SHARE * spacing)))
        refined = cv2.cornerSubPix(
            grey, seed.astype(np.float32).reshape(-1, 1, 2), (fitting, fitting), (-1, -1), _CRITERIA
        )
        found[window_name(half)] = Corners(ids=ids, pixels=np.asarray(refined, float).reshape(-1, 2))
    return found


def _spacing_px(ids: NDArray[np.intp], pixels: NDArray[np.float64], board: BoardKind) -> float:
    """Smallest distance between neighbours along rows and columns, px."""
    grid = np.full((board.grid[1] * board.grid[0], 2), np.nan)
    grid[ids] = pixels
    square = grid.reshape(board.grid[1], board.grid[0], 2)
    steps = [np.linalg.norm(np.diff(square, axis=axis), axis=-1).ravel() for axis in (0, 1)]
    lengths = np.concatenate(steps)
    lengths = lengths[np.isfinite(lengths)]
    return float(lengths.min()) if len(lengths) else 0.0


def _matched(other: NDArray[np.float64], seed: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """``other`` in the order of ``seed``; the two detectors may begin at different ends of the board."""
    distance = np.linalg.norm(seed[:, None] - other[None], axis=-1)
    order = distance.argmin(axis=1)
    if len(set(order.tolist())) != len(seed) or distance.min(axis=1).max() > 4.0:
        return None
    return np.asarray(other[order])


def _grey_centroids(grey: Grey, centres: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Centroid of each dark disc, pixels weighted by how dark they are; None where discs run together."""
    reach = np.partition(np.linalg.norm(centres[:, None] - centres[None], axis=-1), 2, axis=1)[:, 2]
    refined = np.empty_like(centres)
    for i, ((x, y), span) in enumerate(zip(centres, reach, strict=True)):
        x0, y0 = max(0, int(x - span)), max(0, int(y - span))
        patch = grey[y0 : int(y + span) + 2, x0 : int(x + span) + 2].astype(float)
        inner = patch[round(y) - y0, round(x) - x0]
        outer = np.percentile(patch, 90)
        dark = (patch < (inner + outer) / 2).astype(np.uint8)
        labels = cv2.connectedComponents(dark, connectivity=4)[1]
        label = labels[round(y) - y0, round(x) - x0]
        if label == 0 or outer - inner < 20:
            return None
        disc = cv2.dilate((labels == label).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        if (disc & (dark > 0) & (labels != label)).any():
            return None
        weight = np.where(disc, np.clip((outer - patch) / (outer - inner), 0.0, 1.0), 0.0)
        rows, columns = np.indices(patch.shape)
        refined[i] = np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum() + [x0, y0]
    return refined


def _charuco_detectors(board: BoardKind) -> Iterator[cv2.aruco.CharucoDetector]:
    markers = board.columns * board.rows // 2
    names = [f"DICT_{family}_{next(n for n in (50, 100, 250, 1000) if n >= markers)}" for family in _FAMILIES]
    names += ["DICT_ARUCO_ORIGINAL"] + (["DICT_APRILTAG_36h11"] if markers <= 587 else [])
    for name in names:
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
        for first_square_marked in (False, True) if board.rows % 2 == 0 else (False,):
            layout = cv2.aruco.CharucoBoard((board.columns, board.rows), board.size_m, 0.75 * board.size_m, dictionary)
            layout.setLegacyPattern(first_square_marked)
            yield cv2.aruco.CharucoDetector(layout)


def _spread_out(ids: NDArray[np.intp], board: BoardKind) -> bool:
    """Enough points, and not all on one line."""
    columns, rows = ids % board.grid[0], ids // board.grid[0]
    return len(ids) >= _LEAST_POINTS and len(set(columns.tolist())) > 1 and len(set(rows.tolist())) > 1
