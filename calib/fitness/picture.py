"""Brightness, sharpness, texture and copies over time, frame by frame in memory that grows by a line each half second."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.fitness.finding import Finding
from calib.fitness.spans import Span, spans_of, whole, worded
from flow.budget.image_noise import texture_of
from flow.video import Frame
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]
Picture: TypeAlias = NDArray[np.uint8]

BIN_S = 0.5
_LOOK_S = 0.1  # texture and noise are measured so often
_WHITE = 225  # nominal white of limited range is 235; a pixel at the picture's own brightest and beyond this is clipped
_DARK, _BLACK = 40.0, 26.0  # mean level; black of limited range is 16
_FLAT = 3.0  # one-sigma of all pixels: nothing but noise
_CLIPPED = 0.2
_SOFT_PX = 1.8  # a camera in focus: 0.9 to 1.3 px
_LEAST_GRADIENT = 0.7  # levels a pixel: what the tracker asks for
_STALLED_S = 0.3
_BLOCK = 16
_LOW_TENTH = 1.1  # the lowest tenth of such blocks of pure white noise is so much below their mean
# Immerkaer 1996: the difference of two Laplacians, which leaves straight edges out; white noise of 1 leaves 6.
_NOISE_FILTER = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureSeries:
    """A line each half second of video: begin and end (camera clock), medians of what was seen, copies.

    ``level`` is the mean brightness, ``contrast`` the one-sigma over the picture, ``clipped`` the share of its pixels;
    ``gradient`` (levels a pixel) and ``grain_px`` as in :class:`flow.budget.image_noise.Texture`, NaN where noise
    hides them; ``noise`` in levels; ``copies`` and ``frames`` counts; ``exposure_s`` NaN where it is not recorded.
    """

    begin_s: Array
    end_s: Array
    level: Array
    contrast: Array
    clipped: Array
    gradient: Array
    grain_px: Array
    noise: Array
    copies: Array
    frames: Array
    exposure_s: Array


class PictureWatch:
    """Looks at each frame as it goes by; ``copies_s`` are the times stamped on copies of the picture before."""

    def __init__(self) -> None:
        self.copies_s: list[float] = []
        self._lines: list[Array] = []
        self._sums: list[Array] = []
        self._looks: list[Array] = []
        self._begin_s = self._last_s = self._looked_s = -np.inf
        self._before: Picture | None = None

    def add(self, frame: Frame) -> None:
        """Take the next frame."""
        if frame.time_s - self._begin_s >= BIN_S:
            self._close()
            self._begin_s, self._looked_s = frame.time_s, -np.inf  # each line is looked at once at least
        luma = frame.luma
        mean, spread = (float(v[0, 0]) for v in cv2.meanStdDev(luma))
        brightest = int(cv2.minMaxLoc(luma)[1])
        clipped = float(np.count_nonzero(luma == brightest)) / luma.size if brightest >= _WHITE else 0.0
        # Nothing is like nothing: black pictures are no copies.
        copy = spread > 0 and self._before is not None and bool(np.array_equal(self._before, luma))
        if copy:
            self.copies_s.append(frame.time_s)
        exposure = np.nan if frame.exposure_s is None else frame.exposure_s
        self._sums.append(np.array([mean, spread, clipped, copy, exposure]))
        if frame.time_s - self._looked_s >= _LOOK_S:
            self._looked_s = frame.time_s
            self._looks.append(_look(luma))
        self._before, self._last_s = luma, frame.time_s

    def series(self) -> PictureSeries:
        """Give what was seen."""
        self._close()
        begin, end, level, contrast, clipped, copies, exposure, frames, gradient, grain, noise = np.array(self._lines).T
        return PictureSeries(
            begin_s=begin, end_s=end, level=level, contrast=contrast, clipped=clipped, gradient=gradient, grain_px=grain,
            noise=noise, copies=copies, frames=frames, exposure_s=exposure,
        )  # fmt: skip

    def _close(self) -> None:
        if not self._sums:
            return
        seen = np.array(self._sums)
        mean = np.median(seen, axis=0)
        mean[3] = seen[:, 3].sum()
        looks = _middle(np.array(self._looks)) if self._looks else np.full(3, np.nan)
        self._lines.append(np.concatenate([[self._begin_s, self._last_s], mean, [len(self._sums)], looks]))
        self._sums, self._looks = [], []


def picture_findings(series: PictureSeries, turning_rad_s: float) -> Iterator[Finding]:
    """Judge them."""

    def spans(wrong: NDArray[np.bool_]) -> list[Span]:
        return spans_of(wrong, series.begin_s, series.end_s)

    blind = flat(series)
    black = blind & (series.level < _BLACK)
    most = 0.5 * len(blind)
    if black.any():
        yield Finding(
            severity="stop" if black.sum() > most else "care",
            topic="picture",
            what=f"black: lens cap, or no light ({worded(spans(black))})",
            when_s=whole(spans(black)),
            effect="no speed there",
            remedy="take the cap off; look whether the camera's exposure works",
        )
    bare = blind & ~black
    if bare.any():
        yield Finding(
            severity="stop" if bare.sum() > most else "care",
            topic="picture",
            what=f"no texture: nothing stands out of the noise ({worded(spans(bare))})",
            when_s=whole(spans(bare)),
            effect="no speed there",
            remedy="fly over a floor with texture; more light, focus, and clean the lens",
        )
    dark = ~blind & (series.level < _DARK)
    if dark.any():
        ratio = float(np.nanmedian(series.gradient[dark]) / max(np.nanmedian(series.noise[dark]), 0.3))
        yield Finding(
            severity="care",
            topic="picture",
            what=f"dark: {series.level[dark].mean():.0f} of 255 levels, texture {ratio:.1f} times the noise"
            f" ({worded(spans(dark))})",
            when_s=whole(spans(dark)),
            effect="more noise in each row, and rows without speed over weak texture; the bands follow",
            remedy="a longer exposure or more gain as far as motion blur allows, a faster lens, or light",
        )
    yield from _overexposed(series, spans(series.clipped > _CLIPPED))
    soft = ~blind & (series.grain_px > _SOFT_PX)
    if soft.mean() > 0.2:
        yield Finding(
            severity="care",
            topic="picture",
            what=f"soft: detail of {np.nanmedian(series.grain_px[soft]):.1f} px, in focus 0.9 to 1.3 ({worded(spans(soft))})",
            when_s=whole(spans(soft)),
            effect=f"weaker slopes ({np.nanmedian(series.gradient[soft]):.1f} levels/px): more noise in each row",
            remedy="focus at the height flown, a shorter exposure, a clean lens (a floor without fine detail looks alike)",
        )
    yield from _copies(series, turning_rad_s)


def flat(series: PictureSeries) -> NDArray[np.bool_]:
    """Which half seconds show nothing but noise."""
    return (series.contrast < _FLAT) | ~(series.gradient >= _LEAST_GRADIENT)


def picture_facts(series: PictureSeries) -> dict[str, float | int | str | bool | None]:
    """Give medians over time."""
    return {
        "brightness_levels": _median(series.level),
        "clipped_share": _median(series.clipped),
        "gradient_levels_px": _median(series.gradient),
        "detail_px": _median(series.grain_px),
        "noise_levels": _median(series.noise),
        "copies": int(series.copies.sum()),
        "exposure_s": _median(series.exposure_s),
    }


def _overexposed(series: PictureSeries, spans: list[tuple[float, float]]) -> Iterator[Finding]:
    if spans:
        yield Finding(
            severity="care",
            topic="picture",
            what=f"overexposed: {100 * series.clipped.max():.0f} % of the pixels at white ({worded(spans)})",
            when_s=whole(spans),
            effect="no texture in the white parts: fewer points, more noise",
            remedy="a shorter exposure or less gain",
        )


def _copies(series: PictureSeries, turning_rad_s: float) -> Iterator[Finding]:
    copies, frames = series.copies.sum(), series.frames.sum()
    if not copies:
        return
    full = (series.copies >= 0.7 * series.frames) & (series.end_s - series.begin_s > 0.3 * BIN_S)
    spans = spans_of(full, series.begin_s, series.end_s)
    any_spans = spans_of(series.copies > 0, series.begin_s, series.end_s)
    stood = f", frozen {worded(spans)}" if spans else ""
    moving = " while the gyro says that the camera turns" if spans and turning_rad_s > 0.02 else ""
    yield Finding(
        severity="stop" if copies > 0.5 * frames else "care",
        topic="picture",
        what=f"{copies:.0f} of {counted(round(frames), 'frame')} repeat the one before{stood}{moving}",
        when_s=whole(spans or any_spans),
        effect="no speed while it stands" if spans else "no row for a copy; the next one spans the true interval",
        remedy="look for stalls of camera, bus or recorder; record each frame once",
    )


def _look(luma: Picture) -> Array:
    """Gradient, grain and noise of a picture; NaN where noise hides the texture.

    Coarse detail is measured at half the size, where a quarter of the noise is left beside it.
    """
    noise = _noise(luma)
    texture = texture_of(luma, noise)
    if texture is None:
        return np.array([np.nan, np.nan, noise])
    half = np.asarray(cv2.resize(luma, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
    coarse = texture_of(half, _noise(half))
    grain = texture.grain_px if coarse is None or 2 * coarse.grain_px < _SOFT_PX else 2 * coarse.grain_px
    return np.array([texture.gradient_levels_px, grain, noise])


def _noise(luma: Picture) -> float:
    """One-sigma of the noise, levels, in the smoothest tenth of the picture: elsewhere texture counts as noise."""
    left = np.abs(cv2.filter2D(luma, cv2.CV_32F, _NOISE_FILTER))[1:-1, 1:-1]
    high, wide = (size // _BLOCK * _BLOCK for size in left.shape)
    blocks = left[:high, :wide].reshape(high // _BLOCK, _BLOCK, wide // _BLOCK, _BLOCK).mean(axis=(1, 3))
    return float(np.percentile(blocks, 10)) * _LOW_TENTH * float(np.sqrt(np.pi / 2)) / 6


def _middle(looks: Array) -> Array:
    """Medians of the columns over the rows that are known; NaN of none."""
    return np.array(
        [np.median(column[np.isfinite(column)]) if np.isfinite(column).any() else np.nan for column in looks.T]
    )


def _median(values: Array) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else None
