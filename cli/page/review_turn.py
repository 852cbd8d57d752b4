"""What part of the image motion the gyro explains: for display, to first order in the turn."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from cli.page.review_bins import Bins
from flow.camera import Lens
from flow.module import Module
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

_CELLS = 24
_SMALL_RAD = 1e-3
_MOST_BINS = 24_000
_LONGEST_STEP_S = 0.1  # nothing is integrated over a longer hole in the log


class TurnLog:
    """Turn of the body between two times, read along as time advances; thins the rates on the way.

    Parameters
    ----------
    chunks
        The gyro log, bias not subtracted.
    bias_rad_s
        (3,), subtracted.
    """

    def __init__(self, chunks: Iterator[GyroSamples], bias_rad_s: tuple[float, float, float]) -> None:
        self._chunks = chunks
        self._bias = np.array(bias_rad_s)
        self.rates = Bins(3, _MOST_BINS)
        self._time, self._rate = np.empty(0), np.empty((0, 3))
        self._turn, self._holes = self._rate, self._time
        self._ended = False

    def between(self, begin_s: Array, end_s: Array) -> Array:
        """Turn about the body axes from each of ``begin_s`` (N,) to ``end_s`` (N,): (N, 3) rad.

        NaN where the log has a hole or does not reach. Ask in order of time.
        """
        self._forget(float(begin_s[0]))
        while not self._ended and (not len(self._time) or self._time[-1] <= end_s[-1]):
            self._read()
        if len(self._time) < 2:
            return np.full((len(begin_s), 3), np.nan)
        first, before = self._turned(begin_s)
        last, after = self._turned(end_s)
        unknown = (begin_s < self._time[0]) | (end_s > self._time[-1]) | (self._holes[last + 1] > self._holes[first])
        return np.where(unknown[:, None], np.nan, after - before)

    def finish(self) -> None:
        """Read the rest of the log."""
        while not self._ended:
            self._read()

    def _turned(self, time_s: Array) -> tuple[NDArray[np.intp], Array]:
        """Find the sample before each time, and the turn since the first sample, the rate held in between."""
        k = np.clip(self._time.searchsorted(time_s, "right") - 1, 0, len(self._time) - 2)
        return k, self._turn[k] + self._rate[k] * (time_s - self._time[k])[:, None]

    def _read(self) -> None:
        chunk = next(self._chunks, None)
        if chunk is None:
            self._ended = True
            return
        rate = chunk.rate_rad_s - self._bias
        self.rates.add(chunk.time_s, rate)
        self._hold(np.concatenate([self._time, chunk.time_s]), np.concatenate([self._rate, rate]))

    def _forget(self, before_s: float) -> None:
        keep = max(int(self._time.searchsorted(before_s)) - 1, 0)
        if keep > len(self._time) // 2:
            self._hold(self._time[keep:], self._rate[keep:])

    def _hold(self, time_s: Array, rate: Array) -> None:
        self._time, self._rate = time_s, rate
        step = np.diff(time_s)
        moved = step[:, None] * (rate[1:] + rate[:-1]) / 2
        self._turn = np.concatenate([np.zeros((1, 3)), np.cumsum(moved, axis=0)])
        self._holes = np.concatenate([[0.0], np.cumsum(step > _LONGEST_STEP_S)])


class TurnedImage:
    """How far a turn of the body moves each part of the picture."""

    def __init__(self, module: Module) -> None:
        camera = module.camera
        lens = Lens(camera)
        self._cell_px = max(camera.width_px, camera.height_px) / _CELLS
        x = np.arange(0, camera.width_px + self._cell_px, self._cell_px)
        y = np.arange(0, camera.height_px + self._cell_px, self._cell_px)
        at = np.stack(np.meshgrid(x, y), axis=-1)
        rays = lens.rays(at.reshape(-1, 2))
        solid = np.column_stack([rays, np.ones(len(rays))])
        R_camera_body = module.alignment.R_body_camera.as_matrix().T
        moved = []
        for axis in R_camera_body.T:  # body x, y, z in camera axes: the ground turns the other way
            ahead, behind = (solid - sign * _SMALL_RAD * np.cross(axis, solid) for sign in (1, -1))
            ends = [lens.pixels(ray[:, :2] / ray[:, 2:]) for ray in (ahead, behind)]
            moved.append((ends[0] - ends[1]) / (2 * _SMALL_RAD))
        grid = np.stack(moved, axis=-1).reshape(*at.shape[:2], 2, 3)
        self._px_per_rad = np.nan_to_num(grid, nan=0.0)

    def motion(self, points_px: Array, turn_rad: Array) -> Array:
        """Give the motion (..., 2), px, of points (..., 2) when the body turns by ``turn_rad`` (..., 3)."""
        rows, columns = self._px_per_rad.shape[:2]
        x, y = (np.nan_to_num(points_px) / self._cell_px + 0.5).astype(int).T
        cells = self._px_per_rad[np.clip(y, 0, rows - 1).T, np.clip(x, 0, columns - 1).T]
        return np.asarray(np.einsum("...ij,...j->...i", cells, turn_rad))
