"""Self-contained report pages: facts, remarks, charts and tables in one HTML file that opens offline."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

INKS = ("#3b7fc4", "#d07a1f", "#3f9a68", "#c4514c", "#8b6fc4")
"""Colours of series that are readable on white and on near-black."""

_DRAWN = frozenset({"scatter", "bar", "pie"})
_LIBRARY, _LICENCE = "plotly-basic.min.js", "plotly-LICENSE.txt"

BENCH_CAUTIONS = (
    "Take the propellers off while the module is on the bench or in your hand.",
    "Speed from this module must not be an autopilot's only source. Try it over nobody, within local rules.",
)
"""Usual cautions, shown once a page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One line of the result: what, how much with its one-sigma and unit, what it means for speed."""

    name: str
    value: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A chart: scatter or bar traces and layout of plotly; ``wide`` takes the whole row, ``tall`` nearly twice the height."""

    title: str
    caption: str
    traces: Sequence[dict[str, Any]]
    layout: dict[str, Any]
    wide: bool = False
    tall: bool = False

    def __post_init__(self) -> None:
        """Refuse what the bundled library does not draw: the chart would be missing without a word."""
        if unknown := {trace.get("type", "scatter") for trace in self.traces} - _DRAWN:
            raise ValueError(f"the basic bundle of plotly.js does not draw {', '.join(sorted(unknown))}")

    @property
    def legend(self) -> list[tuple[str, str, str]]:
        """Name, colour and kind (``dots``, ``line``, ``dot`` for a dotted line) of the traces, where there are several.

        The page writes it below the chart: plotly's own lies over the axis in a narrow window.
        """
        named = {trace["name"]: trace for trace in self.traces if "name" in trace}
        return [(name, *_swatch(trace)) for name, trace in named.items()] if len(named) > 1 else []

    @property
    def json(self) -> Markup:
        """The figure for the script in the page; ``<`` is escaped, so that no name can end the script."""
        layout = {
            "margin": {"l": 64, "r": 16, "t": 8, "b": 52},
            "showlegend": False,
            "font": {"family": "system-ui, sans-serif", "size": 13},
            "hovermode": "closest",
            **self.layout,
        }
        text = json.dumps({"data": _plain(list(self.traces)), "layout": _plain(layout)}, allow_nan=False)
        return Markup(text.replace("<", "\\u003c"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """A table with a title; one that ``stacks`` has a small block a row in a narrow window, and never scrolls sideways."""

    title: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    stacks: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Everything one report page shows."""

    title: str
    summary: str
    facts: Sequence[Fact] = ()
    remarks: Sequence[str] = ()
    charts: Sequence[Chart] = ()
    tables: Sequence[Listing] = ()
    cautions: Sequence[str] = BENCH_CAUTIONS
    footer: Sequence[str] = ()

    @property
    def needs_plotly(self) -> bool:
        """Whether anything on the page is drawn by plotly."""
        return bool(self.charts)


def render(page: Page, template: str = "base.html") -> str:
    """HTML text of a page; everything it needs is inside, the chart library once with its licence.

    The library is the basic bundle of plotly.js: scatter, bar and pie traces alone, a quarter of the whole. A page
    that is mailed or moved alone stays complete.
    """
    environment = Environment(
        loader=PackageLoader("cli", "page"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters["code"] = _code
    script, licence = (Markup(_beside(name)) if page.needs_plotly else "" for name in (_LIBRARY, _LICENCE))
    return environment.get_template(template).render(page=page, plotly_script=script, plotly_licence=licence)


def line(x: Any, y: Any, name: str, ink: str, *, dash: str = "solid") -> dict[str, Any]:
    """Trace of a line."""
    style = {"color": ink, "dash": dash, "width": 1.6}
    return {"x": x, "y": y, "mode": "lines", "name": name, "line": style}


def dots(x: Any, y: Any, name: str, ink: str, *, size: int = 7, bars: Any = None) -> dict[str, Any]:
    """Trace of points, with error bars of plus and minus ``bars``."""
    trace = {"x": x, "y": y, "mode": "markers", "name": name, "marker": {"color": ink, "size": size}}
    return trace if bars is None else {**trace, "error_y": {"array": bars, "color": ink}}


def _swatch(trace: dict[str, Any]) -> tuple[str, str]:
    if "fillcolor" in trace:
        return trace["fillcolor"], "dots"
    if trace.get("mode") == "lines":
        return trace["line"]["color"], "dot" if trace["line"]["dash"] == "dot" else "line"
    return trace["marker"]["color"], "dots"


def _code(text: str) -> Markup:
    """Set what stands between backticks as code."""
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(text))))


def _beside(name: str) -> str:
    return (files("cli") / "page" / name).read_text(encoding="utf-8")


def axis(title: str, **more: Any) -> dict[str, Any]:
    """Layout of an axis with a title (its unit in it)."""
    return {"title": {"text": title, "font": {"size": 13}}, **more}


def log_axis(title: str, low: float, high: float) -> dict[str, Any]:
    """Layout of a logarithmic axis from ``low`` to ``high`` with its marks at 1, 2 and 5."""
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    marks = [digit * 10.0**decade for decade in decades for digit in (1, 2, 5)]
    bounds = [math.log10(low), math.log10(high)]
    return axis(title, type="log", range=bounds, tickvals=marks, ticktext=[f"{mark:g}" for mark in marks])


def _plain(value: Any) -> Any:
    """Arrays as lists, numbers that are none as null."""
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value
