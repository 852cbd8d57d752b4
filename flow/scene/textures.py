"""Pictures of ground made by the project itself: gravel, soil, paving, a bare floor.

Every picture is a square, seamless float32 tile in grey levels around zero (contrast only).
All randomness comes from the generator given, so a seed makes the same ground again.
"""

from __future__ import annotations

from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled

Tile: TypeAlias = NDArray[np.float32]

_LIGHT = np.array([-0.55, -0.35], np.float32)  # where the light leans from, texture x and y


def stones(size: int, texel_m: float, rng: np.random.Generator) -> Tile:
    """Crushed stone of 5 to 30 mm: small stones at the bottom, medium and large ones lying on them.

    Parameters
    ----------
    size
        Side of the tile, texels.
    texel_m
        Side of a texel, m; 0.5 mm shows the grain of a stone.
    rng
        Source of all randomness.

    Returns
    -------
    (size, size) contrast in grey levels, seamless.
    """
    picture, _ = _stone_layer(size, 6e-3 / texel_m, rng)
    for diameter_m, share in ((11e-3, 0.55), (22e-3, 0.2)):
        above, height = _stone_layer(size, diameter_m / texel_m, rng, share)
        shadow = _shifted(height, (3e-3 / texel_m) * -_LIGHT)  # a stone shades what lies beside it
        picture *= 1 - 0.45 * np.minimum(shadow / (2e-3 / texel_m), 1)
        solid = np.clip(height / (0.6e-3 / texel_m), 0, 1)
        picture += solid * (above - picture)
    grain = _octaves(size, 3, texel_m, 0.7e-3, rng)
    picture += 6 * grain
    return _centred(_blurred(picture, 1.0))


def soil(size: int, texel_m: float, rng: np.random.Generator) -> Tile:
    """Trodden soil: crumbs of a few millimetres, a few small stones, no sharp structure."""
    relief = _octaves(size, 6, texel_m, 2.5e-3, rng, growth=1.6) * (6e-3 / texel_m) * 0.4
    picture = 34 * _lit(relief, np.zeros((2, 1), np.float32), np.zeros(relief.shape, np.int32)) + 10 * _octaves(
        size, 6, texel_m, 1.5e-3, rng, growth=1.05
    )
    above, height = _stone_layer(size, 9e-3 / texel_m, rng, 0.12)
    picture += np.clip(height / (0.6e-3 / texel_m), 0, 1) * (0.7 * above - picture)
    return _centred(_blurred(picture, 1.0))


def paving(size: int, texel_m: float, rng: np.random.Generator) -> Tile:
    """Concrete pavers in running bond, twenty rows and ten columns a tile, with joints and a rough face."""
    rows, columns = 20, 10
    y = np.arange(size) / size * rows
    x = np.arange(size) / size * columns
    row = y.astype(int)
    bond = (x[None, :] + 0.5 * (row[:, None] % 2)) % columns
    column = bond.astype(int)
    shade = rng.normal(0, 9, (rows, columns)).astype(np.float32)
    across = size / columns * np.minimum(bond % 1, 1 - bond % 1)
    along = size / rows * np.minimum(y % 1, 1 - y % 1)[:, None]
    edge = np.minimum(across, along).astype(np.float32) + 1.5 * _octaves(size, 3, texel_m, 4e-3, rng)
    face = np.clip((edge - 1.5e-3 / texel_m) / (2e-3 / texel_m), 0, 1)  # 3 mm joint, then the chamfer
    rough = 7 * _octaves(size, 5, texel_m, 1.5e-3, rng)
    return _centred(_blurred(-55 * (1 - face) + face * (shade[row[:, None], column] + rough), 1.0))


def cloud(size: int, texel_m: float, finest_m: float, coarsest_m: float, rng: np.random.Generator) -> Tile:
    """Smooth brightness between two wavelengths: amplitude in proportion to them, unit standard deviation."""
    frequency = np.hypot(np.fft.fftfreq(size, texel_m)[:, None], np.fft.rfftfreq(size, texel_m)[None, :])
    frequency[0, 0] = np.inf
    band = np.exp(-((frequency * finest_m) ** 2)) * (1 - np.exp(-((frequency * coarsest_m) ** 2)))
    spectrum = np.fft.rfft2(rng.standard_normal((size, size), dtype=np.float32)) * band / frequency
    picture = np.fft.irfft2(spectrum, (size, size))
    return np.asarray(picture / picture.std(), np.float32)


