"""Blocks of one picture found again in the next, from a prediction that is less than half a pixel off.

The picture is covered with square blocks. Each is compared with the next picture through the motion expected at its
place, rolling rows, lens and turn included, and one Gauss-Newton step (Lucas and Kanade 1981; with the slopes of the
first picture, Baker and Matthews 2004) says how far that motion is off. Brightness gain and offset of the block are solved
for as well, with what all blocks together know of them (:mod:`flow.registration.light`). A step alone is nothing: whoever
uses these matches solves for the velocity that all agree on, predicts with it and matches again, until the steps of all
together vanish. Such an iteration reaches the Cramer-Rao bound (Pham, Bezuijen, van Vliet, Schutte and Luengo Hendriks
2005, Proc. SPIE 5672), where tracks of corners stay 20 to 50 times above it in plain bilinear interpolation.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.numerics.middle import share_of, upper_median
from flow.registration import filters, kernels
from flow.registration.comparison import compare
from flow.registration.resolve import resolved
from flow.tracks import Matches, Picture, Predict, no_matches, plausible

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]
Marks: TypeAlias = NDArray[np.bool_]

_SMOOTHING, _SLOPE, _WEIGHTS = filters.smoothing(), filters.slope(), filters.interpolation()
_HALF_SLOPE = _SLOPE[len(_SLOPE) // 2 + 1 :].astype(np.float32)
# White noise of variance 1: what is left of it in a smoothed picture, and in a slope of it.
_NOISE_LEFT = float(np.square(_SMOOTHING).sum() ** 2)
_NOISE_IN_SLOPE = float(np.square(np.convolve(_SLOPE, _SMOOTHING)).sum() * np.square(_SMOOTHING).sum())
_LEAST_ALIKE = 0.3  # correlation; half a pixel off, in as much noise as texture, it is 0.4, on other ground 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sharp:
    """A picture made ready: smoothed, with its slopes and each block's own sums."""

    picture: Picture
    smooth: Floats
    slope_x: Floats
    slope_y: Floats
    sums: Array


