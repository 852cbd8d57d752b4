"""Range readings for the filter: what each means for the height, and which are no readings of the ground below."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.air import air_scale_sigma
from flow.fusion import layout as at
from flow.fusion.considered import ranging
from flow.fusion.inputs import ImageRow
from flow.height import LEAST_GATE_SHARE, LEAST_NOISE_M, origin_height
from flow.module import Module
from flow.series import RangeSamples
from flow.stated_sigmas import range_sigma_m

Array: TypeAlias = NDArray[np.float64]

_GATE_SIGMA = 5.0  # rate: 6e-7 two-sided, five sigmas
_ROWS_AGAINST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One range reading, gyro clock."""

    time_s: float
    range_m: float


class RangeReader:
    """Readings in time order; which of them count is settled here.

    A reading that does not fit is left out. Whether the floor has stepped is not decided again: the rows carry the
    height of :class:`flow.height.HeightFilter`, which tells a step from a stray echo; when that stays away, it is right.

    Parameters
    ----------
    module
        The calibrated module.
    """

    def __init__(self, module: Module) -> None:
        self._module = module
        self._waiting: deque[tuple[Reading, float | None]] = deque()
        self._air_c: float | None = None
        self._against = 0
        self.doubt_m = 0.0
        """By how much the newest reading missed, when it did not fit."""

    def add(self, samples: RangeSamples) -> None:
        """Add readings, range clock."""
        air = samples.air_temperature_c
        for k, (time_s, range_m) in enumerate(zip(samples.time_s, samples.range_m, strict=True)):
            celsius = None if air is None or not np.isfinite(air[k]) else float(air[k])
            reading = Reading(time_s=float(time_s) + self._module.range.time_offset_s, range_m=float(range_m))
            self._waiting.append((reading, celsius))

    def next(self, until_s: float) -> Reading | None:
        """Take the next reading up to a time."""
        if not self._waiting or self._waiting[0][0].time_s > until_s:
            return None
        reading, celsius = self._waiting.popleft()
        self._air_c = self._air_c if celsius is None else celsius
        return reading

    def forget(self, before_s: float) -> None:
        """Drop readings before a time."""
        while self.next(before_s) is not None:
            pass

    def against(self, reading: Reading, values: Array, covariance: Array) -> tuple[Array, Array, Array, Array] | None:
        """Compare with the height: row (1, 28) of the errors, what is missing (1,), its variance (1, 1), considered (1, C).

        None when the reading is none, or does not fit.
        """
        sensor = self._module.range
        if not sensor.min_m < reading.range_m < sensor.max_m:
            return None
        R = values[at.V_ROTATION].reshape(3, 3)
        height = origin_height(sensor, reading.range_m, self._air_c, R[2])
        arm = np.array(sensor.position_m)
        if sensor.beam == "narrow":
            arm = arm + np.array([0.0, 0.0, (height - arm @ R[2]) / max(R[2, 2], 0.1)])
        arm = R @ arm
        row = np.zeros(at.ERRORS)
        # A tilt that is wrong by (x, y) makes the height that the reading means wrong by (arm_y x - arm_x y).
        row[at.HEIGHT] = 1.0
        row[at.TILT] = -arm[1], arm[0]
        noise = max(sensor.noise_m, LEAST_NOISE_M) ** 2
        miss = height - float(values[at.V_HEIGHT])
        sigma = float(np.sqrt(row @ covariance @ row + noise))
        fits = abs(miss) <= max(_GATE_SIGMA * sigma, LEAST_GATE_SHARE * abs(height))
        self.doubt_m = 0.0 if fits else abs(miss)
        considered = self.considered(height)[None]
        return (row[None], np.array([miss]), np.array([[noise]]), considered) if fits else None

    def contradicted(self, row: ImageRow, values: Array, covariance: Array) -> bool:
        """Whether the rows' height has stayed away from the state's for some rows now."""
        if row.height_m is None or row.height_sigma_m is None:
            return False
        away = abs(row.height_m - values[at.V_HEIGHT])
        sigma = float(np.sqrt(covariance[at.HEIGHT, at.HEIGHT] + row.height_sigma_m**2))
        self._against = self._against + 1 if away > max(_GATE_SIGMA * sigma, LEAST_GATE_SHARE * row.height_m) else 0
        if self._against >= _ROWS_AGAINST:
            self._against, self.doubt_m = 0, 0.0
            return True
        return False

    def considered(self, height_m: float) -> Array:
        """Errors (C,) of a height that readings mean, by one sigma of each constant figure: they show in no reading."""
        sensor = self._module.range
        return ranging(range_sigma_m(sensor, height_m), air_scale_sigma(sensor, self._air_c), height_m)
