"""A simulated gyro at rest with known N, B and K, made without the code under test."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def simulate(
    rng: np.random.Generator, samples: int, interval_s: float, *, n: float, b: float = 0.0, k: float = 0.0
) -> tuple[Array, Array]:
    """Rates of one axis, and the bias that moves under them, rad/s.

    White noise: N / sqrt(interval) a sample. Bias instability: two-sided spectrum B^2 / (2 pi f), shaped in
    the frequency domain on four times the length. Rate random walk: steps of K sqrt(interval). IEEE Std 952.
    """
    longer = 1 << int(np.ceil(np.log2(4 * samples)))
    frequency = np.fft.rfftfreq(longer, interval_s)
    frequency[0] = np.inf
    shaped = np.fft.rfft(rng.standard_normal(longer)) * np.sqrt(b**2 / (2 * np.pi * frequency) / interval_s)
    bias = np.fft.irfft(shaped, longer)[:samples]
    bias += np.cumsum(rng.standard_normal(samples)) * k * np.sqrt(interval_s)
    return bias + rng.standard_normal(samples) * n / np.sqrt(interval_s), bias


def write_gyro(
    path: Path, rate: Array, interval_s: float, *, time_s: Array | None = None, accel: Array | None = None
) -> Path:
    """Write a ``gyro.csv``."""
    time_s = 1000.0 + np.arange(len(rate)) * interval_s if time_s is None else time_s
    names = ["time_s", *(f"gyro_{a}_rad_s" for a in "xyz")]
    table = [time_s, *rate.T]
    if accel is not None:
        names += [f"accel_{a}_m_s2" for a in "xyz"]
        table += [*accel.T]
    np.savetxt(path, np.column_stack(table), fmt="%.9g", delimiter=",", header=",".join(names), comments="")
    return path
