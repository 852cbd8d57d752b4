"""What a camera with rolling rows sees of the ground, averaged over pixel, lens blur and exposure."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from flow.module import Camera
from flow.scene.casting import CameraPath, Cast, Caster
from flow.scene.ground import Ground, Layer
from flow.scene.optics import RING, blur_kernels, phases
from flow.scene.patch import Patch
from flow.scene.textures import Tile

_SKY_LEVELS = 225.0
_BLOCK_PX = 32
_UNEVEN = 1.5  # ratio of pixel sizes on the ground beyond which each block takes its own pyramid level


class Renderer:
    """Renders noise-free pictures in grey levels.

    Every pixel is the mean of ``oversampling`` squared rays spread over its area, each at its own moment of
    the exposure (a magic square keeps place and moment uncorrelated, so that blur moves no centroid),
    weighted by a Gaussian lens blur. Rays meet the ground exactly; the texture is a pyramid of area averages
    whose texel is no finer than the distance between rays, so that none of it is skipped.

    Parameters
    ----------
    camera
        Lens, size and readout.
    ground
        The ground at height 0.
    exposure_s
        How long each row is exposed.
    blur_px
        One-sigma of the lens blur, px. Pixels alias what is finer than two of them: below 0.6 px of blur the
        motion in the pictures is off by some 0.001 px, as it is behind a real lens as sharp as that.
    vignetting
        Share of light lost in the corner of the picture.
    patches
        What lies on the ground, later ones on top.
    oversampling
        Rays a pixel along each axis: 3 or 4.
    """

    def __init__(
        self,
        camera: Camera,
        ground: Ground,
        *,
        exposure_s: float = 0.0,
        blur_px: float = 0.75,
        vignetting: float = 0.0,
        patches: Sequence[Patch] = (),
        oversampling: int = 3,
    ) -> None:
        self.camera = camera
        self._ground = ground
        self._caster = Caster(camera)
        self._any_dark = bool(self._caster.dark.any())
        self._exposure_s = exposure_s
        self._blur_px = blur_px
        self._patches = tuple(patches)
        self._phases = phases(oversampling)
        self._moments = (_MAGIC[oversampling] - 0.5) / oversampling**2 - 0.5
        h, w = camera.height_px, camera.width_px
        y, x = np.mgrid[:h, :w]
        radius2 = ((x - (w - 1) / 2) ** 2 + (y - (h - 1) / 2) ** 2) * 4 / (w * w + h * h)
        self._light = (1 - vignetting * radius2).astype(np.float32)

    def picture(self, path: CameraPath, time_s: float) -> Tile:
        """Render (H, W) grey levels without noise; ``time_s`` is the frame time, in time of the motion."""
        total = np.zeros((self.camera.height_px, self.camera.width_px), np.float32)
        parts = self._parts(path, time_s)
        for k in range(parts):
            middle_s = time_s + ((k + 0.5) / parts - 0.5) * self._exposure_s
            self._add_exposure(total, path, middle_s, self._exposure_s / parts)
        return np.asarray(total * (self._light / np.float32(parts)), np.float32)

    def _parts(self, path: CameraPath, time_s: float) -> int:
        """Parts of the exposure in which the middle of the picture moves by at most about a pixel."""
        position, R = path.pose(time_s + np.array([-0.5, 0.5]) * self._exposure_s)
        turned = float(np.linalg.norm(R[1] - R[0])) / np.sqrt(2)
        moved = float(np.linalg.norm(position[1] - position[0])) / max(-float(position[0, 2]), 1e-3)
        return max(1, int(np.ceil(self.camera.fx_px * (turned + moved) - 0.2)))

    def _add_exposure(self, total: Tile, path: CameraPath, middle_s: float, length_s: float) -> None:
        cast = self._caster.cast(path, middle_s, length_s)
        blocks = _blocks(cast)
        kernels = [blur_kernels(self._phases, self._spare_blur(block.pixel_m)) for block in blocks]
        smooth, lookups = self._lookups(cast, blocks)
        plane = np.empty_like(smooth)
        offset, term = np.empty_like(cast.ground_m), np.empty_like(cast.ground_m)
        sky = bool(cast.beyond.any())
        for (i, dv), (j, du) in itertools.product(enumerate(self._phases), enumerate(self._phases)):
            moment_s = float(self._moments[i, j]) * length_s
            np.multiply(cast.along_u, np.float32(du), out=offset)
            offset += np.multiply(cast.along_v, np.float32(dv), out=term)
            offset += np.multiply(cast.per_second, np.float32(moment_s), out=term)
            np.copyto(plane, smooth)
            for lookup in lookups:
                lookup.add_to(plane, offset)
            for patch in self._patches:
                _lay(plane, patch, cast, offset, moment_s, blocks[0].pixel_m / len(self._phases))
            if sky:
                plane[cast.beyond] = _SKY_LEVELS
            if self._any_dark:
                plane[self._caster.dark] = 0.0
            for block, weights in zip(blocks, kernels, strict=True):
                blurred = cv2.sepFilter2D(plane[block.around], cv2.CV_32F, weights[j], weights[i])
                total[block.inside] += blurred[RING:-RING, RING:-RING]

    def _lookups(self, cast: Cast, blocks: list[_Block]) -> tuple[Tile, list[_Lookup]]:
        """Sum of the layers for which one ray a pixel serves, and look-ups for the others."""
        smooth = np.full(cast.beyond.shape, self._ground.mean_levels, np.float32)
        lookups = []
        for layer in self._ground.layers:
            lookup = _Lookup(layer, cast.wrapped(layer.period_m), blocks, len(self._phases))
            if layer.smooth and len(blocks) == 1 and blocks[0].pixel_m <= layer.texel_m[0]:
                lookup.add_to(smooth, np.zeros_like(cast.ground_m))
            else:
                lookups.append(lookup)
        return smooth, lookups

    def _spare_blur(self, pixel_m: float) -> float:
        """Lens blur left to do, so that sharpness does not depend on the level a picture is taken from."""
        layers = self._ground.layers
        level = layers[0].level(pixel_m / len(self._phases)) if layers else 0
        if level == 0:  # its interpolation is the ground itself
            return self._blur_px
        texel_px = layers[0].texel_m[level] / pixel_m
        # Variance of the interpolation's triangle, and of the chain of (1 4 6 4 1) filters, in texels.
        done = texel_px**2 * (1 / 6 + (1 - 0.25**level) / 3)
        return float(np.sqrt(max(self._blur_px**2 - done, 0.0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """Part of the picture whose pixels have about one size on the ground.

    ``whole`` and ``around`` cut it, without and with a margin for the blur, out of a picture with a ring;
    ``inside`` is its place in the picture proper.
    """

    whole: tuple[slice, slice]
    around: tuple[slice, slice]
    inside: tuple[slice, slice]
    pixel_m: float


def _blocks(cast: Cast) -> list[_Block]:
    """Cut the picture into blocks, or leave it in one piece where all pixels are alike."""
    u, v = cast.along_u, cast.along_v
    size_m = np.sqrt(np.abs(u[0] * v[1] - u[1] * v[0]))
    h, w = size_m.shape
    even = not cast.beyond.any() and float(size_m.max()) < _UNEVEN * float(size_m.min())
    step = max(h, w) if even else _BLOCK_PX
    blocks = []
    for top, left in itertools.product(range(0, h - RING, step), range(0, w - RING, step)):
        # The last row and column of blocks take the ring along.
        rows = slice(top, h if top + step >= h - RING else top + step)
        columns = slice(left, w if left + step >= w - RING else left + step)
        first, last = max(rows.start, RING), min(rows.stop, h - RING)
        near, far = max(columns.start, RING), min(columns.stop, w - RING)
        blocks.append(
            _Block(
                whole=(rows, columns),
                around=(slice(first - RING, last + RING), slice(near - RING, far + RING)),
                inside=(slice(first - RING, last - RING), slice(near - RING, far - RING)),
                pixel_m=max(float(np.median(size_m[rows, columns][::4, ::4])), 1e-6),
            )
        )
    return blocks


class _Lookup:
    """One layer under one exposure: levels chosen, buffers ready."""

    def __init__(self, layer: Layer, at_m: Tile, blocks: list[_Block], rays: int) -> None:
        self._layer = layer
        self._at_m = at_m
        self._at = np.empty_like(at_m)
        self._values = np.empty(at_m.shape[1:], np.float32)
        self._parts = [(block.whole, layer.level(block.pixel_m / rays)) for block in blocks]

    def add_to(self, plane: Tile, offset_m: Tile) -> None:
        """Add the layer's values at the places looked at, shifted by ``offset_m``."""
        np.add(self._at_m, offset_m, out=self._at)
        for (rows, columns), level in self._parts:
            at = self._at[:, rows, columns]
            at *= np.float32(1 / self._layer.texel_m[level])
            _remap(self._layer.levels[level], at, self._values[rows, columns])
        plane += self._values


