"""Calibration boards seen through a lens from known poses, every pixel the mean of its own area."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from flow.camera import Lens
from flow.columns import VIEWS
from flow.disk.files import write_table
from flow.disk.folders import fresh_folder
from flow.errors import DataError
from flow.module import Camera, Module, write_module
from flow.scene.optics import RING, blur_kernels, phases, pixel_rays
from flow.scene.recording import digitised
from flow.scene.textures import Tile
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]
SheetKind: TypeAlias = Literal["chessboard", "circles", "charuco"]

INK_LEVELS, PAPER_LEVELS, AROUND_LEVELS = 40.0, 205.0, 120.0
"""Brightness of black, of white, and of what lies around the sheet."""

_DISC_SHARE = 0.25  # radius of a disc over the spacing
_MARKER_SHARE = 0.75  # side of a marker over the side of its square
_SQUARE_CELLS = 48  # six to a bit of a marker: every edge of the drawing falls on a cell's edge
_RAYS = 6  # along each axis of a pixel: an edge is placed to a sixth, and over a corner's window far better
_BORDER_PX = 6
_TRIES = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A flat printed board.

    ``chessboard`` has ``columns`` x ``rows`` inner corners, ``circles`` as many discs, ``charuco`` as many squares;
    ``size_m`` is the side of a square or the spacing of the discs. The first inner corner or disc is the origin, x runs
    along the columns, y along the rows, z away from who reads it.
    """

    kind: SheetKind
    columns: int
    rows: int
    size_m: float

    @property
    def grid(self) -> tuple[int, int]:
        """Columns and rows of points."""
        less = 1 if self.kind == "charuco" else 0
        return self.columns - less, self.rows - less

    @property
    def points_m(self) -> Array:
        """(N, 3) corners or centres, row by row."""
        y, x = np.mgrid[: self.grid[1], : self.grid[0]]
        return np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]) * self.size_m

    @property
    def rim_m(self) -> Array:
        """(M, 3) points along the outside of the squares around the points, the first and last opposite corners."""
        x, y = (np.linspace(-1.0, n, 9) for n in self.grid)
        rim = [(a, b) for a in x for b in y if a in (x[0], x[-1]) or b in (y[0], y[-1])]
        return np.column_stack([np.array(rim), np.zeros(len(rim))]) * self.size_m

    @property
    def half_m(self) -> Array:
        """Half the width and height of the paper: the squares around the points and one more of white."""
        return (np.array(self.grid) + 3.0) / 2 * self.size_m


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardView:
    """One picture of a board, and the pose that it was made with: ``R_camera_board``, and the origin in camera axes."""

    picture: NDArray[np.uint8]
    R_camera_board: Rotation
    origin_m: Array


def render_views(
    camera: Camera,
    sheet: Sheet,
    *,
    count: int,
    noise_levels: float = 2.0,
    blur_px: float = 0.75,
    seed: int = 0,
) -> list[BoardView]:
    """Render a board from varied poses, all of it in view, tilted by up to 45 degrees.

    Parameters
    ----------
    camera
        The lens.
    sheet
        The board.
    count
        How many pictures.
    noise_levels, blur_px
        As of :class:`flow.scene.SceneSpec`.
    seed
        Seed of poses and noise.

    Raises
    ------
    DataError
        The lens sees the board whole from no pose tried.
    """
    rng = np.random.default_rng(seed)
    renderer = BoardRenderer(camera, sheet, blur_px=blur_px)
    views = []
    for _ in range(count):
        R_camera_board, origin = varied_pose(camera, sheet, rng)
        picture = digitised(renderer.picture(R_camera_board, origin), noise_levels, 0.5, rng)
        views.append(BoardView(picture=picture, R_camera_board=R_camera_board, origin_m=origin))
    return views


def write_views(
    folder: Path,
    module: Module,
    sheet: Sheet,
    *,
    count: int,
    noise_levels: float = 2.0,
    seed: int = 0,
    force: bool = False,
) -> None:
    """Write pictures of a board, the module that took them and ``views.csv`` with the true poses.

    Raises
    ------
    DataError
        The folder is taken or cannot be written; no pose shows the board.
    """
    names = [f"view-{k:02d}.png" for k in range(count)]
    own = {"module.yaml", VIEWS.name, *(f"view-{k:02d}.png" for k in range(1000))}
    with fresh_folder(Path(folder).absolute(), own, force=force) as beside:
        views = render_views(module.camera, sheet, count=count, noise_levels=noise_levels, seed=seed)
        for name, view in zip(names, views, strict=True):
            if not cv2.imwrite(str(beside / name), view.picture):
                raise DataError("cannot be written; is the disk full?", path=folder)
        turns = np.array([view.R_camera_board.as_rotvec() for view in views])
        origins_m = np.array([view.origin_m for view in views])
        columns = dict(zip(VIEWS.names, (np.array(names), *turns.T, *origins_m.T), strict=True))
        write_table(beside / VIEWS.name, VIEWS, columns, number="%.9f")
        write_module(beside / "module.yaml", module)


