"""Range readings to the height of the body origin above the ground."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.air import air_scale_sigma, reading_ratio
from flow.faults.stuck import NeverMoved
from flow.module import Range
from flow.stated_sigmas import range_sigma_m
from flow.tilt import TILT_LASTS_S

Array: TypeAlias = NDArray[np.float64]

TERRAIN_M_RTS = 0.001  # density: m/rts, the ground under a level flight wanders by a centimetre in 100 s
_GUST_M_S2_RTHZ = 1.0  # vertical acceleration density when nothing measures the climb ...
_GUST_SEEN_M_S2_RTHZ = 0.15  # ... and when the image gives its mean over every interval
_SEEN_S = 0.1
# rate: 6e-7 and 3e-3 two-sided, five and three sigmas; the second, once a reading did not fit: the next may belong to it
_GATE_SIGMA, _GATE_SIGMA_DOUBTED = 5.0, 3.0
LEAST_GATE_SHARE = 0.01  # of the height: a gate is no narrower
LEAST_NOISE_M = 1e-4  # prior: m one-sigma, next to none: a file that says 0 means "not known"
_LEAST_HEIGHT_M = 0.01  # size: m, on the ground
_LONGEST_BRIDGE_S = 2.5
_STEP_READINGS = 4  # so many readings that agree with each other and not with us are a new floor
_STEP_READINGS_SEEN, _STEP_SEEN_S = 2, 1.0  # fewer, where the image has just shown ground of two heights
_STEP_LEAST_S = 0.1
_AGREE_SIGMAS = 6  # rate: 1e-4, the range of four readings that agree
_AGREE_SHARE, _DOUBLE_SHARE = 0.03, 0.1  # of the height, that they may differ by, and that twice the height may be off
_ECHO_LEAST_S = 0.45  # the same for twice the height, as an echo shows it that went to and fro twice
_RELIEF_S = 0.5  # how long a step that was seen may take to come under the sensor
_EDGE_CLIMB_M_S = 0.1
# size: readings, the first two that agree are a height within what they may differ by, three confirm it
_START_READINGS = 3
_START_SIGMA = 3.0  # rate: 3e-3 two-sided, three sigmas
_START_CLIMB_M_S = 1.0  # one-sigma of the climb before anything is known
_WIDE_SHARE, _WIDE_M = 0.5, 0.3  # a gate wider than this lets stray echoes in: begin anew


@dataclass(frozen=True, slots=True, kw_only=True)
class Height:
    """Height of the body origin above the ground under it, m; ``down_m_s`` is the speed toward the ground.

    Parts of ``sigma_m`` last as long as the flight: ``range_sigma_m`` by the range sensor's scale and offset, and
    ``air_scale_sigma`` by the air's temperature, as a share of the height.
    """

    height_m: float
    sigma_m: float
    down_m_s: float
    air_scale_sigma: float = 0.0
    range_sigma_m: float = 0.0


def origin_height(sensor: Range, range_m: float, air_temperature_c: float | None, down_body: Array) -> float:
    """Height of the body origin that one reading means.

    A wide beam (an ultrasonic cone) returns from the nearest ground, the perpendicular; a narrow one (a laser)
    from where body z meets the ground. Raises nothing: a beam along the ground gives a tiny height, which the
    filter refuses.
    """
    distance = sensor.scale * range_m * reading_ratio(sensor, air_temperature_c) + sensor.offset_m
    if sensor.beam == "narrow":
        distance *= max(float(down_body[2]), 0.0)
    return distance + float(np.dot(sensor.position_m, down_body))


class HeightFilter:
    """Kalman filter of height and climb over range readings and the image's own vertical speed.

    A reading that does not fit is held back as a stray echo. When several in a row agree with each other instead,
    the floor has stepped and the filter starts again there; until that is settled the sigma covers both.
    Without readings the height is carried on by the image's vertical speed, its sigma growing, for 2.5 s at most.
    The image's vertical speed leans on the tilt (a level flight at 3 m/s seen 0.5 degrees askew seems to climb at
    26 mm/s); that lean is a third state, a first-order Gauss-Markov process.

    Parameters
    ----------
    sensor
        The range section of a module file.
    """

    def __init__(self, sensor: Range) -> None:
        self._sensor = sensor
        self._state = np.zeros(3)  # height, m; its rate, m/s; lean of the image's climb, m/s
        self._covariance = np.zeros((3, 3))
        self._lean_sigma = 0.0
        self._time_s = -np.inf
        self._heard_s = self._climb_s = self._relief_s = self._level_s = -np.inf
        self._relief_share = 0.0
        self._agreed = 0
        self._air_c: float | None = None
        self._needed = 2
        self._unconfirmed_m = 0.0
        self._held_back: deque[tuple[float, float]] = deque(maxlen=12)
        self._beyond = False
        self._never_moved = NeverMoved(sensor.scale * sensor.noise_m)

    @property
    def beyond_limits(self) -> bool:
        """Whether the newest reading was outside what the sensor can measure."""
        return self._beyond

    def add_range(self, time_s: float, range_m: float, air_temperature_c: float | None, down_body: Array) -> None:
        """Add one reading, times in order."""
        # A sensor that hears nothing often shows its own limit: that is no reading either.
        self._beyond = not self._sensor.min_m < range_m < self._sensor.max_m
        if self._beyond:
            return
        self._never_moved.hear(range_m)
        if self._never_moved.stuck:
            return
        if air_temperature_c is not None:
            self._air_c = air_temperature_c
        height = origin_height(self._sensor, range_m, self._air_c, down_body)
        noise = max(self._sensor.noise_m, LEAST_NOISE_M)
        if self._agreed == 0:
            self._begin(time_s, height, noise)
            return
        self._predict(time_s)
        miss = height - self._state[0]
        sigma = float(np.sqrt(self._covariance[0, 0] + noise**2))
        if self._agreed < _START_READINGS:
            fits = abs(miss) <= _START_SIGMA * sigma
        else:
            gate = _GATE_SIGMA if not self._held_back else _GATE_SIGMA_DOUBTED
            fits = abs(miss) <= max(gate * sigma, LEAST_GATE_SHARE * height)
            if _GATE_SIGMA * sigma > max(_WIDE_SHARE * height, _WIDE_M):
                self._begin(time_s, height, noise)
                return
        if not fits:
            self._hold_back(time_s, miss, height, noise)
            return
        self._held_back.clear()
        self._correct(np.array([1.0, 0.0, 0.0]), miss, noise**2)
        self._unconfirmed_m = _START_CLIMB_M_S * (time_s - self._heard_s)
        self._heard_s = time_s
        self._agreed += 1

    def add_climb(self, time_s: float, down_m_s: float, sigma_m_s: float, lean_sigma_m_s: float) -> None:
        """Add the vertical speed that the image showed around ``time_s``.

        ``sigma_m_s`` is what changes from row to row, ``lean_sigma_m_s`` what stays for seconds.
        """
        self._never_moved.climb(time_s, down_m_s, sigma_m_s, lean_sigma_m_s)
        if self._agreed:
            if self._lean_sigma == 0.0:
                self._covariance[2, 2] = lean_sigma_m_s**2
            self._lean_sigma = lean_sigma_m_s
            self._predict(time_s)
            miss = -down_m_s - self._state[1] - self._state[2]
            self._correct(np.array([0.0, 1.0, 1.0]), miss, sigma_m_s**2)
            self._climb_s = time_s

    def see_relief(self, time_s: float, share: float) -> None:
        """Hear that the image showed ground of two heights: the next reading that does not fit is no stray echo.

        ``share`` is how uncertain that leaves the height, of itself. Once the image shows one height again (:meth:`see_level`),
        nobody knows which, until a reading tells.
        """
        seen_just_now = time_s - self._relief_s < _RELIEF_S
        self._relief_share = max(self._relief_share, share) if seen_just_now else share
        self._relief_s = time_s

    def see_level(self, time_s: float) -> None:
        """Hear that the image showed ground of one height."""
        self._level_s = time_s

    def at(self, time_s: float) -> Height | None:
        """Height at ``time_s``; None before two agree (three after a contradiction) and 2.5 s after the last."""
        if self._never_moved.stuck or self._agreed < self._needed or time_s - self._heard_s > _LONGEST_BRIDGE_S:
            return None
        ahead = min(time_s - self._time_s, 0.0)
        self._predict(time_s)
        height = float(self._state[0] + ahead * self._state[1])
        variance = float(self._covariance[0, 0])
        # A stray echo, or a new floor? Until that is known, cover both.
        if len(self._held_back) >= (1 if time_s - self._relief_s < _RELIEF_S else 2):
            variance += float(np.median([miss for _, miss in self._held_back])) ** 2
        if self._heard_s < self._relief_s < self._level_s:
            variance += (self._relief_share * height) ** 2
        if self._agreed < _START_READINGS:  # either of the two may be a stray echo
            variance += self._unconfirmed_m**2
        lasting = range_sigma_m(self._sensor, height)
        variance += lasting**2
        air = air_scale_sigma(self._sensor, self._air_c)
        variance += (air * height) ** 2
        if height <= _LEAST_HEIGHT_M:
            return None
        down_m_s = -float(self._state[1])
        return Height(
            height_m=height,
            sigma_m=float(np.sqrt(variance)),
            down_m_s=down_m_s,
            air_scale_sigma=air,
            range_sigma_m=lasting,
        )

    def _begin(self, time_s: float, height: float, noise: float) -> None:
        self._state = np.array([height, 0.0, 0.0])
        self._covariance = np.diag([noise**2, _START_CLIMB_M_S**2, self._lean_sigma**2])
        self._time_s = self._heard_s = time_s
        self._agreed = 1
        self._held_back.clear()

    def _hold_back(self, time_s: float, miss: float, height: float, noise: float) -> None:
        if self._agreed < _START_READINGS:  # first readings that contradict: trust none, start from the newest
            self._begin(time_s, height, noise)
            self._needed = _START_READINGS
            return
        self._held_back.append((time_s, miss))
        needed = _STEP_READINGS_SEEN if time_s - self._relief_s < _STEP_SEEN_S else _STEP_READINGS
        recent = [m for _, m in self._held_back][-needed:]
        doubled = abs(height - 2 * self._state[0]) < _DOUBLE_SHARE * self._state[0]
        long_enough = time_s - self._heard_s >= (_ECHO_LEAST_S if doubled else _STEP_LEAST_S)
        if len(recent) == needed and long_enough and np.ptp(recent) < max(_AGREE_SIGMAS * noise, _AGREE_SHARE * height):
            climb, variance = self._state[1:], self._covariance[1:, 1:]
            self._begin(time_s, height, noise)
            # What the edge did to the picture may have looked like a climb.
            self._state[1:], self._covariance[1:, 1:] = climb, variance + _EDGE_CLIMB_M_S**2 * np.eye(2)
            self._agreed = _START_READINGS

    def _predict(self, time_s: float) -> None:
        span = time_s - self._time_s
        if span <= 0:
            return
        kept = np.exp(-span / TILT_LASTS_S)  # a wrong tilt keeps leaning the climb the same way
        step = np.array([[1.0, span, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, kept]])
        seen = time_s - self._climb_s < _SEEN_S
        gust = (_GUST_SEEN_M_S2_RTHZ if seen else _GUST_M_S2_RTHZ) ** 2
        grown = np.zeros((3, 3))
        grown[:2, :2] = gust * np.array([[span**3 / 3, span**2 / 2], [span**2 / 2, span]])
        grown[0, 0] += TERRAIN_M_RTS**2 * span
        grown[2, 2] = (1 - kept**2) * self._lean_sigma**2
        self._state = step @ self._state
        self._covariance = step @ self._covariance @ step.T + grown
        self._time_s = time_s

    def _correct(self, row: Array, miss: float, variance: float) -> None:
        gain = self._covariance @ row / (row @ self._covariance @ row + variance)
        self._state = self._state + gain * miss
        keep = np.eye(3) - np.outer(gain, row)
        self._covariance = keep @ self._covariance @ keep.T + np.outer(gain, gain) * variance
