"""The range log as the review page shows it: thinned, as distances, with the gaps in it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from cli.page.review_bins import Bins
from flow.recording import Recording

Array: TypeAlias = NDArray[np.float64]

_MOST_READINGS = 20_000
_MOST_GAPS = 1000
_LEAST_GAP_S, _GAP_STEPS = 0.25, 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Range readings on the gyro clock in bins, (R,) each, made distances by scale and offset; gaps (G, 2) s.

    The longest gaps are kept; ``more_gaps`` counts the others.
    """

    time_s: Array
    low_m: Array
    high_m: Array
    gaps_s: Array
    more_gaps: int = 0


def range_readings(recording: Recording, margin_s: float) -> Readings:
    """Read the range log, thinned; a gap is a time without a reading inside the sensor's limits during the video.

    A reading up to ``margin_s`` before or after the video is kept.
    """
    sensor, offset_s = recording.module.range, recording.module.alignment.time_offset_s
    begin_s, end_s = (float(time) + offset_s for time in recording.frames.times_s[[0, -1]])
    bins = Bins(1, _MOST_READINGS)
    gaps: list[tuple[float, float]] = []
    more = 0
    last_s, usual_s = begin_s, math.inf
    for chunk in recording.range():
        time_s = chunk.time_s + sensor.time_offset_s
        near = (time_s > begin_s - margin_s) & (time_s < end_s + margin_s)
        bins.add(time_s[near], (sensor.scale * chunk.range_m[near] + sensor.offset_m)[:, None])
        heard = time_s[(chunk.range_m >= sensor.min_m) & (chunk.range_m <= sensor.max_m) & (time_s > last_s)]
        heard = np.concatenate([[last_s], heard])
        if len(heard) > 3:
            usual_s = float(np.median(np.diff(heard)))
        gaps += _gaps(heard, usual_s, end_s)
        last_s = float(heard[-1])
        if len(gaps) > _MOST_GAPS:
            more += len(gaps) - _MOST_GAPS
            gaps = sorted(sorted(gaps, key=lambda gap: gap[0] - gap[1])[:_MOST_GAPS])
    gaps += _gaps(np.array([last_s, max(last_s, end_s)]), usual_s, end_s)
    time_s, low, high = bins.finish()
    return Readings(
        time_s=time_s, low_m=low[:, 0], high_m=high[:, 0], gaps_s=np.array(gaps).reshape(-1, 2), more_gaps=more
    )


def _gaps(heard_s: Array, usual_s: float, end_s: float) -> list[tuple[float, float]]:
    longest_s = max(_LEAST_GAP_S, _GAP_STEPS * usual_s) if math.isfinite(usual_s) else _LEAST_GAP_S
    places = np.flatnonzero(np.diff(heard_s) > longest_s)
    return [(float(heard_s[k]), float(min(heard_s[k + 1], end_s))) for k in places if heard_s[k] < end_s]
