"""What stands out in a flight, in words with its time: why there was no speed, or less of it to trust."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from cli.page.review_range import Readings
from cli.page.review_reference import scale_against
from cli.page.review_rows import Rows, Stretch
from flow.accuracy.scale import SIGNIFICANT_SIGMAS
from flow.budget.shares import largest, most_grown, usual
from flow.error_sources import SOURCES, ErrorSource
from flow.module import Range
from flow.row import REASONS

Array: TypeAlias = NDArray[np.float64]

_MOST = 150
_LEAST_S = 0.2  # shorter than this, a low share or a wide band is a single odd picture
_BRIDGE_S = 0.1  # stretches closer than this are told as one
_LOW_SHARE = 0.75
_WIDE = 3.0
_OFF_SIGMA, _OFF_SHARE = 6.0, 0.05  # of a reading: beyond any tilt of a normal flight
_SHORTLY_S = 3.0  # as long as something takes to cross the view and a doubt to ripen


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A stretch of the flight and what happened in it; ``kind`` is a plain word for what it is about."""

    begin_s: float
    end_s: float
    kind: str
    text: str


def findings(rows: Rows, readings: Readings, sensor: Range, reference: Array | None) -> list[Finding]:
    """Everything that stands out, in order of time.

    Parameters
    ----------
    rows, readings
        The flight.
    sensor
        The range section of the module.
    reference
        (B, 3) forward and right speed and height by the reference in each bin of ``rows``; None without one.
    """
    found = [
        *_without_speed(rows),
        *_range_gaps(rows, readings),
        *_stray_readings(rows, readings, sensor),
        *_low_share(rows),
        *_wide_band(rows),
        *_doubts(rows),
        *_late_frames(rows),
        *([] if reference is None else _off_reference(rows, reference)),
    ]
    return sorted(found, key=lambda finding: finding.begin_s)


def shortened(found: Sequence[Finding]) -> tuple[list[Finding], int]:
    """Give the findings that the page lists, longest first chosen, in order of time, and how many it leaves out."""
    chosen = sorted(found, key=lambda finding: finding.begin_s - finding.end_s)[:_MOST]
    return sorted(chosen, key=lambda finding: finding.begin_s), len(found) - len(chosen)


def _without_speed(rows: Rows) -> list[Finding]:
    joined: list[Stretch] = []
    for stretch in rows.stretches:
        if stretch.status == "ok":
            continue
        last = joined[-1] if joined else None
        if last and last.status == stretch.status and stretch.begin_s - last.end_s < _BRIDGE_S:
            joined[-1] = Stretch(last.begin_s, stretch.end_s, last.status, last.rows + stretch.rows)
        else:
            joined.append(stretch)
    return [
        Finding(
            begin_s=s.begin_s, end_s=s.end_s, kind="no speed", text=f"no speed: {REASONS[s.status]}{_mostly(rows, s)}"
        )
        for s in joined
    ]


def _mostly(rows: Rows, stretch: Stretch) -> str:
    """Name the source that made the rows of a stretch too uncertain; nothing where they failed otherwise."""
    inside = (rows.time_s > stretch.begin_s) & (rows.time_s < stretch.end_s)
    if stretch.status != "uncertain" or not inside.any():
        return ""
    source = largest(_by_source(rows)[:, inside])
    return f"; most of it from {source.words}" if source else ""


def _by_source(rows: Rows) -> Array:
    """One-sigmas (sources, B) of every bin."""
    return np.array([rows.high[f"by_{source}"] for source in SOURCES])


def _range_gaps(rows: Rows, readings: Readings) -> list[Finding]:
    found = []
    sigma = rows.high["height_sigma"]
    for begin_s, end_s in readings.gaps_s:
        inside = (rows.time_s > begin_s) & (rows.time_s < end_s)
        known = sigma[inside][np.isfinite(sigma[inside])]
        if not inside.any():
            continue
        text = f"no range echo for {end_s - begin_s:.1f} s"
        if len(known):
            text += f"; height carried on, its one-sigma grew from {1e3 * known[0]:.0f} to {1e3 * known.max():.0f} mm"
        if len(known) < inside.sum():
            text += "; no height after that" if len(known) else "; no height"
        found.append(Finding(begin_s=begin_s, end_s=end_s, kind="range", text=text))
    return found


