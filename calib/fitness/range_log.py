"""The range log by itself: rate, silence, limits, strays, noise, readings that stand still."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from calib.fitness.finding import Finding
from calib.fitness.flying import Flying
from calib.fitness.spans import Span, spans_of, whole, worded
from flow.air import air_scale_sigma
from flow.module import Range
from flow.series import RangeSamples

Array: TypeAlias = NDArray[np.float64]

_BRIDGE_S = 2.5  # flow.height goes on without readings for so long
_NOTED_S = 0.5
_STRAY_WINDOW = 7
_STRAY_SHARE, _STRAY_SIGMAS = 0.1, 8.0  # off the running median by this share and so many sigmas
_MANY_STRAYS = 0.05
_NOISIER = 2.0
_STUCK_S, _STUCK_COUNT = 1.0, 12
_COARSE = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeFacts:
    """What a log shows; spans on the gyro clock. ``noise_m`` is in distance, None of too few readings.

    ``air_sigma`` is what the air's temperature leaves on every distance, as a share.
    """

    count: int
    rate_hz: float
    lowest_m: float
    highest_m: float
    noise_m: float | None
    beyond_share: float
    stray_share: float
    silent: tuple[Span, ...]
    stuck: tuple[Span, ...]
    air_sigma: float = 0.0

    def as_dict(self) -> dict[str, float | int | str | bool | None]:
        """Plain values."""
        return {
            "readings": self.count,
            "rate_hz": self.rate_hz,
            "lowest_m": self.lowest_m,
            "highest_m": self.highest_m,
            "noise_m": self.noise_m,
            "beyond_limits_share": self.beyond_share,
            "stray_share": self.stray_share,
            "air_sigma": self.air_sigma,
            "longest_silence_s": max((b - a for a, b in self.silent), default=0.0),
        }


def gathered(chunks: Iterable[RangeSamples]) -> RangeSamples:
    """Read a whole range log: twenty readings a second are few."""
    parts = list(chunks)
    airs = [part.air_temperature_c for part in parts]
    return RangeSamples(
        time_s=np.concatenate([np.empty(0), *(part.time_s for part in parts)]),
        range_m=np.concatenate([np.empty(0), *(part.range_m for part in parts)]),
        air_temperature_c=np.concatenate([a for a in airs if a is not None])
        if airs and all(a is not None for a in airs)
        else None,
    )


def range_facts(samples: RangeSamples, sensor: Range, span_s: Span) -> RangeFacts:
    """Look at the readings within the frames' span (gyro clock)."""
    time_s = samples.time_s + sensor.time_offset_s
    inside = (time_s > span_s[0] - _NOTED_S) & (time_s < span_s[1] + _NOTED_S)
    time_s, reading = time_s[inside], samples.range_m[inside]
    heard = (reading > sensor.min_m) & (reading < sensor.max_m)
    distance = sensor.scale * reading[heard] + sensor.offset_m
    heard_s = time_s[heard]
    edges = np.concatenate([[span_s[0]], heard_s[(heard_s > span_s[0]) & (heard_s < span_s[1])], [span_s[1]]])
    silent = np.diff(edges) > _NOTED_S
    usual = median_filter(distance, _STRAY_WINDOW, mode="nearest") if len(distance) else distance
    limit = np.maximum(_STRAY_SHARE * usual, _STRAY_SIGMAS * sensor.noise_m)
    stray = np.abs(distance - usual) > limit
    steps = np.diff(time_s)
    return RangeFacts(
        count=len(time_s),
        rate_hz=1 / float(np.median(steps)) if len(steps) else 0.0,
        lowest_m=float(distance[~stray].min()) if (~stray).any() else 0.0,
        highest_m=float(distance[~stray].max()) if (~stray).any() else 0.0,
        noise_m=_noise(distance[~stray]),
        beyond_share=1 - float(heard.mean()) if len(heard) else 1.0,
        stray_share=float(stray.mean()) if len(stray) else 0.0,
        silent=tuple((float(edges[k]), float(edges[k + 1])) for k in np.flatnonzero(silent)),
        air_sigma=air_scale_sigma(sensor, _middle_air(samples)),
        stuck=tuple(_stuck(heard_s, reading[heard], sensor.noise_m / sensor.scale)),
    )