def _stone_layer(size: int, diameter: float, rng: np.random.Generator, share: float = 1.0) -> tuple[Tile, Tile]:
    """Brightness and height (texels) of stones in the cells of a jittered grid; ``share`` are there."""
    cells = round(size / diameter)
    count = cells * cells
    labels, edge = _cells(size, cells, rng)
    half = 0.5 * diameter
    bulk = rng.uniform(0.75, 1.0, count) * (rng.random(count) < share) * (0.8 * half)
    albedo = np.where(rng.random(count) < 0.1, 45.0, 0.0) + rng.normal(0, 22, count)
    facet = rng.normal(0, 0.22, (2, count)).astype(np.float32)  # every stone lies at its own slope
    rise = np.clip(1 - 1.15 / half * (edge - 0.04 * diameter), 0, 1)
    height = _blurred(np.sqrt(1 - rise * rise) * _each(bulk, labels), 0.06 * diameter)
    shading = _lit(height, facet, labels)
    shading *= 42
    shading += _each(albedo, labels)
    gap = height * np.float32(1 / (0.25 * half))
    shading -= 58 * np.exp(-gap * gap)
    return shading, height


def _each(values: NDArray[np.float64], labels: NDArray[np.int32]) -> Tile:
    """Value of the cell that each texel belongs to."""
    return values.astype(np.float32).take(labels)


def _cells(size: int, cells: int, rng: np.random.Generator) -> tuple[NDArray[np.int32], Tile]:
    """Voronoi cells of a jittered grid on a torus: label of each texel, distance to its edge in texels."""
    pitch = size / cells
    margin = int(np.ceil(3 * pitch))
    i, j = np.mgrid[0:cells, 0:cells]
    seed_y = ((i + rng.uniform(0.05, 0.95, i.shape)) * pitch).astype(int) % size
    seed_x = ((j + rng.uniform(0.05, 0.95, j.shape)) * pitch).astype(int) % size
    owner = np.full((size, size), -1, np.int32)
    owner[seed_y, seed_x] = i * cells + j
    owner = np.pad(owner, margin, mode="wrap")
    _, nearest = cv2.distanceTransformWithLabels(
        (owner < 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    of_seed = np.zeros(nearest.max() + 1, np.int32)
    at = owner >= 0
    of_seed[nearest[at]] = owner[at]
    labels = of_seed.take(np.asarray(nearest, np.int32))
    inner = np.ones(labels.shape, np.uint8)
    inner[:, 1:] &= labels[:, 1:] == labels[:, :-1]
    inner[1:] &= labels[1:] == labels[:-1]
    edge = cv2.distanceTransform(inner, cv2.DIST_L2, 5)
    crop = slice(margin, margin + size)
    return np.ascontiguousarray(labels[crop, crop]), np.ascontiguousarray(edge[crop, crop], np.float32)


@compiled
def _lit(relief: Tile, lean: Tile, labels: NDArray[np.int32]) -> Tile:
    """Lambert's cosine of a relief (heights in texels) under slanting light, minus that of flat ground.

    ``lean`` (2, M) is the slope, along x and y, that each of M cells has besides; ``labels`` says which cell a texel is of.
    """
    light_x, light_y, half = _LIGHT[0], _LIGHT[1], np.float32(0.5)
    rows, columns = relief.shape
    lit = np.empty_like(relief)
    for i in range(rows):
        above, own, below = relief[i - 1], relief[i], relief[(i + 1) % rows]  # the tile is seamless
        for j in range(columns):
            cell = labels[i, j]
            right = half * (own[(j + 1) % columns] - own[j - 1]) + lean[0, cell]
            down = half * (below[j] - above[j]) + lean[1, cell]
            # The normal of height h is (-h_x, -h_y, 1); the light comes from _LIGHT at height 1.
            cosine = (1 - right * light_x - down * light_y) / np.sqrt(1 + right * right + down * down)
            lit[i, j] = cosine - 1
    return lit


def _octaves(
    size: int, count: int, texel_m: float, finest_m: float, rng: np.random.Generator, growth: float = 1.5
) -> Tile:
    """Noise of ``count`` octaves from the finest grain up, unit standard deviation, seamless."""
    total = np.zeros((size, size), np.float32)
    for k in range(count):
        grains = max(4, min(size, round(size * texel_m / (finest_m * 2**k))))
        noise = np.pad(rng.standard_normal((grains, grains), dtype=np.float32), 4, mode="wrap")
        step = grains / size
        at = (np.arange(size, dtype=np.float32) + 0.5) * np.float32(step) + np.float32(3.5)
        x, y = np.meshgrid(at, at)
        total += growth**k * cv2.remap(noise, x, y, cv2.INTER_CUBIC)
    return np.asarray(total / total.std(), np.float32)


def _blurred(picture: Tile, sigma: float) -> Tile:
    margin = int(4 * sigma) + 2
    wide = cv2.GaussianBlur(np.pad(picture, margin, mode="wrap"), (0, 0), sigma)
    return np.ascontiguousarray(wide[margin:-margin, margin:-margin])


def _shifted(picture: Tile, by: NDArray[np.float32]) -> Tile:
    return np.roll(picture, (round(float(by[1])), round(float(by[0]))), (0, 1))


def _centred(picture: Tile) -> Tile:
    return np.asarray(picture - picture.mean(), np.float32)
