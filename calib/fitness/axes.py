"""Which way round the gyro's axes are, and roughly how late the camera's clock is, by the turns the picture shows.

The turn of each pair by the picture alone (:mod:`calib.fitness.motion`) is linear in the gyro's, whatever is wrong with it:
swapped axes, a wrong sign and a dead axis are entries of one matrix. All 48 ways of naming three axes with signs are
tried at each clock offset; the one that the module file means is given up only when another explains the turns
far better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations, product
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.motion import PairMotions
from calib.turn_pairs import TurnPairs
from flow.module import Module
from flow.rotation import RotationLog
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

SEARCH_S = 0.3
"""How far around the module's clock offset the search goes, s."""

_STEP_S = 0.005
_SHIFTS_S = np.arange(-SEARCH_S, SEARCH_S + _STEP_S / 2, _STEP_S)
_LEAST_RAD_S = 0.03  # turning that can tell axes: 3 sigma of a pair's own turn about x or y
_FAR_BETTER = 2.5  # times less misfit before the module file's own axes are given up
_EXPLAINED = 0.6  # share of the picture's turning
_DEAD = 0.1  # of the picture's turning: an axis that shows less is dead
# Mean turning that lens, relief and lean may leave, as in flow.faults.turn_check: so much about camera x, y, z, such shares
# of the ground's angular speed, and of the turning. A lean of 15 degrees across the flight turns the picture about z.
_LEAST_APART_RAD_S, _APART_OF_FLOW, _APART_OF_TURN = np.array([0.2, 0.2, 0.04]), np.array([0.1, 0.1, 0.13]), 0.05
_SURE = 4.0  # sigmas
_ALIKE = 10  # pairs that share frames and texture err together
_SYSTEMATIC_RAD = 1e-3  # of a pair's turn: lean of the craft against the level plane that is assumed here


@dataclass(frozen=True, slots=True, kw_only=True)
class AxesFound:
    """What the turns say.

    ``matrix`` (3, 3) turns the gyro's readings into true body rates: the identity when the axes are right. ``explained``
    is the share of the picture's turning that the gyro explains through it, ``explained_as_is`` through the axes as they
    are; ``clock_s`` the clock offset by these turns less the module file's; ``picture_rad_s`` and ``gyro_rad_s`` (3,) RMS
    turning about body x, y, z; ``dead`` the axes about which the picture turns and the gyro does not; ``enough`` whether
    the turning changed enough to tell all that. ``means_rad_s`` (2, 3) is the mean turning about body x, y, z by the picture
    and by the gyro, ``apart`` the axes about which these differ by more than lens, lean and a gyro's bias may leave.
    """

    matrix: Array
    explained: float
    explained_as_is: float
    clock_s: float
    picture_rad_s: Array
    gyro_rad_s: Array
    dead: tuple[int, ...]
    enough: bool
    means_rad_s: Array
    apart: tuple[int, ...]

    @property
    def mixed_up(self) -> bool:
        """Whether axes are swapped or turned round."""
        return not np.array_equal(self.matrix, np.eye(3))


