"""How much the velocity changed over the last pairs of frames, by the specific force and the filter's state.

With w(t) from 0 at the first frame, over 1 - 1/m at the begin of the newest pair, to 0 at its end, the mean velocity of that
pair is that over all m pairs and the integral of w times the acceleration. Of this the force tells most; the rest is linear in
gravity, in the accelerometer's bias, which turns with the body, in the acceleration left over and in the gyro's bias, all of
them states.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.force_sum import ForceSum
from flow.motion import layout as at
from flow.rotation import RotationLog, skew

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Of the velocity, from its mean over baselines of 2, 3 ... N pairs to that over the newest pair.

    ``vector_m_s`` (N - 1, 3) in the local inertial frame, and the ``covariance_m2_s2`` (N - 1, 3, 3) of each.
    """

    vector_m_s: Array
    covariance_m2_s2: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Leftover:
    """The Gauss-Markov process of the acceleration that the force leaves: its variance along an axis, and how long it lasts."""

    variance_m2_s4: float
    lasts_s: float


def change(
    x: Array, P: Array, frames_s: Array, rotations: RotationLog, force: ForceSum, leftover: Leftover
) -> Change | None:
    """Tell the change at a state that belongs to the newest pair; None where the force does not reach back.

    Parameters
    ----------
    x, P
        (24,) and (24, 24), see ``layout``.
    frames_s
        (N + 1,), times of the frames of N pairs in a row.
    rotations, force
        The gyro log, integrated, and the velocity preintegration.
    leftover
        See there.
    """
    middles_s, steps_s = 0.5 * (frames_s[1:] + frames_s[:-1]), np.diff(frames_s)
    means = force.means(frames_s)
    if means is None:
        return None
    weight_s = weights(frames_s) * steps_s
    H = _jacobian(x, weight_s, middles_s, rotations.matrices(middles_s), leftover.lasts_s)
    over = np.cumsum((steps_s[:, None] * means)[::-1], axis=0)[1:] / (frames_s[-1] - frames_s[-3::-1, None])
    lag_s = middles_s[-1] - middles_s
    # What the Gauss-Markov process was before, its newest value does not tell: its covariance given that.
    apart = np.abs(lag_s[:, None] - lag_s) / leftover.lasts_s
    unknown = np.exp(-apart) - np.exp(-(lag_s[:, None] + lag_s) / leftover.lasts_s)
    noise = force.noise_m_s_rts**2 * _squares(frames_s)
    noise = noise + leftover.variance_m2_s4 * np.einsum("mi,ij,mj->m", weight_s, unknown, weight_s)
    return Change(
        vector_m_s=means[-1] - over + H @ x,
        covariance_m2_s2=H @ P @ H.transpose(0, 2, 1) + noise[:, None, None] * np.eye(3),
    )


def weights(frames_s: Array) -> Array:
    """Mean of w over each of N pairs (N - 1, N), for baselines of the newest 2, 3 ... N of them."""
    middles_s = 0.5 * (frames_s[1:] + frames_s[:-1])
    began_s, end_s = frames_s[-3::-1, None], frames_s[-1]
    share = (end_s - middles_s) / (end_s - began_s)
    newest = np.ones(len(middles_s))
    newest[-1] = 0.5
    return np.where(middles_s > began_s, newest - share, 0.0)


def _squares(frames_s: Array) -> Array:
    """Integral of w squared (N - 1,), s: that of a triangle as high as w is at the begin of the newest pair."""
    span_s = frames_s[-1] - frames_s[-3::-1]
    return np.asarray(span_s / 3 * np.square(1 - (frames_s[-1] - frames_s[-2]) / span_s))


def _jacobian(x: Array, weight_s: Array, middles_s: Array, R_still_body: Array, lasts_s: float) -> Array:
    """H (N - 1, 3, 24) of what the states add to the change that the force tells."""
    lag_s = middles_s[-1] - middles_s
    H = np.zeros((len(weight_s), 3, at.STATES))
    span_s, newest = weight_s.sum(axis=1)[:, None, None], R_still_body[-1]
    H[:, :, at.GRAVITY] = span_s * np.eye(3)
    H[:, :, at.ACCEL_BIAS] = -np.tensordot(weight_s, R_still_body, axes=1)
    H[:, :, at.ACCELERATION] = (weight_s @ np.exp(-lag_s / lasts_s))[:, None, None] * np.eye(3)
    # A gyro that reads too much has turned the frame since (see ``process``): velocity and gravity stood otherwise in it.
    velocity, gravity = skew(np.stack([x[at.VELOCITY], x[at.GRAVITY]]))
    H[:, :, at.GYRO_BIAS] = -span_s * (velocity @ newest) + (weight_s @ lag_s)[:, None, None] * (gravity @ newest)
    return H
