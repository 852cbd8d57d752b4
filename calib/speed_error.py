"""What the leftover uncertainties of a module do to speed, in closed form."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.allan import FLICKER_FLOOR
from flow.error_sources import ErrorSource
from flow.module import Module
from flow.per_source import PerSource
from flow.stated_sigmas import stated_sigma

Array = NDArray[np.float64]

HEIGHTS_M = (0.5, 1.0, 2.0, 4.0)
FRAME_RATE_HZ = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Flight:
    """A way of flying: steady forward speed, and rocking in roll and in pitch (amplitude and frequency)."""

    name: str
    speed_m_s: float
    rocking_rad: float
    rocking_hz: float

    @property
    def rate_rad_s(self) -> float:
        """RMS turning rate in roll, and in pitch."""
        return self.rocking_rad * 2 * math.pi * self.rocking_hz / math.sqrt(2)

    @property
    def acceleration_rad_s2(self) -> float:
        """RMS angular acceleration in roll, and in pitch."""
        return self.rate_rad_s * 2 * math.pi * self.rocking_hz


HOVER = Flight(name="hover, rocking 3° at 1 Hz", speed_m_s=0.0, rocking_rad=math.radians(3), rocking_hz=1.0)
CRUISE = Flight(name="cruise at 2 m/s", speed_m_s=2.0, rocking_rad=0.0, rocking_hz=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedError:
    """One-sigma error of one row's speed at one height, m/s, of the worse horizontal axis.

    ``by_source`` holds (forward, right) of every source, None where calibration has no say in it; the sources are
    independent.
    """

    flight: Flight
    height_m: float
    by_source: PerSource[tuple[float, float] | None]

    @property
    def parts_m_s(self) -> dict[ErrorSource, tuple[float, float]]:
        """Those that calibration leaves."""
        return {source: part for source, part in self.by_source.items() if part is not None}

    @property
    def total_m_s(self) -> float:
        """All causes together, of the worse axis."""
        return max(math.hypot(*(part[axis] for part in self.parts_m_s.values())) for axis in (0, 1))

    @property
    def largest(self) -> ErrorSource:
        """The source that adds most."""
        return max(self.parts_m_s, key=lambda cause: max(self.parts_m_s[cause]))


def speed_error(module: Module, flight: Flight, height_m: float, frame_rate_hz: float = FRAME_RATE_HZ) -> SpeedError:
    """Speed error that a module's sigmas leave, RMS over the rocking.

    Parameters
    ----------
    module
        Its sigmas; a sigma that the file leaves out counts with its documented default.
    flight, height_m
        How it flies, and how high the camera is above the ground, m.
    frame_rate_hz
        Rows a second: a row's gyro noise is averaged over one frame interval.

    Notes
    -----
    For a camera that looks straight down, with v the speed, h the height, w and a the rate and acceleration
    of the rocking, t the frame interval (first order, from the motion field of Longuet-Higgins and Prazdny
    1980):

    - focal length: the image motion v + w h is read too large by the relative error,
    - range: the height, and with it v, by the relative error of scale and offset,
    - height: the same by one reading's noise,
    - air temperature: the same, where the range depends on an air that the module file does not state; where it does,
      the flight is assumed to log ``air_temperature_c``,
    - mounting: a turn s about the optical axis leaks w s h and v s from one axis into the other;
      turns about the other two axes move level speed in second order only,
    - clock: the wrong moment's rate is taken out, a s h,
    - gyro noise N h / sqrt(t); gyro bias times h, or the bias instability's floor where that is larger,
    - camera position: w times the error of its depth below the body origin.

    The picture's own noise is not in here: it depends on floor and light, not on calibration.
    """
    v, h, w = flight.speed_m_s, height_m, flight.rate_rad_s

    def stated(source: ErrorSource) -> Array:
        return stated_sigma(source, module, h)

    focal, turn = float(stated(ErrorSource.FOCAL_LENGTH).max()), float(stated(ErrorSource.MOUNTING)[2])
    reading, share = float(stated(ErrorSource.HEIGHT)[0]) / h, float(stated(ErrorSource.RANGE)[0])
    clock = flight.acceleration_rad_s2 * float(stated(ErrorSource.CLOCK)[0]) * h
    # Pitch rate (body y) moves the picture forward, roll rate (body x) sideways.
    noise = stated(ErrorSource.GYRO_NOISE)[[1, 0]] * math.sqrt(frame_rate_hz) * h
    bias = _bias(module)[[1, 0]] * h
    arm = w * float(stated(ErrorSource.LEVER_ARM)[2])
    return SpeedError(
        flight=flight,
        height_m=height_m,
        by_source=PerSource(
            image=None,
            image_drift=None,
            height=(v * reading, 0.0),
            range=(v * share, 0.0),
            air=(v * float(stated(ErrorSource.AIR)[0]), 0.0),
            focal_length=(focal * math.hypot(v, w * h), focal * w * h),
            gyro_noise=(float(noise[0]), float(noise[1])),
            gyro_bias=(float(bias[0]), float(bias[1])),
            gyro_scale=None,
            clock=(clock, clock),
            mounting=(turn * w * h, turn * math.hypot(v, w * h)),
            tilt=None,
            lever_arm=(arm, arm),
            acceleration=None,
            frame_times=None,
            relief=None,
            light=None,
            accelerometer=None,
        ),
    )


def speed_errors(
    module: Module, heights_m: Sequence[float] = HEIGHTS_M, frame_rate_hz: float = FRAME_RATE_HZ
) -> tuple[SpeedError, ...]:
    """:func:`speed_error` in hover and in cruise at each height."""
    return tuple(speed_error(module, f, h, frame_rate_hz) for f in (HOVER, CRUISE) for h in heights_m)


def _bias(module: Module) -> Array:
    """One-sigma of the bias in flight, body axes; a sigma from another source may lack the instability."""
    sigma = stated_sigma(ErrorSource.GYRO_BIAS, module)
    instability = module.gyro.bias_instability_rad_s
    return sigma if instability is None else np.maximum(sigma, math.sqrt(FLICKER_FLOOR) * np.array(instability))
