"""Clock and mounting of a module turned by hand, roughly and from anywhere: the start of the fit.

Seen from pictures alone and as if the module only turned, each pair of frames has a turn. The hand's translation adds
to it, but in proportion: picture rate = A gyro rate + constant, where A is the mounting times some stretch of the two
axes across the view. At the right clock offset this line fits best, whatever A is; the mounting is the rotation nearest
to A (its polar factor).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.turn_pairs import TurnPairs
from flow.camera import Lens
from flow.errors import DataError
from flow.pair.picture_turn import turns_of_matches
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

SEARCH_S = 1.0
"""How far around the module's own clock offset the search goes, s."""

SHORTEST_S = 8.0
"""Least time of turning that video and gyro must share."""

_GRID_S = 0.01
_LEAST_RMS_RAD_S = 0.1  # 6 degrees/s: below, 0.05 degrees of mounting would ask for tracks of a few millipixels
_STILL_RAD_S = 1e-4
_LEAST_R2 = 0.6  # chance reaches 0.4 in 20 s of unrelated turning, the stretched fit of a right log exceeds 0.9
_RIVAL = 1.3  # how much worse, in squared misfit, any other offset must be
_RIVAL_APART_S = 0.15
_SCALE_OFF = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Coarse:
    """Rough values; ``r2`` is the share of the picture's motion that the gyro explains at this offset."""

    R_body_camera: Rotation
    time_offset_s: float
    bias_rad_s: Array
    r2: float


def picture_turns(pairs: TurnPairs, lens: Lens) -> Array:
    """Rotation vectors (P, 3) of the camera over each pair, as if it only turned; NaN where matches are too few."""
    return turns_of_matches(pairs.first_px, pairs.second_px, lens)


def find_coarse(
    pairs: TurnPairs, turns_rad: Array, gyro: GyroSamples, guess_s: float, path: Path | None = None
) -> Coarse:
    """Find the clock offset within ``SEARCH_S`` of ``guess_s``, and the mounting, whatever it is.

    Parameters
    ----------
    pairs, turns_rad
        Pairs of frames and what :func:`picture_turns` gave for them.
    gyro
        The log, bias not subtracted.
    guess_s
        Middle of the search.
    path
        The gyro log's, for messages.

    Raises
    ------
    DataError
        The logs do not overlap, the gyro is constant or was hardly turned about an axis, says another motion than the
        picture, has a mirrored axis or another scale, or the offset is at the edge of the search or ambiguous.
    """
    seen = np.asarray(np.isfinite(turns_rad).all(axis=1))
    pairs, turns_rad = pairs.only(seen), turns_rad[seen]
    search = _Search(pairs, turns_rad, gyro)
    search.check_log(guess_s, path)
    offsets = guess_s + np.arange(-SEARCH_S, SEARCH_S + _GRID_S / 2, _GRID_S)
    misfit = np.array([search.misfit(offset) for offset in offsets])
    if not np.isfinite(misfit).any():
        raise DataError(f"covers less than {SHORTEST_S:g} s of the video; log the whole turning", path=path)
    best = int(np.nanargmin(misfit))
    _check_offset(offsets, misfit, best, path)
    time_offset_s = float(offsets[best]) + _GRID_S * _vertex(misfit[best - 1 : best + 2])
    slope, constant = search.line(time_offset_s)
    _check_slope(slope, path)
    u, _, vt = np.linalg.svd(slope)
    R_camera_body = u @ vt
    return Coarse(
        R_body_camera=Rotation.from_matrix(R_camera_body.T),
        time_offset_s=time_offset_s,
        bias_rad_s=np.clip(-R_camera_body.T @ constant, -0.3, 0.3),
        r2=1 - float(misfit[best]),
    )


