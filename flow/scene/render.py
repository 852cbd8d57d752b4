"""What a camera with rolling rows sees of the ground, averaged over pixel, lens blur and exposure."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import cv2
import numpy as np
from scipy.special import erf

from flow.module import Camera
from flow.scene.casting import RING, CameraPath, Cast, Caster
from flow.scene.ground import Ground, Layer
from flow.scene.patch import Patch
from flow.scene.textures import Tile

_SKY_LEVELS = 225.0
_BLOCK_PX = 32
_UNEVEN = 1.7  # ratio of pixel sizes on the ground beyond which each block takes its own pyramid level


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
        motion in the pictures is off by some mpx, as it is behind a real lens as sharp as that.
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
        blur_px: float = 0.7,
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
        self._phases = (np.arange(oversampling) + 0.5) / oversampling - 0.5
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
        scale = _Scale(cast, len(self._phases))
        kernels = self._kernels(self._spare_blur(scale) if scale.even else self._blur_px)
        smooth, lookups = self._lookups(cast, scale)
        plane, filtered = np.empty_like(smooth), np.empty_like(smooth)
        offset, term = np.empty_like(cast.ground_m), np.empty_like(cast.ground_m)
        for (i, dv), (j, du) in itertools.product(enumerate(self._phases), enumerate(self._phases)):
            moment_s = float(self._moments[i, j]) * length_s
            np.multiply(cast.along_u, np.float32(du), out=offset)
            offset += np.multiply(cast.along_v, np.float32(dv), out=term)
            offset += np.multiply(cast.per_second, np.float32(moment_s), out=term)
            np.copyto(plane, smooth)
            for lookup in lookups:
                lookup.add_to(plane, offset)
            for patch in self._patches:
                _lay(plane, patch, cast, offset, moment_s, scale)
            if scale.sky:
                plane[cast.beyond] = _SKY_LEVELS
            if self._any_dark:
                plane[self._caster.dark] = 0.0
            cv2.sepFilter2D(plane, cv2.CV_32F, kernels[j], kernels[i], dst=filtered)
            total += filtered[RING:-RING, RING:-RING]

    def _lookups(self, cast: Cast, scale: _Scale) -> tuple[Tile, list[_Lookup]]:
        """Sum of the layers for which one ray a pixel serves, and look-ups for the others."""
        smooth = np.full(cast.beyond.shape, self._ground.mean_levels, np.float32)
        lookups = []
        for layer in self._ground.layers:
            lookup = _Lookup(layer, cast.wrapped(layer.period_m), scale)
            if layer.smooth and scale.even and scale.pixel_m <= layer.texel_m[0]:
                lookup.add_to(smooth, np.zeros_like(cast.ground_m))
            else:
                lookups.append(lookup)
        return smooth, lookups

    def _spare_blur(self, scale: _Scale) -> float:
        """Lens blur left to do, so that sharpness does not depend on the level a picture is taken from."""
        layer = self._ground.layers[0]
        level = layer.level(scale.apart_m)
        if level == 0:  # its interpolation is the ground itself
            return self._blur_px
        texel_px = layer.texel_m[level] / scale.pixel_m
        # Variance of the interpolation's triangle, and of the chain of (1 4 6 4 1) filters, in texels.
        done = texel_px**2 * (1 / 6 + (1 - 0.25**level) / 3)
        return float(np.sqrt(max(self._blur_px**2 - done, 0.0)))

    def _kernels(self, sigma_px: float) -> list[Tile]:
        """For each phase the weights of the pixel before, the pixel and the next; all of them sum to one."""
        at = self._phases[:, None] + np.array([-1.0, 0.0, 1.0])
        if sigma_px > 0:
            width = np.sqrt(2) * sigma_px
            weights = erf((at + 0.5) / width) - erf((at - 0.5) / width)
        else:
            weights = (np.abs(at) < 0.5).astype(float)
        return list((weights / weights.sum()).astype(np.float32))


class _Scale:
    """How large pixels are on the ground, and so which pyramid level suits."""

    def __init__(self, cast: Cast, phases: int) -> None:
        self.sizes_m = np.maximum(np.hypot(*cast.along_u), np.hypot(*cast.along_v))
        self.pixel_m = float(np.median(self.sizes_m[::8, ::8]))
        self.phases = phases
        self.apart_m = self.pixel_m / phases
        self.sky = bool(cast.beyond.any())
        self.even = not self.sky and float(self.sizes_m.max()) < _UNEVEN * float(self.sizes_m.min())


class _Lookup:
    """One layer under one exposure: levels chosen, buffers ready."""

    def __init__(self, layer: Layer, at_m: Tile, scale: _Scale) -> None:
        self._layer = layer
        self._at_m = at_m
        self._at = np.empty_like(at_m)
        h, w = at_m.shape[1:]
        self._values = np.empty((h, w), np.float32)
        if scale.even:
            self._blocks = [((slice(h), slice(w)), layer.level(scale.apart_m))]
            return
        self._blocks = []
        for top, left in itertools.product(range(0, h, _BLOCK_PX), range(0, w, _BLOCK_PX)):
            block = (slice(top, top + _BLOCK_PX), slice(left, left + _BLOCK_PX))
            # A block takes the level of its widest pixel: rather a soft corner than an aliased one.
            self._blocks.append((block, layer.level(float(scale.sizes_m[block].max()) / scale.phases)))

    def add_to(self, plane: Tile, offset_m: Tile) -> None:
        """Add the layer's values at the places looked at, shifted by ``offset_m``."""
        np.add(self._at_m, offset_m, out=self._at)
        for block, level in self._blocks:
            at = self._at[:, block[0], block[1]]
            at *= np.float32(1 / self._layer.texel_m[level])
            _remap(self._layer.levels[level], at, self._values[block])
        plane += self._values


def _lay(plane: Tile, patch: Patch, cast: Cast, offset_m: Tile, moment_s: float, scale: _Scale) -> None:
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
        level = layer.level(scale.apart_m * (1 - float(back.mean())))
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