def _lay(plane: Tile, patch: Patch, cast: Cast, offset_m: Tile, moment_s: float, apart_m: float) -> None:
    """Put a patch over what is in the plane."""
    # A plane h above the ground is met at the share h / height of the way back to the camera.
    back = (patch.height_m / -cast.camera_m[:, 2]).astype(np.float32)[:, None]
    camera = cast.camera_m[:, :2].T[:, :, None].astype(np.float32)
    centre = (patch.centre_at(cast.row_s + moment_s) - cast.base_m).T[:, :, None].astype(np.float32)
    seen = (cast.ground_m + offset_m) * (1 - back) + camera * back - centre
    half = np.array(patch.size_m, np.float32)[:, None, None] / 2
    over = (np.abs(seen) <= half).all(axis=0) & ~cast.beyond
    if not over.any():
        return
    values = np.full(plane.shape, patch.ground.mean_levels, np.float32)
    for layer in patch.ground.layers:
        level = layer.level(apart_m * (1 - float(back.mean())))
        at = seen * np.float32(1 / layer.texel_m[level])
        values += _remap(layer.levels[level], at, np.empty_like(plane))
    np.copyto(plane, values, where=over)


def _remap(picture: Tile, at: Tile, into: Tile) -> Tile:
    # OpenCV 4 rounds fractions to 1/32 texel: at most 1/96 px, as a texel is at most two thirds of a pixel.
    cv2.remap(picture, at[0], at[1], cv2.INTER_LINEAR, dst=into, borderMode=cv2.BORDER_WRAP)
    return into


_MAGIC = {
    3: np.array([[2, 7, 6], [9, 5, 1], [4, 3, 8]]),
    4: np.array([[16, 3, 2, 13], [5, 10, 11, 8], [9, 6, 7, 12], [4, 15, 14, 1]]),
}
"""Each row and column has the same sum: the moment of a ray says nothing about its place."""
