"""The ground under a synthetic flight: periodic layers of texture, each with a pyramid of area averages."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from flow.disk.regular import refuse_devices
from flow.errors import DataError
from flow.scene import textures
from flow.scene.textures import Tile

KINDS = ("gravel", "soil", "paving", "bare")
"""Grounds that the project makes itself; any other name is the path of a picture."""

_FINE_SIZE = 4096
_FINE_TEXEL_M = 0.5e-3
_COARSE_SIZE = 2304
_COARSE_TEXEL_M = (
    16 * _FINE_TEXEL_M
)  # both layers change level at the same height; 9 fine tiles, 18.4 m, make one coarse
_SMALLEST_LEVEL = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """One seamless square tile that repeats without end.

    ``levels[k]`` holds grey levels; its texel ``[i, j]`` is centred on y = i * texel_m[k] (east) and
    x = j * texel_m[k] (north) and averages an area of about that size. ``smooth`` promises that nothing in it
    is finer than some texels.
    """

    levels: tuple[Tile, ...]
    texel_m: tuple[float, ...]
    smooth: bool = False

    @property
    def period_m(self) -> float:
        """Side of the tile, m."""
        return self.texel_m[0] * len(self.levels[0])

    def level(self, sample_m: float) -> int:
        """Level for samples ``sample_m`` apart: its texel is one to two times that, so nothing is skipped."""
        wanted = np.log2(max(sample_m, 1e-9) / self.texel_m[0])
        return int(np.clip(np.ceil(wanted), 0, len(self.levels) - 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Level ground: ``mean_levels`` plus the sum of the layers, in grey levels of the 8-bit picture."""

    name: str
    mean_levels: float
    layers: tuple[Layer, ...]


def make_ground(kind: str = "gravel", *, seed: int = 0, size_m: float | None = None) -> Ground:
    """Make a ground.

    Parameters
    ----------
    kind
        One of :data:`KINDS`, or the path of a picture.
    seed
        Makes the same ground again.
    size_m
        Width of the picture on the ground, m; only for a picture, and needed there.

    Returns
    -------
    The ground; the last few are kept in memory, since a tile takes seconds to make.

    Raises
    ------
    DataError
        The picture cannot be read, or its size is not given.
    """
    if kind in KINDS:
        return _own_ground(kind, seed)
    if not Path(kind).exists():
        raise DataError(f"unknown ground; choose {', '.join(KINDS)} or the file of an image", path=kind)
    if size_m is None or not 0 < size_m < 1000:
        raise DataError("an image needs its width on the ground in metres: --ground-size", path=kind)
    return picture_ground(_read_grey(Path(kind)), size_m, name=Path(kind).name)


def picture_ground(picture: Tile, size_m: float, *, name: str = "picture") -> Ground:
    """Ground that repeats a picture; its opposite borders (an eighth of it) are faded into one another.

    Parameters
    ----------
    picture
        (H, W) grey levels, the rows running along +y; the largest square is taken from the top left.
    size_m
        Width of the whole picture, m.
    name
        What to call it.
    """
    texel_m = size_m / picture.shape[1]
    side = min(picture.shape)
    tile = _seamless(_seamless(np.asarray(picture[:side, :side], np.float32)).T).T
    mean = float(tile.mean())
    return Ground(name=name, mean_levels=mean, layers=(make_layer(tile - mean, texel_m),))


def make_layer(tile: Tile, texel_m: float, *, smooth: bool = False) -> Layer:
    """Pyramid over a seamless square tile; sides are halved while they are even."""
    levels = [np.ascontiguousarray(tile, np.float32)]
    while len(levels[-1]) % 2 == 0 and len(levels[-1]) > _SMALLEST_LEVEL:
        # pyrDown keeps texel 0 in place and averages with (1 4 6 4 1)/16 on each axis.
        wide = cv2.pyrDown(np.pad(levels[-1], 4, mode="wrap"))
        levels.append(np.ascontiguousarray(wide[2:-2, 2:-2]))
    for level in levels:
        level.flags.writeable = False
    return Layer(levels=tuple(levels), texel_m=tuple(texel_m * 2**k for k in range(len(levels))), smooth=smooth)


@functools.lru_cache(maxsize=2)
def _own_ground(kind: str, seed: int) -> Ground:
    # The name of the kind goes into the seed: two kinds with one seed share no structure.
    rng = np.random.default_rng([seed, *kind.encode()])
    fine: dict[str, Callable[..., Tile]] = {
        "gravel": textures.stones,
        "soil": textures.soil,
        "paving": textures.paving,
    }
    mean, patchy, finest_m = {
        "gravel": (112.0, 11.0, 0.06),
        "soil": (84.0, 9.0, 0.04),
        "paving": (124.0, 7.0, 0.08),
        "bare": (118.0, 1.2, 0.8),
    }[kind]
    layers = []
    if kind in fine:
        layers.append(make_layer(fine[kind](_FINE_SIZE, _FINE_TEXEL_M, rng), _FINE_TEXEL_M))
    coarse = textures.cloud(_COARSE_SIZE, _COARSE_TEXEL_M, finest_m, 3.0, rng)
    layers.append(make_layer(np.float32(patchy) * coarse, _COARSE_TEXEL_M, smooth=True))
    return Ground(name=kind, mean_levels=mean, layers=tuple(layers))


def _seamless(picture: Tile) -> Tile:
    """Fade the last eighth of the columns into the first, and keep a width that can be halved often."""
    width = picture.shape[1]
    overlap = width // 8
    halving = 1 << (overlap.bit_length() - 1)
    keep = (width - overlap) // halving * halving
    fade = ((np.arange(overlap) + 0.5) / overlap).astype(np.float32)
    tile = picture[:, :keep].copy()
    tile[:, :overlap] = fade * picture[:, :overlap] + (1 - fade) * picture[:, keep : keep + overlap]
    return tile


def _read_grey(path: Path) -> Tile:
    refuse_devices(path)
    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError as error:
        raise DataError(f"cannot be read ({error.strerror})", path=path) from None
    picture = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE) if len(data) else None
    if picture is None or min(picture.shape) < 32:
        raise DataError("not an image of at least 32 x 32 px that can be decoded", path=path)
    return np.asarray(picture, np.float32)
