"""The air's temperature in an ultrasonic range: the conversion of a reading, and the error where it is not known.

An ultrasonic sensor multiplies the time of an echo by a speed of sound that it assumes. Sound goes with the root of
the absolute temperature T, so a temperature wrong by dT makes every distance wrong by the share ``dT / (2 T)``, for as
long as the flight lasts: no filter averages it out.

What is known decides what is done:

======================================  =====================================  ==========================================
``range.assumed_air_temperature_c``     ``air_temperature_c`` in the log       a reading is
======================================  =====================================  ==========================================
stated (or ``calibrate range --air``)   measured                               converted, exactly
stated                                  not measured                           left; the air is the assumed one +- 10 K
not stated                              measured                               converted from 20 +- 10 degrees C, the air
                                                                               for which most sensors are made; a sensor
                                                                               that measures the air itself would be
                                                                               made wrong by that: counted too
not stated                              not measured                           left; the air is off by +- 10 K
======================================  =====================================  ==========================================

Humidity is not in it: saturated air of 20 degrees C carries sound 0.4 % faster than dry air (Cramer 1993, from memory).
"""

from __future__ import annotations

import math

from flow.sections import Range

ZERO_CELSIUS_K = 273.15
LIKELY_AIR_C = 20.0
"""Air for which a sensor is made that does not say so: 343 m/s (common practice)."""

AIR_SIGMA_K = 10.0
"""One-sigma of an air temperature that nobody measured: 20 +- 10 degrees C out of doors and in greenhouses (common practice)."""


def speed_of_sound_ratio(air_temperature_c: float, assumed_air_temperature_c: float) -> float:
    """Give true over assumed speed of sound in dry air, from ``343.2 sqrt(T / 293.15 K)`` m/s at 101.325 kPa."""
    return math.sqrt((air_temperature_c + ZERO_CELSIUS_K) / (assumed_air_temperature_c + ZERO_CELSIUS_K))


def assumed_air_c(sensor: Range) -> float:
    """Temperature for which the sensor is taken to convert, degrees C: as the module file says, or the likely one."""
    stated = sensor.assumed_air_temperature_c
    return LIKELY_AIR_C if stated is None else stated


def reading_ratio(sensor: Range, air_temperature_c: float | None) -> float:
    """Factor that makes a reading one in the air of the flight; 1 where the air is not measured or does not matter."""
    if air_temperature_c is None or not sensor.is_air_dependent:
        return 1.0
    return speed_of_sound_ratio(air_temperature_c, assumed_air_c(sensor))


def air_scale_sigma(sensor: Range, air_temperature_c: float | None, air_sigma_k: float = AIR_SIGMA_K) -> float:
    """One-sigma that the air leaves on every distance of a flight, as a share of it.

    Parameters
    ----------
    sensor
        The range section of a module file.
    air_temperature_c
        As measured in flight, None where it is not.
    air_sigma_k
        How well a temperature is known that was not measured or not stated.
    """
    if not sensor.is_air_dependent:
        return 0.0
    stated = sensor.assumed_air_temperature_c is not None
    if stated and air_temperature_c is not None:
        return 0.0
    off_k = air_sigma_k
    if air_temperature_c is not None:  # a sensor that measures the air itself needed no conversion
        off_k = math.hypot(off_k, air_temperature_c - LIKELY_AIR_C)
    return 0.5 * off_k / (ZERO_CELSIUS_K + assumed_air_c(sensor))
