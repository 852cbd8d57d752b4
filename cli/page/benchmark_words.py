"""How a benchmark names its conditions, methods and figures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path

from cli.page.report import INKS
from flow.benchmark.trial_flight import Condition

METHOD_WORDS = {
    "groundpace": "groundpace",
    "feature_tracks": "feature tracks",
    "phase_correlation": "phase correlation",
    "dense_flow": "dense flow",
    "ecc": "ECC",
    "feature_homography": "features, homography",
}
"""Methods as people call them."""

METHOD_INKS = dict(zip(METHOD_WORDS, (INKS[0], "#7d858f", *INKS[1:]), strict=True))
"""The colour of each in a chart; grey for what ours grew out of."""

AXES = {
    "height_m": "height, m",
    "speed_m_s": "mean speed, m/s",
    "light": "light, 1 = full",
    "noise_levels": "noise of a pixel, grey levels",
    "rocking_rad": "rocking, rad",
    "frame_rate_hz": "frames a second",
}
"""Titles of what can stand on the horizontal axis, in the order of preference."""


class Words:
    """Names conditions by what sets them apart: the floor, the height and whatever else varies."""

    def __init__(self, conditions: Sequence[Condition]) -> None:
        values = {f.name: {getattr(c, f.name) for c in conditions} for f in fields(Condition)}
        self._varying = {name for name, some in values.items() if len(some) > 1} | {"floor", "height_m"}
        floors = {c.floor for c in conditions}
        short = [Path(floor).name for floor in floors]
        self._floors = {floor: floor if short.count(Path(floor).name) > 1 else Path(floor).name for floor in floors}
        self.along = next((name for name in AXES if len(values[name]) > 1), "height_m")

    def floor(self, condition: Condition) -> str:
        """Name the floor, or the recording: a picture or a folder by its last name, unless two share it."""
        return self._floors[condition.floor]

    def condition(self, condition: Condition) -> str:
        """Name a condition."""
        return self._named(condition, self._varying)

    def series(self, condition: Condition) -> str:
        """Name what all conditions along the horizontal axis have in common."""
        return self._named(condition, self._varying - {self.along})

    def _named(self, c: Condition, some: set[str]) -> str:
        parts = {
            "floor": self.floor(c),
            "height_m": f"{c.height_m:g} m",
            "speed_m_s": f"{c.speed_m_s:g} m/s",
            "light": f"light {c.light:g}" if c.light is not None else "",
            "noise_levels": f"noise {c.noise_levels:g}" if c.noise_levels is not None else "",
            "rocking_rad": f"rocking {math.degrees(c.rocking_rad):.3g}°" if c.rocking_rad is not None else "",
            "frame_rate_hz": f"{c.frame_rate_hz:g} Hz",
        }
        return ", ".join(text.replace(" ", "\u00a0") for name, text in parts.items() if name in some and text)


def millimetres(speed_m_s: float, sigma_m_s: float = math.nan) -> str:
    """Speed in mm/s with three digits, or to two digits of its sigma; a dash where there is none."""
    if not math.isfinite(speed_m_s):
        return "–"
    if not (math.isfinite(sigma_m_s) and sigma_m_s > 0):
        return _unbroken(f"{1000 * speed_m_s:.3g}")
    digits = max(0, 1 - math.floor(math.log10(1000 * sigma_m_s)))
    return _unbroken(f"{1000 * speed_m_s:z.{digits}f} ± {1000 * sigma_m_s:.{digits}f}")


def percent(share: float, digits: int = 0, *, sign: bool = False, sigma: float = math.nan) -> str:
    """Share in percent, with its one-sigma where that is given; a dash where there is none."""
    if not math.isfinite(share):
        return "–"
    spread = f" ± {100 * sigma:.{digits}f}" if math.isfinite(sigma) else ""
    return _unbroken(f"{100 * share:{'+' if sign else ''}z.{digits}f}{spread} %")


def _unbroken(text: str) -> str:
    return text.replace(" ", "\u00a0").replace("-", "\u2212")