def _stray_readings(rows: Rows, readings: Readings, sensor: Range) -> list[Finding]:
    height, sigma = rows.low["height"], rows.high["height_sigma"]
    known = np.isfinite(height)
    if not known.any() or not len(readings.time_s):
        return []
    expected = np.interp(readings.time_s, rows.time_s[known], height[known])
    allowed = _OFF_SIGMA * np.hypot(np.interp(readings.time_s, rows.time_s[known], sigma[known]), sensor.noise_m)
    allowed = np.maximum(allowed, _OFF_SHARE * expected) + float(np.linalg.norm(sensor.position_m))
    off = np.fmax(np.abs(readings.low_m - expected), np.abs(readings.high_m - expected))
    found = []
    for chosen in _runs(readings.time_s, off > allowed, 0.0, bridge_s=1.0):
        away = off[chosen][off[chosen] > allowed[chosen]]
        what = "a range reading lies" if len(away) == 1 else f"{len(away)} range readings lie"
        size = f"{away.min():.2f}" if np.ptp(away) < 0.01 else f"{away.min():.2f} to {away.max():.2f}"
        time_s = readings.time_s[chosen]
        text = f"{what} {size} m off the height: stray, or a step in the floor?"
        found.append(Finding(begin_s=float(time_s[0]), end_s=float(time_s[-1]), kind="range", text=text))
    return found


def _low_share(rows: Rows) -> list[Finding]:
    share = rows.low["share"]
    found = []
    for chosen in _runs(rows.time_s, share < _LOW_SHARE, _LEAST_S):
        least = float(np.nanmin(share[chosen]))
        share_off = f"{100 * (1 - least):.0f} %"
        text = f"up to {share_off} of the points do not move with the ground: is something else in view?"
        found.append(_over(rows, chosen, "points", text))
    return found


def _wide_band(rows: Rows) -> list[Finding]:
    size = np.hypot(rows.high["sigma_forward"], rows.high["sigma_right"])
    if not np.isfinite(size).any():
        return []
    common = float(np.nanmedian(size))
    found = []
    for chosen in _runs(rows.time_s, size > _WIDE * common, _LEAST_S):
        widest = chosen.start + int(np.nanargmax(size[chosen]))
        source, before_m_s, now_m_s = _grown(rows, chosen, widest)
        text = (
            f"error band up to {size[widest] / common:.1f} times as wide as usual; what grew is the part of {source.words}, "
            f"from {1e3 * before_m_s:.1f} to {1e3 * now_m_s:.1f} mm/s; {source.remedy}"
        )
        found.append(_over(rows, chosen, "band", text))
    return found


def _grown(rows: Rows, chosen: slice, at: int) -> tuple[ErrorSource, float, float]:
    """Give the source whose variance in a bin exceeds by most what it was before, with its one-sigma then and now.

    Before: the median of the bins ahead of ``chosen``, or of all others where there is none.
    """
    by_source = _by_source(rows)
    rest = np.ones(by_source.shape[1], bool)
    rest[chosen] = False
    ahead = rest & (np.arange(len(rest)) < chosen.start)
    before = usual(by_source[:, ahead if np.isfinite(by_source[:, ahead]).any() else rest])
    now = np.nan_to_num(by_source[:, at])
    source = most_grown(before, now)
    place = SOURCES.index(source)
    return source, float(before[place]), float(now[place])


def _doubts(rows: Rows) -> list[Finding]:
    """Tell from when on the rows spoke against a figure of the module: its part of the band is wider from then on."""
    found = []
    end_s = rows.time_s[-1] + rows.high["interval"][-1]
    for doubt in rows.doubted:
        if doubt.end_s - doubt.begin_s < _LEAST_S:
            continue
        part = rows.high[f"by_{doubt.source}"]
        inside = (rows.time_s > doubt.begin_s) & (rows.time_s < doubt.end_s)
        known = part[inside][np.isfinite(part[inside])]
        wider = f", and widen the band by up to {1e3 * known.max():.1f} mm/s" if len(known) else ""
        until = "to the end" if doubt.end_s >= end_s - _BRIDGE_S else f"to {doubt.end_s:.1f} s"
        text = (
            f"from {doubt.begin_s:.1f} s {until} the accelerometer and the rows speak against {doubt.source.words}{wider}; "
            f"{doubt.source.remedy}{_crossed_before(rows, doubt.begin_s)}"
        )
        found.append(Finding(begin_s=doubt.begin_s, end_s=doubt.end_s, kind="module", text=text))
    return found