def find_axes(seen: Sequence[tuple[TurnPairs, PairMotions, GyroSamples]], module: Module) -> AxesFound:
    """Find axes and clock from some stretches of a flight.

    Parameters
    ----------
    seen
        Of each stretch: pairs of frames, their motion by the picture alone, and the gyro log around them, ``SEARCH_S``
        to either side as far as it goes.
    module
        Mounting, clock and bias to hold against.
    """
    turns = [_turns(pairs, motions, gyro, module) for pairs, motions, gyro in seen]
    ways = _ways()
    misfits = sum(
        np.array([[_misfit(t.picture, turn @ way.T, t.sigma) for turn in t.gyro] for way in ways]) for t in turns
    )
    misfits = np.asarray(misfits, np.float64)
    whole = sum(_misfit(t.picture, np.zeros_like(t.picture), t.sigma) for t in turns)
    by_picture = np.sqrt(np.mean([_square(t.picture, t.sigma, noisy=True) for t in turns], axis=0))
    by_gyro = np.sqrt(np.mean([_square(t.gyro[len(_SHIFTS_S) // 2], t.sigma, noisy=False) for t in turns], axis=0))
    best = int(misfits.min(axis=1).argmin())
    as_is, least = float(misfits[0].min()), float(misfits[best].min())
    if as_is <= _FAR_BETTER * least or 1 - least / whole < _EXPLAINED:
        best = 0
    row = misfits[best]
    means, apart = _means(turns, module)
    dead = (by_gyro < _DEAD * by_picture) & (by_picture > _LEAST_RAD_S)
    return AxesFound(
        matrix=ways[best],
        explained=float(1 - row.min() / whole),
        explained_as_is=1 - as_is / whole,
        clock_s=_vertex(_SHIFTS_S, row),
        picture_rad_s=by_picture,
        gyro_rad_s=by_gyro,
        dead=tuple(int(k) for k in np.flatnonzero(dead)),
        enough=bool(max(by_picture.max(), by_gyro.max()) > _LEAST_RAD_S),
        means_rad_s=means,
        apart=apart,
    )


def still_gyro(gyro: GyroSamples) -> GyroSamples:
    """Give a log of the same time that does not turn."""
    ends = gyro.time_s[[0, -1]]
    time_s = np.linspace(ends[0], ends[1], max(int((ends[1] - ends[0]) / 0.005), 2))
    return GyroSamples(time_s=time_s, rate_rad_s=np.zeros((len(time_s), 3)), accel_m_s2=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turns:
    """Rates of N pairs, rad/s, body axes: by the picture (N, 3) with its sigma, by the gyro at each clock shift.

    ``flow_rad_s`` (N,) is the speed over the distance to the ground.
    """

    picture: Array
    sigma: Array
    gyro: list[Array]
    flow_rad_s: Array


def _turns(pairs: TurnPairs, motions: PairMotions, gyro: GyroSamples, module: Module) -> _Turns:
    good = motions.good
    span_s = (pairs.second_s - pairs.first_s)[good, None]
    mounting = module.alignment.R_body_camera.as_matrix()
    variance = np.einsum("ij,pjk,ik->pi", mounting, motions.covariance[good][:, 3:, 3:], mounting)
    log = RotationLog(module.gyro, keep_s=np.inf)
    log.append(gyro)
    ends_s = np.stack([pairs.first_s[good], pairs.second_s[good]]) + module.alignment.time_offset_s
    return _Turns(
        picture=motions.turn_rad[good] @ mounting.T / span_s,
        sigma=np.sqrt(variance + _SYSTEMATIC_RAD**2) / span_s,
        gyro=[_turned(log, ends_s + shift) / span_s for shift in _SHIFTS_S],
        flow_rad_s=np.linalg.norm(motions.displacement[good] / span_s, axis=1),
    )


def _means(turns: Sequence[_Turns], module: Module) -> tuple[Array, tuple[int, ...]]:
    """Mean turning (2, 3) by picture and gyro, bias removed, and the body axes about which they are apart."""
    picture, sigma = (np.concatenate([getattr(t, name) for t in turns]) for name in ("picture", "sigma"))
    gyro = np.concatenate([t.gyro[len(_SHIFTS_S) // 2] for t in turns])
    means = np.stack([np.median(picture, axis=0), np.median(gyro, axis=0)])
    turning = float(np.linalg.norm(means, axis=1).max())
    flow = float(np.mean(np.concatenate([t.flow_rad_s for t in turns])))
    allowed = _LEAST_APART_RAD_S + _APART_OF_FLOW * flow + _APART_OF_TURN * turning
    by_noise = _SURE * np.median(sigma, axis=0) * np.sqrt(_ALIKE / len(sigma))
    # About each body axis, what may be left about the camera's.
    allowed = np.sqrt(np.square(module.alignment.R_body_camera.as_matrix()) @ np.square(allowed))
    return means, tuple(int(k) for k in np.flatnonzero(np.abs(means[0] - means[1]) > allowed + by_noise))


def _ways() -> list[Array]:
    """All 48 matrices that permute three axes and change their signs, the identity first."""
    found = [
        np.diag(signs) @ np.eye(3)[list(order)]
        for order in permutations(range(3))
        for signs in product((1.0, -1.0), repeat=3)
    ]
    return sorted(found, key=lambda way: -float(np.trace(way)))


def _turned(log: RotationLog, ends_s: Array) -> Array:
    first, second = log.matrices(ends_s[0]), log.matrices(ends_s[1])
    relative = first.transpose(0, 2, 1) @ second
    axis = np.stack(
        [
            relative[:, 2, 1] - relative[:, 1, 2],
            relative[:, 0, 2] - relative[:, 2, 0],
            relative[:, 1, 0] - relative[:, 0, 1],
        ],
        axis=1,
    )
    sine = 0.5 * np.linalg.norm(axis, axis=1, keepdims=True)
    return np.asarray(0.5 * axis / np.sinc(np.arcsin(np.minimum(sine, 1.0)) / np.pi))


def _centred(values: Array, sigma: Array) -> Array:
    weight = 1 / sigma**2
    return np.asarray(values - np.sum(weight * values, axis=0) / weight.sum(axis=0))


def _misfit(seen: Array, by_gyro: Array, sigma: Array) -> float:
    """Sum of squares in sigmas, but for a constant (the bias)."""
    return float(np.sum(np.square(_centred(seen - by_gyro, sigma) / sigma)))


def _square(rates: Array, sigma: Array, *, noisy: bool) -> Array:
    """Mean square (3,) about the mean, less what noise makes of it; pairs that hardly tell, as over a cut, hardly count."""
    weight = 1 / sigma**2
    square = np.sum(weight * _centred(rates, sigma) ** 2 - (1.0 if noisy else 0.0), axis=0) / weight.sum(axis=0)
    return np.asarray(np.maximum(square, 0.0))


def _vertex(at: Array, values: Array) -> float:
    """Lowest point of the parabola through the least value and its neighbours."""
    k = int(np.clip(values.argmin(), 1, len(values) - 2))
    low, middle, high = values[k - 1 : k + 2]
    bend = low - 2 * middle + high
    return float(at[k] + (0.5 * (low - high) / bend if bend > 0 else 0.0) * (at[1] - at[0]))
