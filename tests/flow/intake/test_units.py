"""Units against SciPy's constants (CODATA and the international definitions)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants

from flow.errors import DataError
from flow.intake.units import FACTORS, STANDARD_GRAVITY_M_S2, spelt, unit

# Each factor follows from the definitions; the last bits of a product are what the tolerance leaves.
RIGHT = {
    ("time", "s"): 1.0,
    ("time", "ms"): constants.milli,
    ("time", "us"): constants.micro,
    ("time", "ns"): constants.nano,
    ("time", "min"): constants.minute,
    ("turn rate", "rad/s"): 1.0,
    ("turn rate", "mrad/s"): constants.milli,
    ("turn rate", "deg/s"): constants.degree,
    ("turn rate", "mdeg/s"): constants.milli * constants.degree,
    ("turn rate", "rpm"): 360 * constants.degree / constants.minute,
    ("acceleration", "m/s^2"): 1.0,
    ("acceleration", "cm/s^2"): constants.centi,
    ("acceleration", "mm/s^2"): constants.milli,
    ("acceleration", "g"): constants.g,
    ("acceleration", "mg"): constants.milli * constants.g,
    ("length", "m"): 1.0,
    ("length", "cm"): constants.centi,
    ("length", "mm"): constants.milli,
    ("length", "in"): constants.inch,
    ("length", "ft"): constants.foot,
    ("angle", "rad"): 1.0,
    ("angle", "mrad"): constants.milli,
    ("angle", "deg"): constants.degree,
    ("angle", "mdeg"): constants.milli * constants.degree,
    ("angle", "cdeg"): constants.centi * constants.degree,
    ("speed", "m/s"): 1.0,
    ("speed", "cm/s"): constants.centi,
    ("speed", "mm/s"): constants.milli,
    ("speed", "km/h"): constants.kmh,
    ("speed", "kn"): constants.knot,
    ("speed", "ft/s"): constants.foot,
}


@pytest.mark.parametrize(("dimension", "name"), RIGHT)
def test_factors_are_those_of_scipy(dimension, name):
    assert unit(dimension, name).factor == pytest.approx(RIGHT[dimension, name], rel=1e-15)


def test_every_unit_is_checked():
    listed = {(dimension, name) for dimension, held in FACTORS.items() for name in held if dimension != "temperature"}
    assert listed == set(RIGHT)


def test_gravity_is_the_standard_one():
    assert constants.g == STANDARD_GRAVITY_M_S2


@pytest.mark.parametrize(("name", "scale"), [("K", "Kelvin"), ("degF", "Fahrenheit"), ("degC", "Celsius")])
def test_temperatures_are_those_of_scipy(name, scale):
    values = np.array([-40.0, 0.0, 32.0, 451.0])
    right = constants.convert_temperature(values, scale, "Celsius")
    np.testing.assert_allclose(unit("temperature", name).convert(values), right, rtol=0, atol=1e-12)


@pytest.mark.parametrize(
    ("dimension", "written", "ours"),
    [
        ("turn rate", "°/s", "deg/s"),
        ("turn rate", "dps", "deg/s"),
        ("turn rate", "mdps", "mdeg/s"),
        ("turn rate", "rad s-1", "rad/s"),
        ("acceleration", "m/s²", "m/s^2"),
        ("acceleration", "m/s/s", "m/s^2"),
        ("acceleration", "mG", "mg"),
        ("time", "µs", "us"),
        ("time", "Seconds", "s"),
        ("length", "Meters", "m"),
        ("temperature", "°C", "degC"),
    ],
)
def test_usual_spellings_are_understood(dimension, written, ours):
    assert spelt(dimension, written) == ours


def test_a_spelling_means_one_unit():
    for dimension, names in FACTORS.items():
        for name in names:
            assert spelt(dimension, name) == name
            assert spelt(dimension, name.upper()) in (name, None) or dimension == "temperature"


def test_an_unknown_unit_is_refused_with_what_there_is():
    with pytest.raises(DataError, match=r"'deg/min' is no unit of turn rate; did you mean deg/s"):
        unit("turn rate", "deg/min")
    with pytest.raises(DataError, match=r"'furlong' is no unit of length; known are m, cm, mm, in, ft"):
        unit("length", "furlong")
