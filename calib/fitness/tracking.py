"""Whether there is enough to follow from picture to picture, and whether it moves as one ground."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.finding import Finding
from calib.fitness.picture import BIN_S, PictureSeries, flat
from calib.fitness.placing import Placing
from calib.fitness.spans import spans_of, whole, worded
from calib.fitness.stretches import Stretch
from calib.turn_pairs import TurnPairs
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]

_FEWEST_OFFERED, _FEWEST_MATCHED = 40, 20  # as in calib.alignment_checks
_LEAST_AGREE = 0.7
_BLUR_PX = 3.0
_FEW_PAIRS = 20  # that tell nothing


def tracking_findings(pairs: Sequence[TurnPairs], placing: Placing | None, series: PictureSeries) -> Iterator[Finding]:
    """Judge the matches of all stretches."""
    yield from _few(pairs, series)
    yield from _blurred(pairs, series)
    if placing is None:
        return
    agree = np.concatenate([p.fit.used.sum(axis=1) / np.maximum(p.fit.known.sum(axis=1), 1) for p in placing.parts])
    time_s = np.concatenate([p.pairs.middle_s for p in placing.parts])
    apart = agree < _LEAST_AGREE
    if apart.mean() > 0.05:
        spans = _bins(time_s[apart], series)
        yield Finding(
            severity="care",
            topic="picture",
            what=f"in {100 * apart.mean():.0f} % of the pairs less than {100 * _LEAST_AGREE:.0f} % of the points move as one"
            " ground",
            when_s=whole(spans),
            effect="fewer points count; rows without speed where they are no majority",
            remedy="legs, shadow, water, leaves or people in view? a floor of several heights? motion blur?",
        )


def unsolved_findings(stretches: Sequence[Stretch]) -> Iterator[Finding]:
    """Tell of points that were found again and yet give no motion, in all stretches."""
    if sum(int((stretch.pairs.known.sum(axis=1) >= _FEWEST_MATCHED).sum()) for stretch in stretches) > _FEW_PAIRS:
        yield Finding(
            severity="stop",
            topic="lens",
            what="points are tracked from frame to frame, but through the module file's lens they give no motion",
            when_s=None,
            effect="rows without speed, or with a wrong one",
            remedy="groundpace calibrate lens; are camera.fx_px, fy_px and distortion those of this camera?",
        )


def _few(pairs: Sequence[TurnPairs], series: PictureSeries) -> Iterator[Finding]:
    first = np.concatenate([p.first_s for p in pairs]) if pairs else np.empty(0)
    if not len(first):
        return
    offered = np.concatenate([p.offered for p in pairs])
    second = np.concatenate([p.second_s for p in pairs])
    matched = np.concatenate([p.neighbours for p in pairs])
    inside = np.clip(np.searchsorted(series.begin_s, second, "right") - 1, 0, len(series.begin_s) - 1)
    blind = flat(series)[inside]
    few = (matched < _FEWEST_MATCHED) & ~blind
    share = few.sum() / max((~blind).sum(), 1)
    if share < 0.03:
        return
    step_s = float(np.median(np.diff(second)))
    spans = spans_of(few, second - step_s, second)
    yield Finding(
        severity="stop" if few.mean() > 0.5 else "care",
        topic="picture",
        what=f"little to follow: {counted(round(np.median(offered[few])), 'point')} offered,"
        f" {np.median(matched[few]):.0f} found again in the next frame, {_FEWEST_OFFERED} and {_FEWEST_MATCHED} are needed"
        f" ({worded(spans)})",
        when_s=whole(spans),
        effect="rows without speed",
        remedy="more texture or light; a shorter exposure; slower, or a higher frame rate, where the view changes too fast",
    )


def _blurred(pairs: Sequence[TurnPairs], series: PictureSeries) -> Iterator[Finding]:
    known = series.exposure_s[np.isfinite(series.exposure_s)]
    speeds = [_speed_px(part.only(np.asarray(part.known.any(axis=1)))) for part in pairs]
    speed_px = np.concatenate(speeds) if speeds else np.empty(0)
    if not len(known) or not len(speed_px):
        return
    exposure_s, fast_px = float(np.median(known)), float(np.percentile(speed_px, 90))
    if fast_px * exposure_s > _BLUR_PX:
        yield Finding(
            severity="care",
            topic="picture",
            what=f"motion blur of {fast_px * exposure_s:.1f} px in the fastest tenth of the flight, at"
            f" {1000 * exposure_s:.1f} ms exposure",
            when_s=None,
            effect="weaker slopes along the motion: more noise in each row, rows without speed over weak texture",
            remedy=f"an exposure of {1000 / fast_px:.1f} ms blurs a pixel there; more light or gain",
        )


def _speed_px(pairs: TurnPairs) -> Array:
    """Speed of the picture (P,), px/s: the median over each pair's matches."""
    moved = np.nanmedian(np.linalg.norm(pairs.second_px - pairs.first_px, axis=2), axis=1)
    return np.asarray(moved / (pairs.second_s - pairs.first_s))


def _bins(times_s: Array, series: PictureSeries) -> list[tuple[float, float]]:
    """Half seconds that hold any of the times, joined."""
    held = np.zeros(len(series.begin_s), bool)
    place = np.searchsorted(series.begin_s, times_s, "right") - 1
    held[np.clip(place, 0, len(held) - 1)] = True
    return spans_of(held, series.begin_s, np.minimum(series.begin_s + BIN_S, series.end_s))
