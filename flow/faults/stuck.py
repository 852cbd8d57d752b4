"""Sensors that stand at one number to the last digit: a bus or a driver that hangs, and repeats what it read last.

A craft in the air never leaves a gyro or an accelerometer at one reading on all three axes, nor a range sensor whose
digits are finer than its noise. A log that is filled up from
a slower sensor repeats each reading as often as ever, and a coarse one at rest stands at what it shows at rest: neither is
stuck.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.module import Range
from flow.pair.geometry import LONGEST_INTERVAL_S
from flow.series import GyroSamples, RangeSamples

Array: TypeAlias = NDArray[np.float64]
Marks: TypeAlias = NDArray[np.bool_]

_FEWEST, _LEAST_S, _FORCE_LEAST_S = 4, 0.012, 0.05
_TIMES_USUAL = 3  # as long as any run before, beyond which it is stuck
_RANGE_LEAST_S, _COARSE = 0.2, 0.3  # digits coarser than so many sigmas of a reading leave it where it is by themselves
_SAME_M = 1e-9  # size: m, equal but for rounding
_SURE = 5.0  # rate: 6e-7 two-sided, five sigmas
_REMEMBERED_S = (
    5.0  # prior: s, a craft changes its height within seconds; a millimetre a second, for a minute, is no climb
)
_TURNS_RAD_S = 0.02  # prior: rad/s, on some axis beyond the bias; a degree a second, less is rest


class Stuck:
    """Finds samples that only repeat the one before.

    Parameters
    ----------
    bias_rad_s
        What the gyro shows at rest, (3,).
    """

    def __init__(self, bias_rad_s: Array) -> None:
        self._bias = bias_rad_s
        self._rate, self._force = _Runs(_LEAST_S), _Runs(_FORCE_LEAST_S)

    def without_stuck(self, samples: GyroSamples) -> GyroSamples:
        """Leave out the samples of a gyro that is stuck, and the forces (NaN) of an accelerometer that is.

        Both from the moment on at which that is plain. An accelerometer counts as stuck only while the gyro is not.
        """
        if not len(samples.time_s):
            return samples
        stuck, runs = self._rate.long(samples.time_s, samples.rate_rad_s)
        stuck &= self._rate.varied & (np.abs(samples.rate_rad_s - self._bias) > _TURNS_RAD_S).any(axis=1)
        force = samples.accel_m_s2
        if force is not None:
            still, _ = self._force.long(samples.time_s, np.nan_to_num(force))
            force = np.where((still & ~runs)[:, None], np.nan, force)
        samples = replace(samples, accel_m_s2=force)
        return samples.part(~stuck) if stuck.any() else samples


class StuckRange:
    """Finds range readings that only repeat the one before, of a sensor that has shown fine digits.

    One that hears nothing may repeat its own limit: that is not for here.

    Parameters
    ----------
    sensor
        Its noise and limits.
    """

    def __init__(self, sensor: Range) -> None:
        self._coarse, self._limits_m = _COARSE * sensor.noise_m / sensor.scale, (sensor.min_m, sensor.max_m)
        self._finest, self._last = np.inf, np.nan
        self._runs = _Runs(_RANGE_LEAST_S, columns=1)

    def without_stuck(self, samples: RangeSamples) -> RangeSamples:
        """Leave out what repeats for longer than any reading before, from the moment on at which that is plain."""
        if not len(samples.time_s):
            return samples
        stuck, _ = self._runs.long(samples.time_s, samples.range_m[:, None])
        steps = np.abs(np.diff(samples.range_m, prepend=self._last))
        steps = np.where(steps > _SAME_M, steps, np.inf)  # nor NaN
        finest = np.minimum(np.minimum.accumulate(steps), self._finest)
        self._finest, self._last = float(finest[-1]), float(samples.range_m[-1])
        least_m, most_m = self._limits_m
        heard = (samples.range_m > least_m) & (samples.range_m < most_m)
        return samples.part(~(stuck & heard & (finest < self._coarse)))


class NeverMoved:
    """Holds a range that has shown one reading from the first on against the climb that the picture shows.

    Nothing tells the digits of such a sensor, and at rest it may well stand: it is stuck once the height has changed by more
    than the digits can hide that its stated noise leaves room for.

    Parameters
    ----------
    noise_m
        One-sigma of a reading. Digits of ``d`` alone make one of ``d / sqrt(12)``.
    """

    def __init__(self, noise_m: float) -> None:
        self._digit_m = np.sqrt(12) * noise_m
        self._reading_m: float | None = None
        self._moved = False
        self.stuck = False
        """Whether the readings cannot be the height's."""
        self._climbed_m = self._variance_m2 = self._lean_m = 0.0
        self._climb_s = -np.inf

    def hear(self, range_m: float) -> None:
        """Take the next reading; a silence contradicts nothing."""
        self._moved |= self._reading_m is not None and range_m != self._reading_m
        self._reading_m = range_m
        open_m = _SURE * float(np.hypot(np.sqrt(self._variance_m2), self._lean_m))
        self.stuck = not self._moved and (self.stuck or abs(self._climbed_m) > self._digit_m + open_m)

    def climb(self, time_s: float, down_m_s: float, sigma_m_s: float, lean_sigma_m_s: float) -> None:
        """Take the vertical speed by the picture, as :meth:`flow.height.HeightFilter.add_climb` does."""
        span_s, self._climb_s = time_s - self._climb_s, time_s
        if self._moved or self._reading_m is None or span_s > LONGEST_INTERVAL_S:
            return
        kept = np.exp(-span_s / _REMEMBERED_S)
        self._climbed_m = kept * self._climbed_m - down_m_s * span_s
        self._variance_m2 = kept**2 * self._variance_m2 + (sigma_m_s * span_s) ** 2
        self._lean_m = kept * self._lean_m + lean_sigma_m_s * span_s  # a wrong tilt lasts


class _Runs:
    """Follows runs of equal readings through a log."""

    def __init__(
        self,
        least_s: float,
        columns: int = 3,  # size: axes, of a sensor
    ) -> None:
        self._least_s = least_s
        self._last = np.full(columns, np.nan)
        self._began_s, self._count, self._usual = -np.inf, 0, 1
        self.varied = False
        """Whether there was more than one reading: a log that stands at one number from its beginning is a simulation."""

    def long(self, time_s: Array, readings: Array) -> tuple[Marks, Marks]:
        """Mark (N,) readings (N, columns) that stand longer than any stood before, and those that repeat the last one at all."""
        same = (readings == np.vstack([self._last, readings[:-1]])).all(axis=1)
        long = np.zeros(len(readings), bool)
        for k in range(len(readings)):
            if same[k]:
                self._count += 1
            else:
                if not self._long(time_s[k - 1] if k else self._began_s):
                    self._usual = max(self._usual, self._count)
                self.varied |= np.isfinite(self._began_s)
                self._began_s, self._count = float(time_s[k]), 1
            long[k] = self._long(time_s[k])
        self._last = readings[-1]
        return long, same

    def _long(self, time_s: float) -> bool:
        most = max(_FEWEST, _TIMES_USUAL * self._usual)
        return self._count > most and time_s - self._began_s >= self._least_s
