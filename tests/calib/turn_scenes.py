"""A module turned by hand over a scene: exact tracks, without pictures."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from calib.turn_pairs import TurnPairs
from flow.camera import Lens
from flow.module import Module
from flow.scene import CameraPath, ImuErrors, Motion
from flow.scene.sensors import sense_turn
from flow.series import GyroSamples

Array = NDArray[np.float64]
Relief = Callable[[Array], Array]


def turned_tracks(
    module: Module,
    motion: Motion,
    *,
    seed: int,
    tracks: int = 60,
    fps: float = 30.0,
    stride: int = 3,
    every: int = 1,
    noise_px: float = 0.1,
    shared_px: float = 0.0,
    relief: Relief | None = None,
    outliers: float = 0.0,
) -> TurnPairs:
    """Exact tracks of random points, with noise.

    ``noise_px`` is the noise of each end of a track; ``shared_px`` that of a whole frame, alike for all its
    points. ``relief`` gives the height of the scene above the plane at (N, 2) north, east.
    """
    rng = np.random.default_rng(seed)
    path, lens, camera = CameraPath(motion, module.alignment), Lens(module.camera), module.camera
    offset = module.alignment.time_offset_s
    frames = np.arange(0.05, motion.duration_s - 0.05, 1 / fps) - offset
    first_index = np.arange(0, len(frames) - stride, every)
    jitter = rng.normal(0, shared_px, (len(frames), 2))
    size = np.array([camera.width_px, camera.height_px])
    first, second = [np.full((len(first_index), tracks, 2), np.nan) for _ in range(2)]
    for k, i in enumerate(first_index):
        pixels = rng.uniform(8, size - 9, (tracks, 2))
        ground = _ground(path, lens, camera, frames[i] + offset, pixels, relief)
        seen = _seen(path, lens, camera, frames[i + stride] + offset, ground, pixels)
        wrong = rng.random(tracks) < outliers
        seen[wrong] += rng.uniform(-15, 15, (wrong.sum(), 2))
        inside = np.isfinite(seen).all(axis=1) & ((seen > 5) & (seen < size - 6)).all(axis=1)
        n = inside.sum()
        first[k, :n] = pixels[inside] + rng.normal(0, noise_px, (n, 2)) + jitter[i]
        second[k, :n] = seen[inside] + rng.normal(0, noise_px, (n, 2)) + jitter[i + stride]
    return TurnPairs(
        first_s=frames[first_index],
        second_s=frames[first_index + stride],
        first_px=first,
        second_px=second,
        covariance_px2=np.broadcast_to(np.eye(2) * 0.01, (*first.shape[:2], 2, 2)),
        offered=np.full(len(first_index), tracks),
        neighbours=np.full(len(first_index), tracks),
    )


def turned_gyro(module: Module, motion: Motion, *, seed: int, rate_hz: float = 200.0) -> GyroSamples:
    """Gyro log of the motion, with the module's bias and noise."""
    errors = ImuErrors(rate_hz=rate_hz)
    return sense_turn(motion, (0.0, motion.duration_s), 0.0, module.gyro, errors, np.random.default_rng(seed))


def _exposed(camera, frame_s, pixels):
    return frame_s + ((pixels[:, 1] + 0.5) / camera.height_px - 0.5) * camera.readout_s


def _ground(path, lens, camera, frame_s, pixels, relief) -> Array:
    position, turn = path.pose(_exposed(camera, frame_s, pixels))
    rays = lens.rays(pixels)
    ray = np.einsum("nij,nj->ni", turn, np.column_stack([rays, np.ones(len(rays))]))
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = -position[:, 2] / np.where(ray[:, 2] > 0.05, ray[:, 2], np.nan)
        for _ in range(30 if relief else 0):
            reach = (-position[:, 2] - relief((position + reach[:, None] * ray)[:, :2])) / ray[:, 2]
    return np.asarray(position + reach[:, None] * ray)


def _seen(path, lens, camera, frame_s, ground, pixels) -> Array:
    seen = pixels
    for _ in range(6 if camera.readout_s else 1):
        position, turn = path.pose(_exposed(camera, frame_s, np.nan_to_num(seen, nan=camera.height_px / 2)))
        ray = np.einsum("nji,nj->ni", turn, ground - position)
        with np.errstate(divide="ignore", invalid="ignore"):
            seen = lens.pixels(ray[:, :2] / np.where(ray[:, 2:] > 0.05, ray[:, 2:], np.nan))
    return seen