def range_findings(facts: RangeFacts, sensor: Range, flying: Flying, span_s: Span, clock_s: float) -> Iterator[Finding]:
    """Judge them; ``clock_s`` turns times into the video's."""
    lasts_s = span_s[1] - span_s[0]
    lost_s = sum(b - a - _BRIDGE_S for a, b in facts.silent if b - a > _BRIDGE_S)
    yield from _air_findings(facts.air_sigma, sensor, flying)
    if facts.silent:
        spans = [(a - clock_s, b - clock_s) for a, b in facts.silent]
        bridged = "bridged by the climb in the image, with a growing band"
        yield Finding(
            severity="stop" if lost_s > 0.5 * lasts_s else "care",
            topic="range",
            what=f"silent for up to {max(b - a for a, b in spans):.2f} s ({worded(spans)})",
            when_s=whole(spans),
            effect=f"no speed for {lost_s:.1f} s; up to {_BRIDGE_S:g} s are {bridged}" if lost_s else bridged,
            remedy="look at the sensor's limits, its view of the floor, and its log",
        )
    if facts.beyond_share > 0.02:
        limits = f"{sensor.min_m:g} to {sensor.max_m:g} m"
        yield Finding(
            severity="care",
            topic="range",
            what=f"{100 * facts.beyond_share:.0f} % of the readings are outside the sensor's {limits}",
            when_s=None,
            effect="they count as no reading",
            remedy="fly within the sensor's reach, or set range.min_m and range.max_m to what it can do",
        )
    if facts.stray_share > _MANY_STRAYS:
        yield Finding(
            severity="care",
            topic="range",
            what=f"{100 * facts.stray_share:.0f} % stray echoes",
            when_s=None,
            effect="they are held back; the height's band is wider for a while",
            remedy="keep legs and cables out of the beam; look for a second sensor in earshot",
        )
    if facts.noise_m is not None and facts.noise_m > _NOISIER * max(sensor.noise_m, 1e-3):
        relative = facts.noise_m / flying.height_m
        yield Finding(
            severity="care",
            topic="range",
            what=f"readings scatter by {1000 * facts.noise_m:.0f} mm, the module file says {1000 * sensor.noise_m:.0f} mm",
            when_s=None,
            effect=f"{100 * relative:.1f} % of the speed a reading ({1000 * flying.by_scale(relative):.1f} mm/s) before filtering,"
            " and bands that are too narrow",
            remedy="groundpace calibrate range; look for vibration and soft ground",
        )
    if facts.stuck:
        spans = [(a - clock_s, b - clock_s) for a, b in facts.stuck]
        yield Finding(
            severity="care",
            topic="range",
            what=f"the same reading to the last digit, {worded(spans)}",
            when_s=whole(spans),
            effect="measure takes it for no reading once that is plain; one reading from the first on is used until the image"
            " shows that the height has changed, and makes the speed wrong by the same share up to then",
            remedy="look whether the driver repeats old readings; leave the cell empty where there is no new one",
        )


def _middle_air(samples: RangeSamples) -> float | None:
    air = samples.air_temperature_c
    return None if air is None or np.isnan(air).all() else float(np.nanmedian(air))


def _air_findings(sigma: float, sensor: Range, flying: Flying) -> Iterator[Finding]:
    if sigma == 0.0:
        return
    stated = sensor.assumed_air_temperature_c is not None
    unknown = "range.csv has no air_temperature_c" if stated else "nobody stated for which air the readings hold"
    remedy = "log air_temperature_c in range.csv" if stated else "groundpace calibrate range TABLE.csv --air C"
    other = "set range.air_dependent: false for a sensor that is no ultrasonic one or measures the air itself"
    yield Finding(
        severity="care",
        topic="range",
        what=f"{unknown}: an ultrasonic range is uncertain by {100 * sigma:.1f} % of the height",
        when_s=None,
        effect=f"{1000 * flying.by_scale(sigma):.1f} mm/s one-sigma, the same way for the whole flight; the bands count it",
        remedy=f"{remedy}; {other}",
    )


def _noise(distance: Array) -> float | None:
    """One-sigma of a reading from second differences, which a smooth flight leaves small."""
    if len(distance) < 10:
        return None
    return float(1.4826 * np.median(np.abs(np.diff(distance, 2))) / np.sqrt(6))


def _stuck(time_s: Array, reading: Array, noise: float) -> list[Span]:
    """Find readings that repeat for long; of a sensor whose digits are finer than its noise none does by chance."""
    digits = np.diff(np.unique(reading.round(9)))
    if len(reading) < _STUCK_COUNT or (len(digits) and digits.min() > _COARSE * noise):
        return []
    same = np.append(np.diff(reading) == 0, False)
    spans = spans_of(same, time_s, np.append(time_s[1:], time_s[-1]))
    return [span for span in spans if span[1] - span[0] > _STUCK_S]