def _crossed_before(rows: Rows, time_s: float) -> str:
    """Say that something else was in view shortly before a doubt, if so: it may be all that is behind it."""
    shortly = (rows.time_s > time_s - _SHORTLY_S) & (rows.time_s < time_s + _LEAST_S)
    low = shortly & (rows.low["share"] < _LOW_SHARE)
    if not low.any():
        return ""
    first_s = rows.time_s[low][0]
    return f". Something else was in view from {first_s:.1f} s on: a calibrated module may be right all the same"


def _late_frames(rows: Rows) -> list[Finding]:
    interval = rows.high["interval"]
    common = float(np.nanmedian(interval)) if len(interval) else 0.0
    found = []
    for chosen in _runs(rows.time_s, interval > 1.8 * common, 0.0):
        longest = float(interval[chosen].max())
        text = f"frames missing: {1e3 * longest:.0f} ms between two of them instead of {1e3 * common:.0f} ms"
        found.append(_over(rows, chosen, "pictures", text))
    return found


def _off_reference(rows: Rows, reference: Array) -> list[Finding]:
    """Tell a scale error that lasts as one, and what is off the reference once it is taken out."""
    scale = scale_against(rows, reference)
    found = []
    if scale.words:
        half = 0.5 * rows.high["interval"][[0, -1]]
        begin_s, end_s = float(rows.time_s[0] - half[0]), float(rows.time_s[-1] + half[1])
        found.append(Finding(begin_s=begin_s, end_s=end_s, kind="reference", text=scale.words))
    errors, bands = [], []
    for place, axis in enumerate(("forward", "right")):
        expected = (1 + scale.speed) * reference[:, place]
        low, high = rows.low[axis] - expected, rows.high[axis] - expected
        errors.append(np.where(np.abs(low) > np.abs(high), low, high))
        bands.append(rows.high[f"sigma_{axis}"])
    error, band = np.array(errors), np.array(bands)
    with np.errstate(invalid="ignore"):
        off = np.fmax.reduce(np.abs(error) / band, axis=0) > SIGNIFICANT_SIGMAS
    beside = " beside that scale" if scale.speed else ""
    for chosen in _runs(rows.time_s, off, _LEAST_S):
        place = int(np.nanargmax(np.fmax.reduce(np.abs(error[:, chosen]), axis=1)))
        worst = error[place, chosen][np.nanargmax(np.abs(error[place, chosen]))]
        axis = ("forward", "right")[place]
        text = f"{axis} speed is off the reference by up to {worst:+.3f} m/s{beside}, beyond its band"
        found.append(_over(rows, chosen, "reference", text))
    return found


def _over(rows: Rows, chosen: slice, kind: str, text: str) -> Finding:
    half = 0.5 * rows.high["interval"][chosen][[0, -1]]
    begin, end = rows.time_s[chosen][[0, -1]]
    return Finding(begin_s=float(begin - half[0]), end_s=float(end + half[1]), kind=kind, text=text)


def _runs(time_s: Array, marked: NDArray[np.bool_], least_s: float, *, bridge_s: float = _BRIDGE_S) -> list[slice]:
    """Stretches of ``marked`` at least ``least_s`` long; those closer than ``bridge_s`` are one."""
    places = np.flatnonzero(marked)
    if not len(places):
        return []
    cuts = np.flatnonzero(np.diff(time_s[places]) > bridge_s) + 1
    groups = np.split(places, cuts)
    slices = [slice(int(group[0]), int(group[-1]) + 1) for group in groups]
    return [s for s in slices if time_s[s.stop - 1] - time_s[s.start] >= least_s]
