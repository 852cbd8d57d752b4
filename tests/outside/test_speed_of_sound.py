"""The speed of sound that scales an ultrasonic reading."""

from __future__ import annotations

import pytest

from flow.air import speed_of_sound_ratio

# Dry air at 101.325 kPa, 343.2 sqrt(T / 293.15 K), m/s, to the 0.01 m/s printed.
TABLE = {-20: 318.93, 0: 331.29, 10: 337.30, 20: 343.20, 30: 349.01, 40: 354.71}
# CoolProp 8.0, dry air: an equation of state instead of an ideal gas.
REAL_GAS = {0: 331.44, 20: 343.34}


@pytest.mark.parametrize(("celsius", "speed"), TABLE.items())
def test_table(celsius: float, speed: float) -> None:
    # Half of the last printed digit in both speeds.
    assert 343.20 * speed_of_sound_ratio(celsius, 20.0) == pytest.approx(speed, abs=0.0055)


@pytest.mark.parametrize(("celsius", "speed"), REAL_GAS.items())
def test_real_gas(celsius: float, speed: float) -> None:
    # The two descriptions differ by 0.04 %; the mutation, degrees Fahrenheit or Celsius for kelvin, by 3 %
    # and more.
    assert 343.20 * speed_of_sound_ratio(celsius, 20.0) == pytest.approx(speed, rel=6e-4)


@pytest.mark.parametrize("celsius", [-20.0, 0.0, 40.0])
def test_ratio_between_any_two(celsius: float) -> None:
    # Closed form: the way there and back is one, and no change is none.
    assert speed_of_sound_ratio(celsius, 15.0) * speed_of_sound_ratio(15.0, celsius) == pytest.approx(1, abs=1e-15)
    assert speed_of_sound_ratio(celsius, celsius) == 1.0
