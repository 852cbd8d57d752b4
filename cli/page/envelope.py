"""The envelope in words and charts: the same cells on the terminal and on the page."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import chain
from typing import TYPE_CHECKING, Any

from cli.page.report import BENCH_CAUTIONS, INKS, Chart, Listing, Page, line, log_axis

if TYPE_CHECKING:
    from flow.budget.conditions import Conditions
    from flow.budget.envelope import Flying, Reach
    from flow.budget.prediction import Budget

Found = dict[str, "tuple[Reach, ...]"]

WIDE = ("height m", "mm/px", "footprint m", "from rest", "followed", "blurred", "ends by")
FINE = ("height m", "1 frame", "1 second", "hover", "mostly", "cruise", "mostly")
"""Slowest speeds told from zero, and one sigma of a row with the cause that adds most, mm/s."""

WIDE_TITLE = "What it sees, and how fast it may go, m/s"
FINE_TITLE = "How finely it tells speed, mm/s"
"""Ground sample distance, ground in view, three limits of the speed in m/s, and which of the last two comes first."""


def assumptions(conditions: Conditions, flying: Flying) -> list[str]:
    """Say what the figures stand on."""
    rocking = f"{math.degrees(flying.rocking_rad):g}° at {flying.rocking_hz:g} Hz"
    return [
        f"At {conditions.frame_rate_hz:g} frames/s, exposed {1000 * conditions.exposure_s:g} ms, noise"
        f" {conditions.noise_levels:g} grey levels, floor of {conditions.texture.gradient_levels_px:g} grey levels/px;"
        f" hover rocking {rocking}, cruise at {flying.cruise_m_s:g} m/s rocking the same.",
        "From rest: found with no speed before; followed: from frame to frame; blurred: too little texture is left.",
        "1 frame, 1 second: the slowest speed whose 95 % band leaves zero out, at rest over still ground."
        " Hover, cruise: one sigma of a row by its own two frames, worse axis; a row from a longer baseline, with the"
        " accelerometer, has less.",
        "Video compression comes on top, up to 0.02 px a frame (common practice: store flights you judge lossless).",
    ]


def wide_row(reach: Reach) -> tuple[str, ...]:
    """Cells of one height for the columns :data:`WIDE`."""
    footprint = " x ".join("horizon" if side is None else f"{side:.2g}" for side in reach.footprint_m)
    return (
        f"{reach.height_m:g}",
        f"{1000 * reach.sample_m[0]:.2f}",
        footprint,
        f"{reach.cold_m_s:.1f}",
        f"{reach.followed_m_s:.1f}",
        f"{reach.blur_m_s:.1f}" if math.isfinite(reach.blur_m_s) else "never",
        reach.fastest_limit,
    )


def fine_row(reach: Reach) -> tuple[str, ...]:
    """Cells of one height for the columns :data:`FINE`."""
    return (
        f"{reach.height_m:g}",
        _mm(reach.slowest_row_m_s),
        _mm(reach.slowest_second_m_s),
        *_budget(reach.hover, reach.no_hover),
        *_budget(reach.cruise, reach.no_cruise),
    )


def side_by_side(
    columns: Sequence[str], found: Found, row: Callable[[Reach], tuple[str, ...]]
) -> tuple[list[str], list[list[str]]]:
    """Titles and rows of a table; with several variants, those of one height stand together, each named."""
    if len(found) == 1:
        return list(columns), [list(row(reach)) for reach in next(iter(found.values()))]
    rows = [
        [cells[0] if first else "", name, *cells[1:]]
        for group in zip(*found.values(), strict=True)
        for first, name, cells in zip((True, *[False] * len(found)), found, map(row, group), strict=False)
    ]
    return [columns[0], "", *columns[1:]], rows


def envelope_page(module: str, found: Found, conditions: Conditions, flying: Flying) -> Page:
    """Build the page."""
    wide, fine = side_by_side(WIDE, found, wide_row), side_by_side(FINE, found, fine_row)
    fast = "followed from frame to frame; dotted: from rest, found with no speed before"
    cruise = f"one sigma of a row flying {flying.cruise_m_s:g} m/s, worse axis"
    return Page(
        title=f"What {module} can measure",
        summary=assumptions(conditions, flying)[0],
        charts=[
            _chart("Fastest speed", fast, "m/s", _fast(found)),
            _chart(
                "Slowest speed",
                "distinguishable from zero in one frame; dotted: in the mean of a second",
                "mm/s",
                _slow(found),
            ),
            _chart("Error in hover", "one sigma of a row, worse axis", "mm/s", _errors(found, "hover")),
            _chart("Error in cruise", cruise, "mm/s", _errors(found, "cruise")),
        ],
        tables=[
            Listing(title=WIDE_TITLE, columns=wide[0], rows=wide[1]),
            Listing(title=FINE_TITLE, columns=fine[0], rows=fine[1]),
        ],
        cautions=[BENCH_CAUTIONS[1], "Predicted, not measured: prove it over your own floor before you rely on it."],
        footer=assumptions(conditions, flying)[1:],
    )


def _fast(found: Found) -> list[dict[str, Any]]:
    return _lines(found, ("followed", lambda r: r.fastest_m_s), ("from rest", lambda r: min(r.cold_m_s, r.blur_m_s)))


def _slow(found: Found) -> list[dict[str, Any]]:
    return _lines(
        found,
        ("one frame", lambda r: r.slowest_row_m_s and 1000 * r.slowest_row_m_s),
        ("one second", lambda r: r.slowest_second_m_s and 1000 * r.slowest_second_m_s),
    )


def _lines(found: Found, *figures: tuple[str, Callable[[Reach], float | None]]) -> list[dict[str, Any]]:
    """Trace each figure of each variant: an ink a variant, the second figure dotted."""
    traces = []
    for (name, reaches), ink in zip(found.items(), _inks(len(found)), strict=False):
        for (figure, value), dash in zip(figures, ("solid", "dot"), strict=False):
            title = figure if len(found) == 1 else f"{name}: {figure}"
            heights = [reach.height_m for reach in reaches]
            traces.append(line(heights, [value(reach) for reach in reaches], title, ink, dash=dash))
    return traces


def _errors(found: Found, flight: str) -> list[dict[str, Any]]:
    """Trace the error of each variant; of a single one its largest causes too."""
    if len(found) > 1:
        return _lines(found, ("in all", lambda r: _total(getattr(r, flight))))
    reaches = [reach for reach in next(iter(found.values())) if getattr(reach, flight) is not None]
    if not reaches:
        return []
    parts = [{c.name: 1000 * max(c.forward_m_s, c.right_m_s) for c in getattr(r, flight).causes} for r in reaches]
    largest = sorted(parts[0], key=lambda name: -max(part[name] for part in parts))[:4]
    heights = [reach.height_m for reach in reaches]
    total = line(heights, [_total(getattr(reach, flight)) for reach in reaches], "in all", INKS[0])
    causes = [
        line(heights, [part[name] for part in parts], name, ink) for name, ink in zip(largest, INKS[1:], strict=False)
    ]
    return [total, *causes]


def _chart(title: str, caption: str, unit: str, traces: list[dict[str, Any]]) -> Chart:
    values = [v for trace in traces for v in trace["y"] if v and math.isfinite(v)]
    heights = [h for trace in traces for h in trace["x"]]
    # A cause four decades below the largest says nothing.
    low, high = (max(min(values), max(values) / 1e4), max(values)) if values else (0.1, 10.0)
    bounds = (min(heights), max(heights)) if heights else (0.1, 10.0)
    layout = {
        "xaxis": log_axis("height above the ground, m", bounds[0] / 1.1, bounds[1] * 1.1),
        "yaxis": log_axis(unit, low / 1.2, high * 1.2),
    }
    return Chart(title=title, caption=caption, traces=traces, layout=layout)


def _inks(count: int) -> list[str]:
    return list(chain(INKS * (1 + count // len(INKS))))


def _total(budget: Budget | None) -> float | None:
    return None if budget is None else 1000 * max(budget.sigma_m_s())


def _mm(speed_m_s: float | None) -> str:
    return "-" if speed_m_s is None else _figure(1000 * speed_m_s)


def _budget(budget: Budget | None, reason: str) -> tuple[str, str]:
    return ("-", reason) if budget is None else (_figure(1000 * max(budget.sigma_m_s())), budget.dominating)


def _figure(value: float) -> str:
    return f"{value:.2f}" if value < 9.995 else f"{value:.1f}"
