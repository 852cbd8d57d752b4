"""What a control loop needs to know of single pairs: noise density, delay, and how one pair's error goes with the next's."""

from __future__ import annotations

from collections import deque
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.fusion.inputs import ImageRow
from flow.fusion.smoother import Smoothed

Array: TypeAlias = NDArray[np.float64]

_LAGS = 3  # size: rows, neighbours share an image and others do not
_LEAST_ROWS = 30  # size: rows, that a variance takes
_KEPT = 2048  # size: intervals, for their median
_AXES = ("forward", "right", "down")

OF = "single pairs of frames, as fused.csv takes them; a row of speed.csv from a longer baseline has less noise than these"
"""Which rows the figures are of, for whoever reads them."""


class RawSpeed:
    """Compares rows, each by its own pair of frames, with the smoothed velocity over their interval, in constant memory.

    A row's miss against the smoother is not its error: the smoother follows the row. For a speed that wanders at random,
    seen in white noise, the spectrum of the misses is that of the noise less that of the smoother's own errors, a
    variance P with correlation exp(-t / T), T the noise density squared over 2 P (Wiener's smoother; van Trees 1968,
    section 6.2). That is put back. What lasts for seconds, a wrong height or focal length, is in both alike and does not
    show: the sigmas of the rows say that.

    Parameters
    ----------
    readout_s
        The camera's.
    """

    def __init__(self, readout_s: float) -> None:
        self._readout_s = readout_s
        self._rows: deque[ImageRow] = deque()
        self._before: deque[tuple[float, Array]] = deque(maxlen=_LAGS)
        self._products = np.zeros((_LAGS + 1, 3))
        self._counts = np.zeros(_LAGS + 1)
        self._sum = np.zeros(3)
        self._smoothed = np.zeros(3)
        self._intervals: deque[float] = deque(maxlen=_KEPT)
        self._tail: tuple[Array, Array] = np.empty(0), np.empty((0, 3))

    def add(self, row: ImageRow) -> None:
        """Take a row."""
        if row.velocity_m_s is not None:
            self._rows.append(row)

    def compare(self, smoothed: Smoothed) -> None:
        """Take the next stretch of smoothed states, and compare the rows that it covers."""
        states = smoothed.states
        time_s = np.concatenate([self._tail[0], states.time_s])
        velocity = np.concatenate([self._tail[1], states.velocity_m_s])
        self._tail = time_s[-512:], velocity[-512:]
        way = np.zeros((len(time_s), 3))
        way[1:] = np.cumsum(0.5 * np.diff(time_s)[:, None] * (velocity[1:] + velocity[:-1]), axis=0)
        own = np.median(np.square(states.velocity_sigma_m_s) - smoothed.constant_m2_s2, axis=0)
        while self._rows and self._rows[0].end_s <= time_s[-1]:
            row = self._rows.popleft()
            if row.start_s >= time_s[0] and row.velocity_m_s is not None:
                ends = np.array([row.start_s, row.end_s])
                moved = [np.diff(np.interp(ends, time_s, way[:, axis]))[0] for axis in range(3)]
                self._note(row, row.velocity_m_s - np.array(moved) / row.interval_s, own)

    def pass_over(self, until_s: float) -> None:
        """Let rows go that end where there are no smoothed states."""
        while self._rows and self._rows[0].end_s <= until_s:
            self._rows.popleft()

    def as_dict(self) -> dict[str, Any]:
        """Give the figures as plain values; None where there are too few rows. ``of`` says in words of which rows they are.

        ``noise_density_m_s_rthz``: averaged over a time t, the noise has a sigma of density / sqrt(t).
        ``correlation_of_rows``: with the next row, the one after, and so on. ``delay_s``: from the middle of a row's
        interval to the moment at which its second picture is read out; computing comes on top.
        """
        if self._counts[-1] < _LEAST_ROWS:
            return {
                "of": OF,
                **dict.fromkeys(("noise_density_m_s_rthz", "sigma_m_s", "correlation_of_rows", "delay_s")),
            }
        interval = float(np.median(self._intervals))
        density, covariance = self._noise(interval)
        correlation = covariance[1:] / covariance[0]
        return {
            "of": OF,
            "noise_density_m_s_rthz": _by_axis(density),
            "sigma_m_s": _by_axis(np.sqrt(covariance[0])),
            "correlation_of_rows": {axis: np.round(correlation[:, k], 2).tolist() for k, axis in enumerate(_AXES)},
            "delay_s": round(0.5 * interval + 0.5 * self._readout_s, 6),
        }

    def _noise(self, interval_s: float) -> tuple[Array, Array]:
        """Noise density (3,), and the covariance of a row with itself and those after it, (1 + 3, 3)."""
        missed = self._products / self._counts[:, None] - np.square(self._sum / self._counts[0])
        own = self._smoothed / self._counts[0]
        lag_s = interval_s * np.arange(_LAGS + 1)[:, None]
        covariance, density2 = missed, np.full(3, np.inf)
        for _ in range(20):  # the smoother's memory follows from the density, and the density from what it left
            covariance = missed + own * np.exp(-2 * own * lag_s / density2)
            # Rows share a picture with their neighbours and with no others.
            density2 = interval_s * np.maximum(covariance[0] + 2 * covariance[1], 1e-3 * covariance[0])
        return np.sqrt(density2), covariance

    def _note(self, row: ImageRow, miss: Array, variance: Array) -> None:
        if self._before and abs(self._before[-1][0] - row.start_s) > 1e-5:
            self._before.clear()
        self._products[0] += miss**2
        self._counts[0] += 1
        self._sum += miss
        self._smoothed += variance
        self._intervals.append(row.interval_s)
        for lag, (_, earlier) in enumerate(reversed(self._before), start=1):
            self._products[lag] += miss * earlier
            self._counts[lag] += 1
        self._before.append((row.end_s, miss))


def _by_axis(values: Array) -> dict[str, float]:
    return {axis: float(f"{value:.3g}") for axis, value in zip(_AXES, values, strict=True)}