class _Search:
    """Fits the picture's rates by the gyro's at any clock offset."""

    def __init__(self, pairs: TurnPairs, turns_rad: Array, gyro: GyroSamples) -> None:
        self._span_s = pairs.second_s - pairs.first_s
        self._pairs, self._gyro = pairs, gyro
        self._rates = turns_rad / self._span_s[:, None]
        steps = np.diff(gyro.time_s)[:, None] * 0.5 * (gyro.rate_rad_s[1:] + gyro.rate_rad_s[:-1])
        self._angle = np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])

    def gyro_rates(self, offset_s: float) -> Array:
        """Mean gyro rates (P, 3) over the pairs; NaN beyond the log."""
        ends = [
            np.stack(
                [np.interp(t + offset_s, self._gyro.time_s, angle, np.nan, np.nan) for angle in self._angle.T], axis=1
            )
            for t in (self._pairs.first_s, self._pairs.second_s)
        ]
        return np.asarray((ends[1] - ends[0]) / self._span_s[:, None])

    def misfit(self, offset_s: float) -> float:
        """Share of the picture's motion that no line explains; NaN where video and gyro share too little."""
        rates = self.gyro_rates(offset_s)
        good = np.isfinite(rates[:, 0])
        if not self._long_enough(good):
            return np.nan
        slope, constant = self._line(rates, good)
        picture = self._rates[good]
        left = picture - rates[good] @ slope.T - constant
        return float(np.sum(left**2) / np.sum((picture - picture.mean(axis=0)) ** 2))

    def line(self, offset_s: float) -> tuple[Array, Array]:
        """Slope (3, 3) and constant (3,) at an offset."""
        rates = self.gyro_rates(offset_s)
        return self._line(rates, np.isfinite(rates[:, 0]))

    def check_log(self, guess_s: float, path: Path | None) -> None:
        """Check that the log overlaps the video and holds a motion about every axis."""
        begin, end = self._gyro.time_s[[0, -1]]
        first, last = self._pairs.first_s[0] + guess_s, self._pairs.second_s[-1] + guess_s
        if min(end, last + SEARCH_S) - max(begin, first - SEARCH_S) < SHORTEST_S:
            covered = f"covers {begin:.3f} to {end:.3f} s, the video {first:.3f} to {last:.3f} s (gyro clock)"
            remedy = f"{SHORTEST_S:g} s in common are needed; is alignment.time_offset_s within {SEARCH_S:g} s?"
            raise DataError(f"{covered}: {remedy}", path=path)
        inside = (self._gyro.time_s > first - SEARCH_S) & (self._gyro.time_s < last + SEARCH_S)
        _check_motion(self._gyro.rate_rad_s[inside], self._rates, path)

    def _long_enough(self, good: NDArray[np.bool_]) -> bool:
        middle = self._pairs.middle_s
        steps = np.diff(middle)
        return bool(good.sum() * np.median(steps) >= 0.5 * SHORTEST_S and np.ptp(middle[good]) >= SHORTEST_S - 1)

    def _line(self, rates: Array, good: NDArray[np.bool_]) -> tuple[Array, Array]:
        columns = np.column_stack([rates[good], np.ones(good.sum())])
        found = np.linalg.lstsq(columns, self._rates[good], rcond=None)[0]
        return found[:3].T, found[3]


def _check_motion(rate_rad_s: Array, picture_rad_s: Array, path: Path | None) -> None:
    """Refuse a log that says too little about one axis or more."""
    spread = rate_rad_s - rate_rad_s.mean(axis=0)
    picture = float(np.degrees(np.sqrt(np.mean(np.sum(picture_rad_s**2, axis=1)))))
    if np.sqrt(np.mean(spread**2)) < _STILL_RAD_S:
        raise DataError(f"does not change, while the image rotates at {picture:.2g} deg/s; is it this log?", path=path)
    power, directions = np.linalg.eigh(spread.T @ spread / len(spread))
    weak = np.sqrt(np.maximum(power, 0)) < _LEAST_RMS_RAD_S
    if weak.any():
        names = sorted({"xyz"[int(np.abs(directions[:, k]).argmax())] for k in np.flatnonzero(weak)})
        least = np.degrees(np.sqrt(max(float(power[0]), 0.0)))
        problem = (
            f"hardly turns about body {' and '.join(names)}: {least:.2g} deg/s RMS, and"
            f" {np.degrees(_LEAST_RMS_RAD_S):.0f} are needed; roll, pitch and yaw the module by turns, 20 degrees each way"
        )
        raise DataError(problem, path=path)


def _check_offset(offsets: Array, misfit: Array, best: int, path: Path | None) -> None:
    r2 = 1 - misfit[best]
    usable = np.flatnonzero(np.isfinite(misfit))
    if r2 < _LEAST_R2:
        problem = (
            f"does not agree with the video: at the best clock offset it explains {max(100 * r2, 0):.0f} % of the motion"
            f" ({100 * _LEAST_R2:.0f} are needed); is it the log of this video, and alignment.time_offset_s right within"
            f" {SEARCH_S:g} s?"
        )
        raise DataError(problem, path=path)
    if best in (usable[0], usable[-1]):
        problem = (
            f"the best clock offset, {offsets[best]:.2f} s, is at the edge of the search; put a rough"
            " alignment.time_offset_s into the module file"
        )
        raise DataError(problem, path=path)
    away = np.abs(offsets - offsets[best]) > _RIVAL_APART_S
    rivals = np.where(away & np.isfinite(misfit), misfit, np.inf)
    rival = int(rivals.argmin())
    if rivals[rival] < _RIVAL * misfit[best] + 0.02:
        problem = (
            f"the motion repeats itself: clock offsets of {offsets[best]:.2f} and {offsets[rival]:.2f} s fit alike; turn"
            " the module irregularly, now slower, now faster"
        )
        raise DataError(problem, path=path)


def _check_slope(slope: Array, path: Path | None) -> None:
    if np.linalg.det(slope) < 0:
        problem = (
            "is the mirror image of what the video shows: the sign of one axis (or of all three) is wrong, or two axes"
            " are swapped"
        )
        raise DataError(problem, path=path)
    # About the optical axis no translation stretches the turn.
    scale = float(np.linalg.norm(slope[2]))
    if abs(np.log(scale)) > _SCALE_OFF:
        problem = (
            f"reads {1 / scale:.2f} times the turn about the optical axis that the video shows; is the gyro's scale"
            " right, and the camera section this camera's?"
        )
        raise DataError(problem, path=path)


def _vertex(around: Array) -> float:
    """Where the parabola through three values at -1, 0, 1 has its least."""
    before, here, after = around
    bend = before - 2 * here + after
    return float(0.5 * (before - after) / bend) if np.isfinite(bend) and bend > 0 else 0.0
