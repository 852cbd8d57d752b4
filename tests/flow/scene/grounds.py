"""Small grounds and cameras, quick to make."""

from __future__ import annotations

import functools

import numpy as np

from flow.module import Camera
from flow.scene import Ground, from_function
from flow.scene.ground import make_layer
from flow.scene.motion import Motion
from flow.scene.textures import cloud, stones

TEXEL_M = 0.5e-3
PERIOD_M = 1024 * TEXEL_M


@functools.cache
def gravel() -> Ground:
    """Half a metre of the gravel tile."""
    tile = stones(1024, TEXEL_M, np.random.default_rng(5))
    return Ground(name="small gravel", mean_levels=112.0, layers=(make_layer(tile, TEXEL_M),))


@functools.cache
def hills() -> Ground:
    """Brightness without anything finer than centimetres: its value between texels is beyond doubt."""
    tile = 30 * cloud(1024, 2e-3, 0.03, 1.0, np.random.default_rng(6))
    return Ground(name="hills", mean_levels=120.0, layers=(make_layer(tile, 2e-3),))


def plain(levels: float) -> Ground:
    """Ground of one brightness."""
    return Ground(name="plain", mean_levels=levels, layers=())


def pinhole(width: int, height: int, focal: float, readout_s: float = 0.0) -> Camera:
    """Camera without distortion."""
    return Camera(
        width_px=width, height_px=height, fx_px=focal, fy_px=focal,
        cx_px=(width - 1) / 2, cy_px=(height - 1) / 2, readout_s=readout_s,
    )  # fmt: skip


def still(north: float, east: float, height: float, roll: float = 0.0, pitch: float = 0.0, yaw: float = 0.0) -> Motion:
    """Motion that stays where it is."""
    pose = np.array([north, east, -height, roll, pitch, yaw])
    return from_function(lambda t: np.tile(pose, (len(t), 1)), 0.1)