class BlockMatcher:
    """Matches of blocks that cover the picture; see the module.

    Parameters
    ----------
    width_px, height_px
        Picture size.
    """

    _BLOCKS = 300  # about so many: blocks of 16 px in 320 x 240, of 32 px in 640 x 480
    _SMALLEST, _LARGEST = 8, 48  # px; of larger pictures the blocks cover a part
    _KEPT = 4  # pictures made ready: a pair, the far end of a baseline, and one that others are held against
    _MARGIN = 5  # px at the border: three that smoothing spoils, two for the motion

    # Mean square slope along the stronger direction that is texture: an absolute one, for what lens shading and codec
    # leave on a bare floor, and one in units of what noise leaves in a slope, times 1 + 12 px / side: one block of
    # noise in 500 shows more, by chance.
    _LEAST_SQUARE, _LUCK_PX = 0.2, 12.0
    _WEAKEST = 0.1  # of the noise's own square slope: a direction without texture, which then says next to nothing
    # A video codec copies blocks that changed too little to be worth coding, noise and all: on a bare floor they stand
    # still in full agreement, and where such copies abound the rest is no better. (Copies of texture are kept: in a slow
    # creep a codec holds a block back and lets it catch up later, and to leave out those that wait would read too fast.)
    _COPY_CHANGE, _COPY_SQUARE, _COPY_SHARE = 0.3, 0.6, 0.25

    # Glints and the like: most of the picture is far noisier than its calmer quarter, and less than so much of what that
    # quarter's noise would let count as texture is of use.
    _LEAST_OF_TEXTURE, _SPOILT = 0.5, 3.0

    def __init__(self, width_px: int, height_px: int) -> None:
        inner = np.array([width_px, height_px]) - 2 * self._MARGIN
        wanted = round(np.sqrt(width_px * height_px / self._BLOCKS) / 8) * 8
        self._side = int(np.clip(wanted, self._SMALLEST, self._LARGEST))
        columns, rows = np.maximum(-(-inner // max(wanted, self._SMALLEST)), 2)  # a little overlap rather than a gap
        x, y = (
            np.linspace(0, size - self._side, n).astype(int) for size, n in zip(inner, (columns, rows), strict=True)
        )
        self._corners = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2) + self._MARGIN
        self._middle = self._corners + 0.5 * (self._side - 1)
        self._apart = (self._middle - 0.5 * np.array([width_px, height_px])) / width_px
        self._grid = y.astype(float), x.astype(float)
        self._every = self._corners  # of the blocks that pictures are made ready for ...
        self._chosen: slice | NDArray[np.int64] = slice(None)  # ... and which of them are compared
        self._ready: list[_Sharp] = []

    def thinned(self) -> BlockMatcher:
        """Give a matcher of every second block of every second row, which uses the pictures that this one makes ready."""
        thin = copy.copy(self)
        rows, columns = (at[::2] if len(at) > 2 else at for at in self._grid)
        thin._grid = rows, columns
        chosen = np.isin(self._grid[0], rows)[:, None] & np.isin(self._grid[1], columns)
        thin._chosen = np.flatnonzero(chosen)
        thin._corners, thin._middle, thin._apart = (
            at[thin._chosen] for at in (self._corners, self._middle, self._apart)
        )
        return thin

    @property
    def side_px(self) -> int:
        """Side of a block."""
        return self._side

    @property
    def count(self) -> int:
        """How many blocks there are."""
        return len(self._corners)

    @property
    def covered_px(self) -> int:
        """How many pixels they cover."""
        rows, columns = self._grid
        along, down = (min(len(at) * self._side, int(at[-1] - at[0]) + self._side) for at in (columns, rows))
        return along * down

    def match(self, first: Picture, second: Picture, predict: Predict, *, far: bool = False) -> Matches:
        """Match two pictures; see :class:`flow.tracks.ImageMotion`. ``far`` makes no difference here."""
        ours, other = self._sharp(first), self._sharp(second)
        place, stretch, bend = self._expected(predict)
        compared = compare(
            ours.smooth,
            ours.slope_x,
            ours.slope_y,
            self._corners,
            self._side,
            other.smooth,
            place + bend,
            stretch,
            _WEIGHTS,
        )
        seen = np.isfinite(compared[:, 0])
        if not seen.any():
            return no_matches(offered=len(seen))
        pixels = self._side**2
        sums, compared = ours.sums[self._chosen][seen], compared[seen]
        found = resolved(sums, compared, self._apart[seen], pixels, _NOISE_LEFT, _NOISE_IN_SLOPE, self._WEAKEST)
        left, noise, step, covariance, weak, strong, alike = found
        first_px, second_px = self._middle[seen], place[seen] + step
        textured = strong > self._least_square(noise)
        change = kernels.change(first, second, self._corners[seen], self._side)
        textured &= self._not_copied(change, weak)
        good = textured & plausible(np.sqrt(np.maximum(left, 0)))
        alike = alike[good]  # a scene cut agrees by chance, in a few places
        if (len(alike) and upper_median(alike) <= _LEAST_ALIKE) or self._spoilt(len(alike), left, noise, strong):
            return no_matches(offered=len(seen))
        return Matches(
            first_px=first_px[good],
            second_px=second_px[good],
            covariance_px2=covariance[good],
            offered=int(np.count_nonzero(textured)) + int(np.count_nonzero(~seen)),
            held=share_of(change < self._COPY_CHANGE),
            noise_levels=float(np.sqrt(noise)),
            lost=int(np.count_nonzero(textured)) - int(np.count_nonzero(good)),
        )

    def sharpness(self, picture: Picture) -> float:
        """Mean square slope of a picture, noise included, (grey levels/px)^2."""
        sums = self._sharp(picture).sums
        return float((sums[:, 5] + sums[:, 7]).mean() / self._side**2)

    def _sharp(self, picture: Picture) -> _Sharp:
        """Make a picture ready, or find it among those that were asked for last."""
        ready = self._ready
        place = next((k for k, sharp in enumerate(ready) if sharp.picture is picture), None)
        spare = None if place is not None or len(ready) < self._KEPT else ready.pop(0)
        sharp = self._made(picture, spare) if place is None else ready.pop(place)
        ready.append(sharp)
        return sharp

    def _made(self, picture: Picture, spare: _Sharp | None) -> _Sharp:
        """Make a picture ready, in the memory of one that is done with: allocation takes as long as the filters."""
        smooth = np.empty(picture.shape, np.float32) if spare is None else spare.smooth
        slope_x = np.zeros_like(smooth) if spare is None else spare.slope_x
        slope_y = np.zeros_like(smooth) if spare is None else spare.slope_y
        cv2.sepFilter2D(picture, cv2.CV_32F, _SMOOTHING, _SMOOTHING, dst=smooth)
        sums = kernels.made_ready(smooth, _HALF_SLOPE, self._every, self._side, slope_x, slope_y)
        return _Sharp(picture=picture, smooth=smooth, slope_x=slope_x, slope_y=slope_y, sums=sums)

    def _expected(self, predict: Predict) -> tuple[Array, Array, Array]:
        """Where each block's middle is expected (N, 2), and how a step is stretched there (N, 2, 2).

        Last, how far the block as a whole lies from where its middle does (N, 2): a turn bends the picture, and the mean
        of x^2 over a block is not 0 (half a thousandth of a pixel for 0.2 degrees).
        """
        place = predict(self._middle)
        stretch, bend = kernels.sheet(place, *self._grid)
        return place, stretch, bend * ((self._side**2 - 1) / 24)

    def _least_square(self, noise: float) -> float:
        """Square slope from which on a block has texture, in pictures of so much noise (variance)."""
        return max(self._LEAST_SQUARE, (1 + self._LUCK_PX / self._side) * noise * _NOISE_IN_SLOPE)

    def _spoilt(self, good: int, left: Array, noise: float, strong: Array) -> bool:
        calm = upper_median(left, 0.25) / (2 * _NOISE_LEFT)
        worth = np.count_nonzero(strong > self._least_square(calm))
        return bool(good < self._LEAST_OF_TEXTURE * worth and noise > self._SPOILT * calm)

    def _not_copied(self, change: Array, weak: Array) -> Marks:
        copied = (change < self._COPY_CHANGE) & (weak < self._COPY_SQUARE)
        return np.full(len(copied), False) if share_of(copied) > self._COPY_SHARE else ~copied
