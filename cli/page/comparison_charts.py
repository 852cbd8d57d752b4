"""Charts of a comparison: errors in time with their band, log on reference, errors by height and speed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from cli.page.report import INKS, Chart, axis, dots, line
from flow.wording import counted

if TYPE_CHECKING:
    from flow.accuracy.bins import Bin
    from flow.accuracy.pairs import Pairs

Array: TypeAlias = NDArray[np.float64]

_AXES = ("forward", "right", "down")
_BAND = 1.96
_MOST_POINTS = 2000
_MOST_GROUPS = 900  # of errors in time: about one a pixel
_GAP_STEPS = 2.5
_FEWEST_ROWS = 25  # below, the bias has no sigma
_BAND_FILL = "rgba(63,154,104,0.25)"


def error_chart(pairs: Pairs) -> Chart:
    """Errors of the three axes against time with their 95 % band; long logs as the range within a few rows."""
    size = max(1, -(-len(pairs.time_s) // _MOST_GROUPS))
    groups, cuts = _groups(pairs, size)
    place: Array = np.add.reduceat(pairs.time_s, groups) / np.diff([*groups, len(pairs.time_s)])
    traces: list[dict[str, Any]] = []
    layout: dict[str, Any] = {"xaxis": axis("time, s", anchor="y3"), "margin": {"l": 64, "r": 16, "t": 8, "b": 52}}
    for k, name in enumerate(_AXES):
        error, sigma = 1000 * pairs.error_m_s[:, k], 1000 * pairs.sigma_m_s[:, k]
        low, high = np.minimum.reduceat(error, groups), np.maximum.reduceat(error, groups)
        band = _BAND * np.minimum.reduceat(sigma, groups)
        on = {"yaxis": f"y{k + 1}" if k else "y"}
        outside = np.abs(error) > _BAND * sigma
        shown = np.flatnonzero(outside)[_some(int(outside.sum()))]
        traces += [
            {**line(*_zigzag(place, low, high, cuts, size), "error", INKS[0]), **on},
            {**_band_trace(place, band, cuts), **on},
            {**dots(_times(pairs.time_s[shown]), error[shown].round(2), "outside its band", INKS[3], size=4), **on},
        ]
        top = 1 - k * 0.345
        layout["yaxis" if k == 0 else f"yaxis{k + 1}"] = axis(f"{name}, mm/s", domain=[top - 0.31, top])
    several = (
        ""
        if size == 1
        else f" Lowest to highest error of {counted(size, 'row')} at a time; the narrowest band of them."
    )
    return Chart(
        title="Errors in time",
        caption=f"Log minus reference, with the log's own 95 % band: one row in twenty may lie outside.{several}",
        traces=traces,
        layout=layout,
        wide=True,
        tall=True,
    )


def scatter_chart(pairs: Pairs, k: int) -> Chart:
    """Log against reference along one axis; long logs thinned evenly."""
    rows = _some(len(pairs.time_s))
    truth = pairs.truth_m_s[rows, k]
    log = truth + pairs.error_m_s[rows, k]
    ends = [float(min(truth.min(), log.min())), float(max(truth.max(), log.max()))]
    thinned = "" if len(rows) == len(pairs.time_s) else f" {counted(len(rows), 'row')} of {len(pairs.time_s)}."
    return Chart(
        title=f"Log on reference, {_AXES[k]}",
        caption=f"A scale error tilts the points off the line, a bias moves them.{thinned}",
        traces=[
            {**dots(truth.round(4), log.round(4), "row", INKS[0], size=4), "opacity": 0.6},
            line(ends, ends, "log = reference", INKS[1], dash="dot"),
        ],
        layout={"xaxis": axis("reference, m/s"), "yaxis": axis("log, m/s")},
    )


def bin_chart(what: str, unit: str, bins: Sequence[Bin]) -> list[Chart]:
    """Bias with its 95 % and RMS of the level axes in each bin with enough rows; no chart where none has."""
    held = [b for b in bins if b.rows >= _FEWEST_ROWS]
    if not held:
        return []
    at = np.array([(b.low + b.high) / 2 for b in held])
    apart = 0.06 * min(b.high - b.low for b in held)
    traces: list[dict[str, Any]] = []
    for k, name in enumerate(_AXES[:2]):
        axes = [getattr(b, name) for b in held]
        bars = [0.0 if a.bias_sigma_m_s is None else 1000 * _BAND * a.bias_sigma_m_s for a in axes]
        bias = [1000 * a.bias_m_s for a in axes]
        across = np.ravel([(b.low, b.high, np.nan) for b in held])
        rms = np.ravel([(1000 * a.rms_m_s, 1000 * a.rms_m_s, np.nan) for a in axes])
        traces.append(dots(at + (2 * k - 1) * apart, bias, f"bias {name}, with its 95 %", INKS[k], bars=bars))
        traces.append(line(across, rms, f"RMS {name}", INKS[k], dash="dot"))
    few = "" if len(held) == len(bins) else f" Bins of fewer than {_FEWEST_ROWS} rows are in the table alone."
    x = axis(f"{what}, {unit}", range=[held[0].low, held[-1].high])
    return [
        Chart(
            title=f"Error against {what}",
            caption=f"Points: mean error. Dotted across each bin: RMS.{few}",
            traces=traces,
            layout={"xaxis": x, "yaxis": axis("error, mm/s", rangemode="tozero")},
        )
    ]


def _groups(pairs: Pairs, size: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First rows of groups of up to ``size`` that are drawn as one, and the groups that follow a hole in the log."""
    holes = np.diff(pairs.time_s) > _GAP_STEPS * float(np.median(pairs.interval_s))
    begins = np.concatenate([[0], np.flatnonzero(holes) + 1])
    ends = [*begins[1:], len(pairs.time_s)]
    groups = np.concatenate([np.arange(a, b, size) for a, b in zip(begins, ends, strict=True)])
    return groups, np.searchsorted(groups, begins[1:])


def _some(count: int) -> NDArray[np.intp]:
    """Evenly spread places, at most as many as are drawn."""
    return np.unique(np.linspace(0, count - 1, min(count, _MOST_POINTS)).round().astype(np.intp))


def _times(time_s: Array) -> Array:
    return np.asarray(time_s.round(4))


def _band_trace(time_s: Array, band: Array, cuts: NDArray[np.intp]) -> dict[str, Any]:
    """Outline plus and minus ``band``, closed, once for each stretch between ``cuts``."""
    x: list[float] = []
    y: list[float] = []
    for t, b in zip(np.split(time_s, cuts), np.split(band, cuts), strict=True):
        x += [*t.round(4), *t[::-1].round(4), np.nan]
        y += [*b.round(2), *(-b[::-1]).round(2), np.nan]
    look = {"fill": "toself", "fillcolor": _BAND_FILL, "line": {"width": 1, "color": INKS[2]}, "hoverinfo": "skip"}
    return {"x": x, "y": y, "mode": "lines", "name": "95 % band", **look}


def _zigzag(
    time_s: Array, low: Array, high: Array, cuts: NDArray[np.intp], size: int
) -> tuple[list[float], list[float]]:
    """One line through the errors, through the lowest and the highest of each group where it holds several rows."""
    x: list[float] = []
    y: list[float] = []
    for rows in np.split(np.arange(len(time_s)), cuts):
        x += [*(np.repeat(time_s[rows], 2) if size > 1 else time_s[rows]).round(4), np.nan]
        y += [*(np.column_stack([low[rows], high[rows]]).ravel() if size > 1 else low[rows]).round(2), np.nan]
    return x, y
