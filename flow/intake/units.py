"""Units that logs are written in, and the factor from each to ours."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError

Array: TypeAlias = NDArray[np.float64]

STANDARD_GRAVITY_M_S2 = 9.80665
"""Exact by definition: CGPM 1901."""

_TURN = math.radians(1.0)

FACTORS: Mapping[str, Mapping[str, float]] = {
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0},
    "turn rate": {"rad/s": 1.0, "deg/s": _TURN, "mdeg/s": 1e-3 * _TURN, "mrad/s": 1e-3, "rpm": 2 * math.pi / 60},
    "acceleration": {
        "m/s^2": 1.0,
        "cm/s^2": 1e-2,
        "mm/s^2": 1e-3,
        "g": STANDARD_GRAVITY_M_S2,
        "mg": 1e-3 * STANDARD_GRAVITY_M_S2,
    },
    "length": {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "in": 0.0254, "ft": 0.3048},
    "angle": {"rad": 1.0, "mrad": 1e-3, "deg": _TURN, "mdeg": 1e-3 * _TURN, "cdeg": 1e-2 * _TURN},
    "speed": {"m/s": 1.0, "cm/s": 1e-2, "mm/s": 1e-3, "km/h": 1 / 3.6, "kn": 1852 / 3600, "ft/s": 0.3048},
    "temperature": {"degC": 1.0, "K": 1.0, "degF": 5 / 9},
}
"""By dimension: unit to factor, the usual ones first. Inch and foot by the agreement of 1959, knot by that of 1929."""

_ZERO = {"K": 273.15, "degF": 32.0}

# How people write them, without case, blanks, dots, carets and brackets.
_SPELLINGS = {
    "s": ("sec", "secs", "second", "seconds"),
    "ms": ("msec", "millis", "millisecond", "milliseconds"),
    "us": ("µs", "μs", "usec", "micros", "microsecond", "microseconds"),
    "ns": ("nsec", "nanos", "nanosecond", "nanoseconds"),
    "min": ("minute", "minutes"),
    "rad/s": ("rads", "radps", "radpersec", "radpers", "radian/s", "radians/s", "rad/sec", "rads-1"),
    "mrad/s": ("mrads", "mradps"),
    "deg/s": ("degs", "dps", "degps", "°/s", "degpersec", "degree/s", "degrees/s", "deg/sec"),
    "mdeg/s": ("mdps", "mdegs", "mdegps"),
    "m/s^2": ("m/s2", "ms2", "mps2", "m/s/s", "m/s²", "mss", "m/sec2", "ms-2"),
    "cm/s^2": ("cm/s2", "cms2", "cm/s/s", "cm/s²"),
    "mm/s^2": ("mm/s2", "mms2", "mm/s/s", "mm/s²"),
    "g": ("gee", "gs", "g0"),
    "mg": ("millig",),
    "m": ("meter", "meters", "metre", "metres"),
    "cm": ("centimeter", "centimeters", "centimetre", "centimetres"),
    "mm": ("millimeter", "millimeters", "millimetre", "millimetres"),
    "in": ("inch", "inches"),
    "ft": ("foot", "feet"),
    "rad": ("radian", "radians"),
    "deg": ("°", "degree", "degrees"),
    "cdeg": ("centideg", "centidegrees"),
    "m/s": ("mps", "m/sec", "ms-1"),
    "cm/s": ("cmps", "cms"),
    "mm/s": ("mmps", "mms"),
    "km/h": ("kmh", "kph"),
    "kn": ("kt", "kts", "knot", "knots"),
    "degC": ("c", "°c", "celsius", "degc"),
    "degF": ("f", "°f", "fahrenheit", "degf"),
    "K": ("k", "kelvin"),
}


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of a dimension: ours = (value - zero) * factor."""

    name: str
    factor: float
    zero: float = 0.0

    def convert(self, values: Array) -> Array:
        """Values of this unit in ours."""
        return np.asarray((values - self.zero) * self.factor, float)


def unit(dimension: str, name: str) -> Unit:
    """Find a unit, in any of its usual spellings.

    Raises
    ------
    DataError
        No unit of that dimension has that name; says which have.

    Examples
    --------
    >>> unit("turn rate", "°/s").name, round(unit("turn rate", "dps").factor, 6)
    ('deg/s', 0.017453)
    """
    found = spelt(dimension, name)
    if found is None:
        known = FACTORS[dimension]
        near = difflib.get_close_matches(name, known, 1, 0.6)
        hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
        raise DataError(f"{name!r} is no unit of {dimension}; {hint}")
    return Unit(found, FACTORS[dimension][found], _ZERO.get(found, 0.0))


def spelt(dimension: str, name: str) -> str | None:
    """Our name of a unit that somebody spelt otherwise; None where no unit of that dimension is meant."""
    known = FACTORS[dimension]
    if name in known:
        return name
    plain = "".join(letter for letter in name.lower() if letter not in " ._^()[]{}*")
    return next((ours for ours in known if plain == _plain(ours) or plain in _SPELLINGS.get(ours, ())), None)


def _plain(name: str) -> str:
    return name.lower().replace("^", "")