class BoardRenderer:
    """Renders one board through one lens without noise."""

    def __init__(self, camera: Camera, sheet: Sheet, *, blur_px: float = 0.75) -> None:
        self._sheet = sheet
        rays, missing = pixel_rays(camera, RING + 1)
        self._missing = missing[1:-1, 1:-1]
        self._rays = rays[:, 1:-1, 1:-1]
        self._along_u = (rays[:, 1:-1, 2:] - rays[:, 1:-1, :-2]) / 2
        self._along_v = (rays[:, 2:, 1:-1] - rays[:, :-2, 1:-1]) / 2
        self._phases = phases(_RAYS)
        self._kernels = blur_kernels(self._phases, blur_px)
        self._squares = _charuco_squares(sheet) if sheet.kind == "charuco" else None

    def picture(self, R_camera_board: Rotation, origin_m: Array) -> Tile:
        """Grey levels (H, W), float32."""
        R = R_camera_board.as_matrix()
        # A point (x, y) of the sheet lies along [R_x R_y origin] (x, y, 1): its inverse takes rays to the sheet.
        to_sheet = np.linalg.inv(np.column_stack([R[:, 0], R[:, 1], origin_m]))
        total = np.zeros([side - 2 * RING for side in self._missing.shape], np.float32)
        for (i, dv), (j, du) in itertools.product(enumerate(self._phases), enumerate(self._phases)):
            x, y = self._rays + du * self._along_u + dv * self._along_v
            depth = to_sheet[2, 0] * x + to_sheet[2, 1] * y + to_sheet[2, 2]
            ahead = depth > 1e-9
            scale = 1 / np.where(ahead, depth, 1.0)
            at = np.stack([(to_sheet[k, 0] * x + to_sheet[k, 1] * y + to_sheet[k, 2]) * scale for k in (0, 1)], axis=-1)
            plane = np.where(self._missing, 0.0, self._levels(at, ahead)).astype(np.float32)
            total += cv2.sepFilter2D(plane, cv2.CV_32F, self._kernels[j], self._kernels[i])[RING:-RING, RING:-RING]
        return total

    def _levels(self, at_m: Array, ahead: NDArray[np.bool_]) -> Array:
        """Brightness at places (..., 2) of the sheet's plane."""
        sheet = self._sheet
        middle = sheet.points_m[:, :2].mean(axis=0)
        on = ahead & (np.abs(at_m - middle) < sheet.half_m).all(axis=-1)
        levels = np.full(on.shape, AROUND_LEVELS)
        levels[on] = np.where(self._ink(at_m[on] / sheet.size_m), INK_LEVELS, PAPER_LEVELS)
        return levels

    def _ink(self, cell: Array) -> NDArray[np.bool_]:
        """Whether places (N, 2), in squares from the origin, are black."""
        columns, rows = self._sheet.grid
        if self._sheet.kind == "circles":
            nearest = np.clip(np.rint(cell), 0, [columns - 1, rows - 1])
            return np.asarray(np.hypot(*(cell - nearest).T) < _DISC_SHARE)
        square = np.floor(cell).astype(int) + 1
        inside = (square >= 0).all(axis=1) & (square <= [columns, rows]).all(axis=1)
        if self._squares is None:
            return np.asarray(inside & (square.sum(axis=1) % 2 == 0))
        at = np.floor((cell + 1) * _SQUARE_CELLS).astype(int)
        h, w = self._squares.shape
        return np.asarray(inside & self._squares[np.clip(at[:, 1], 0, h - 1), np.clip(at[:, 0], 0, w - 1)])


def varied_pose(camera: Camera, sheet: Sheet, rng: np.random.Generator) -> tuple[Rotation, Array]:
    """Draw a pose in which all squares of the board are in the picture, clear of its border.

    The middle of the board comes to lie anywhere in the picture, its diagonal covers 60 to 130 % of the picture's
    height.
    """
    lens = Lens(camera)
    size = np.array([camera.width_px, camera.height_px])
    rim = sheet.rim_m
    middle = rim.mean(axis=0)
    diagonal = float(np.linalg.norm(rim[0] - rim[-1]))
    for _ in range(_TRIES):
        aim = lens.rays(rng.uniform(0.15, 0.85, 2) * (size - 1))[0]
        if np.isnan(aim).any():
            continue
        ray = np.array([*aim, 1.0]) / np.hypot(1, np.hypot(*aim))
        away = diagonal * camera.fy_px / (rng.uniform(0.6, 1.3) * camera.height_px)
        towards, _ = Rotation.align_vectors([ray], [[0, 0, 1]])
        lean = Rotation.from_euler("zxz", [*_lean(rng), rng.uniform(-np.pi, np.pi)])
        R_camera_board = towards * lean
        origin = ray * away - R_camera_board.apply(middle)
        seen = R_camera_board.apply(rim) + origin
        if seen[:, 2].min() < 0.02:
            continue
        pixels = lens.pixels(seen[:, :2] / seen[:, 2:])
        if (pixels > _BORDER_PX).all() and (pixels < size - 1 - _BORDER_PX).all():
            return R_camera_board, origin
    raise DataError(f"no pose found that shows the whole {sheet.kind} board; is the lens very narrow?", key="board")


def _lean(rng: np.random.Generator) -> tuple[float, float]:
    """Direction and size of a tilt, rad; the tilts are 5 to 45 degrees."""
    return float(rng.uniform(-np.pi, np.pi)), float(np.radians(rng.uniform(5, 45)))


def _charuco_squares(sheet: Sheet) -> NDArray[np.bool_]:
    """Ink of a charuco board, 48 cells a square, in the smallest 4 x 4 dictionary that has enough markers."""
    markers = sheet.columns * sheet.rows // 2
    name = next((n for n in (50, 100, 250, 1000) if n >= markers), None)
    if name is None:
        raise DataError(f"{counted(markers, 'marker')}, more than a dictionary has", key="board")
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_4X4_{name}"))
    board = cv2.aruco.CharucoBoard((sheet.columns, sheet.rows), 1.0, _MARKER_SHARE, dictionary)
    size = (sheet.columns * _SQUARE_CELLS, sheet.rows * _SQUARE_CELLS)
    return np.asarray(board.generateImage(size, marginSize=0, borderBits=1) < 128)
