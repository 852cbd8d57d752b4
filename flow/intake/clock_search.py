"""The offset between two clocks that were started by hand, from how picture and gyro turned: the whole log is searched.

Both rates are freed of what changes slowly: a craft's speed over ground shows as a turn in the picture too, but it changes
more slowly than the craft rocks. At each offset the picture's rates are then fitted by the gyro's times a free matrix
(3, 3), which takes up any mounting and the stretch that translation makes; the share that no matrix explains is the misfit.
All offsets are tried at once by cross-correlation (fast Fourier transform).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.signal import fftconvolve

from flow.intake.picture_rates import PictureRates
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

SHORTEST_S = 6.0
"""Least time that video and gyro must share."""

SLOW_S = 1.0
"""Changes over longer times than this are taken out of both rates."""

_GRID_S = 0.02
_APART_S = 0.3
_PER_S = 6.0  # independent values a second of rates between 1 and 4 Hz, an axis
_FREE = 9  # numbers of the matrix
_OTHER_AXIS = 0.05  # of the strongest axis, squared: less motion about another tells nothing about it


@dataclass(frozen=True, slots=True, kw_only=True)
class CoarseOffset:
    """Best offset (camera time + offset = gyro time), and the best one elsewhere.

    ``explained`` is the share of the picture's turning (squared, slow changes taken out) that the gyro explains;
    ``lead`` how much likelier the best offset is than the rival, natural logarithm. ``R_camera_gyro`` (3, 3) is the
    rotation from the gyro's to the camera's axes that fits best, ``mirrored`` whether a mirror image fits better, and
    ``scale`` the picture's turning over the gyro's; ``second_axis`` whether they turn about more than one axis, without
    which no rotation is determined. ``overlap_s`` is how long both speak at the best offset;
    ``picture_rad_s`` and ``gyro_rad_s`` are how fast (RMS, slow changes taken out) by either.
    """

    offset_s: float
    explained: float
    rival_s: float
    rival_explained: float
    lead: float
    R_camera_gyro: Array
    mirrored: bool
    scale: float
    second_axis: bool
    overlap_s: float
    picture_rad_s: float
    gyro_rad_s: float


def find_offset(picture: PictureRates, gyro: GyroSamples) -> CoarseOffset | None:
    """Search all offsets at which video and gyro share at least ``SHORTEST_S``; None where there is no such."""
    seen, seen_known, seen_start = _picture_grid(picture)
    turned, turned_start = _gyro_grid(gyro, float(np.median(picture.second_s - picture.first_s)))
    n, misfit = _misfits(seen, seen_known, turned)
    offsets = turned_start - seen_start + (np.arange(len(n)) - (len(seen) - 1)) * _GRID_S
    usable = (n * _GRID_S >= SHORTEST_S - 0.5) & np.isfinite(misfit)
    if not usable.any():
        return None
    # Twice the logarithm of the likelihood ratio against "unrelated", for 3 axes.
    likelihood = np.where(usable, 1.5 * _PER_S * _GRID_S * n * -np.log(np.maximum(misfit, 1e-6)) - _FREE, -np.inf)
    best = int(likelihood.argmax())
    elsewhere = np.where(np.abs(offsets - offsets[best]) > _APART_S, likelihood, -np.inf)
    rival = int(elsewhere.argmax())
    some = bool(np.isfinite(elsewhere[rival]))
    lag = best - (len(seen) - 1)
    rows = np.arange(max(0, -lag), min(len(seen), len(turned) - lag))
    rows = rows[seen_known[rows]]
    ours, theirs = seen[rows], turned[rows + lag]
    rotation, mirrored, scale, second = _rotation(ours, theirs)
    return CoarseOffset(
        offset_s=float(offsets[best]),
        explained=1 - float(misfit[best]),
        rival_s=float(offsets[rival]) if some else np.nan,
        rival_explained=1 - float(misfit[rival]) if some else 0.0,
        lead=float(likelihood[best] - elsewhere[rival]) if some else np.inf,
        R_camera_gyro=rotation,
        mirrored=mirrored,
        scale=scale,
        second_axis=second,
        overlap_s=float(n[best]) * _GRID_S,
        picture_rad_s=float(np.sqrt(np.mean(np.sum(ours**2, axis=1)))),
        gyro_rad_s=float(np.sqrt(np.mean(np.sum(theirs**2, axis=1)))),
    )


def _rotation(seen: Array, turned: Array) -> tuple[Array, bool, float, bool]:
    """Find the rotation and the scale that take the gyro's rates to the picture's (Kabsch 1976)."""
    u, s, vt = np.linalg.svd(seen.T @ turned)
    hand = float(np.sign(np.linalg.det(u @ vt)))
    mirrored = bool(hand < 0 and s[2] > _OTHER_AXIS * s[0])
    scale = float(s.sum() / max(float(np.sum(turned**2)), 1e-12))
    return u @ np.diag([1, 1, hand]) @ vt, mirrored, scale, bool(s[1] > _OTHER_AXIS * s[0])


def _without_slow(rates: Array, known: NDArray[np.bool_], span: int) -> Array:
    """Take the mean over ``span`` rows (those that are known) out of rates (N, 3); 0 where not known."""
    kept = np.where(known[:, None], rates, 0.0)
    count = uniform_filter1d(known.astype(float), span, mode="constant")
    mean = uniform_filter1d(kept, span, axis=0, mode="constant") / np.maximum(count, 0.5 / span)[:, None]
    return np.where(known[:, None], kept - mean, 0.0)


def _picture_grid(picture: PictureRates) -> tuple[Array, NDArray[np.bool_], float]:
    """Rates on even times, which of them are known, and the first time."""
    middle, rate_rad_s = picture.middle_s[picture.known], picture.rate_rad_s[picture.known]
    start = float(middle[0])
    at = start + np.arange(int((middle[-1] - start) / _GRID_S) + 1) * _GRID_S
    rates = np.stack([np.interp(at, middle, axis) for axis in rate_rad_s.T], axis=1)
    after = np.clip(np.searchsorted(middle, at), 1, len(middle) - 1)
    known = np.asarray(middle[after] - middle[after - 1] < 4 * np.median(np.diff(middle)))
    return _without_slow(rates, known, round(SLOW_S / _GRID_S)), known, start


def _gyro_grid(gyro: GyroSamples, span_s: float) -> tuple[Array, float]:
    """Mean rates over a pair's length on even times, and the first time."""
    steps = np.diff(gyro.time_s)[:, None] * 0.5 * (gyro.rate_rad_s[1:] + gyro.rate_rad_s[:-1])
    angle = np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])  # of no use as an orientation
    start = float(gyro.time_s[0]) + 0.5 * span_s
    at = start + np.arange(max(int((gyro.time_s[-1] - 0.5 * span_s - start) / _GRID_S), 0) + 1) * _GRID_S
    rates = np.stack(
        [
            (np.interp(at + 0.5 * span_s, gyro.time_s, a) - np.interp(at - 0.5 * span_s, gyro.time_s, a)) / span_s
            for a in angle.T
        ],
        axis=1,
    )
    return _without_slow(rates, np.ones(len(at), bool), round(SLOW_S / _GRID_S)), start


