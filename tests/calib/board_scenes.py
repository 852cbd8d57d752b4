"""Pictures of a board under a known lens, made ray by ray: exact truth for the calibration tests."""

from __future__ import annotations

import cv2
import numpy as np

from calib.boards import BoardKind
from calib.bundle import Model

DARK, LIGHT, AROUND = 40.0, 205.0, 120.0
PINHOLE = np.array([531.2, 531.9, 322.4, 236.8, -0.28, 0.09, 4e-4, -3e-4, 0.0])
FISHEYE = np.array([285.0, 285.6, 322.4, 236.8, -0.02, 0.004, -0.001, 0.0002])
SIZE = (640, 480)


def matrix(lens):
    return np.array([[lens[0], 0, lens[2]], [0, lens[1], lens[3]], [0, 0, 1.0]])


def project(points, pose, model: Model, lens):
    """OpenCV's projection, the independent reference."""
    if model == "fisheye":
        return cv2.fisheye.projectPoints(points[:, None], pose[:3], pose[3:], matrix(lens), lens[4:])[0][:, 0]
    return cv2.projectPoints(points, pose[:3], pose[3:], matrix(lens), lens[4:])[0][:, 0]


def random_pose(rng, board: BoardKind, model: Model, lens, *, tilt_deg=(5, 45), distance=(0.35, 0.75), border_px=4):
    """Draw a pose in which every point of the board is in the picture."""
    points = board.points_m
    while True:
        around, tilt, roll = (
            rng.uniform(-np.pi, np.pi),
            np.radians(rng.uniform(*tilt_deg)),
            rng.uniform(-np.pi, np.pi),
        )
        aim = np.radians(rng.uniform(0, 30 if model == "pinhole" else 60)) * np.array(
            [np.cos(a := rng.uniform(-np.pi, np.pi)), np.sin(a), 0]
        )
        R_aim = cv2.Rodrigues(aim)[0]
        R = (
            R_aim
            @ cv2.Rodrigues(tilt * np.array([np.cos(around), np.sin(around), 0]))[0]
            @ cv2.Rodrigues(np.array([0, 0, roll]))[0]
        )
        away = R_aim @ np.array([0, 0, rng.uniform(*distance) * lens[0] / 531.0])
        pose = np.concatenate([cv2.Rodrigues(R)[0].ravel(), away - R @ points.mean(axis=0)])
        if (points @ R.T + pose[3:])[:, 2].min() < 0.05:
            continue
        pixels = project(points, pose, model, lens)
        if pixels.min() > border_px and (pixels < np.array(SIZE) - 1 - border_px).all():
            return pose


class Renderer:
    """Renders boards under one lens; the rays of all sub-pixels are found once."""

    def __init__(self, model: Model, lens, size=SIZE, oversample=4):
        self.model, self.lens, self.size, self.over = model, lens, size, oversample
        step = (np.arange(oversample) + 0.5) / oversample - 0.5
        x = (np.arange(size[0])[:, None] + step).ravel()
        y = (np.arange(size[1])[:, None] + step).ravel()
        at = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 1, 2)
        exact = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-9)
        undistort = cv2.fisheye.undistortPoints if model == "fisheye" else cv2.undistortPoints
        rays = undistort(at, matrix(lens), lens[4:], criteria=exact)[:, 0]
        self.x, self.y = np.ascontiguousarray(rays.T, np.float32).reshape(2, len(y), len(x))

    def render(self, board: BoardKind, pose, rng, *, noise=2.0, blur_px=0.6, hide=None, light=None):
        """Make a grey picture; ``hide(xy_m)`` marks what covers the board, ``light`` (H, W) multiplies."""
        R = cv2.Rodrigues(pose[:3])[0]
        to_plane = np.linalg.inv(np.column_stack([R[:, 0], R[:, 1], pose[3:]]))
        picture = np.full(self.size[::-1], AROUND)
        x0, y0, x1, y1 = self._span(board, pose)
        k = self.over
        part = (slice(y0 * k, y1 * k), slice(x0 * k, x1 * k))
        M = to_plane.astype(np.float32)
        u, v, w = (row[0] * self.x[part] + row[1] * self.y[part] + row[2] for row in M)
        ahead = w > 1e-6
        w = np.where(ahead, w, np.float32(1))
        xy = np.stack([u / w, v / w], axis=-1)
        fine = np.full(xy.shape[:2], np.float32(AROUND))
        sheet = ahead & (np.abs(xy - board.points_m[:, :2].mean(axis=0)) < _half_sheet(board)).all(axis=-1)
        fine[sheet] = np.where(_dark(board, xy[sheet]), DARK, LIGHT)
        if hide is not None:
            fine[sheet] = np.where(hide(xy[sheet]), AROUND, fine[sheet])
        picture[y0:y1, x0:x1] = fine.reshape(y1 - y0, k, x1 - x0, k).mean(axis=(1, 3))
        if light is not None:
            picture *= light
        if blur_px:
            picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
        return np.clip(np.rint(picture + rng.normal(0, noise, picture.shape)), 0, 255).astype(np.uint8)

    def _span(self, board: BoardKind, pose):
        """Columns and rows, px, outside of which no ray meets the sheet."""
        middle, half = board.points_m[:, :2].mean(axis=0), _half_sheet(board)
        rim = np.linspace(-1, 1, 41)
        on = np.concatenate(
            [np.column_stack(np.broadcast_arrays(*pair)) for e in (-1, 1) for pair in ((rim, e), (e, rim))]
        )
        rim_m = np.column_stack([middle + on * half, np.zeros(len(on))])
        pixels = project(rim_m, pose, self.model, self.lens)
        if ((rim_m @ cv2.Rodrigues(pose[:3])[0].T + pose[3:])[:, 2] < 0.02).any():
            return 0, 0, *self.size
        low = np.clip(np.floor(pixels.min(axis=0)).astype(int) - 2, 0, self.size)
        high = np.clip(np.ceil(pixels.max(axis=0)).astype(int) + 3, 0, self.size)
        return *low, *high


def _half_sheet(board: BoardKind):
    """Half the white sheet: the outermost points, the squares around them, and a square's width of white."""
    return (np.array(board.grid) + 3.0) / 2 * board.size_m


def _dark(board: BoardKind, xy):
    cell = xy / board.size_m
    columns, rows = board.grid
    if board.kind == "circles":
        nearest = np.rint(cell)
        on = (nearest >= 0).all(axis=-1) & (nearest <= [columns - 1, rows - 1]).all(axis=-1)
        return on & (np.hypot(*(cell - nearest).T) < 0.25)
    square = np.floor(cell).astype(int) + 1
    on = (square >= 0).all(axis=-1) & (square <= [columns, rows]).all(axis=-1)
    if board.kind == "chessboard":
        return on & (square.sum(axis=-1) % 2 == 0)
    return on & _charuco_dark(board, cell + 1.0)


def _charuco_dark(board: BoardKind, cell):
    """OpenCV's own drawing of the board, 48 pixels a square."""
    per = 48
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    drawn = cv2.aruco.CharucoBoard((board.columns, board.rows), 1.0, 0.75, dictionary)
    image = drawn.generateImage((board.columns * per, board.rows * per), marginSize=0, borderBits=1)
    at = np.floor(cell * per).astype(int)
    return image[np.clip(at[:, 1], 0, image.shape[0] - 1), np.clip(at[:, 0], 0, image.shape[1] - 1)] < 128