def _misfits(seen: Array, known: NDArray[np.bool_], turned: Array) -> tuple[Array, Array]:
    """Count of common grid points, and misfit, at every lag from ``1 - len(seen)`` to ``len(turned) - 1``."""

    def correlated(of_picture: Array, of_gyro: Array) -> Array:
        return np.asarray(fftconvolve(of_gyro, of_picture[::-1]))

    here, there = known.astype(float), np.ones(len(turned))
    n = np.rint(correlated(here, there))
    cross = np.stack([[correlated(seen[:, i], turned[:, j]) for j in range(3)] for i in range(3)])
    square = np.stack([[correlated(here, turned[:, i] * turned[:, j]) for j in range(3)] for i in range(3)])
    power = correlated(np.sum(seen**2, axis=1), there)
    left = square.transpose(2, 0, 1)
    steady = 1e-6 * float(np.mean(turned**2)) * len(seen) + 1e-12
    right = cross.transpose(2, 1, 0)
    matrix = np.linalg.solve(left + steady * np.eye(3), right)
    explained = np.einsum("lij,lij->l", right, matrix)
    with np.errstate(divide="ignore", invalid="ignore"):
        return n, np.where(power > 1e-9 * power.max(), np.maximum(1 - explained / power, 1e-6), np.nan)
