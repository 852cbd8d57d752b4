"""What a module's figures predict for the error of its speed, cause by cause, before anything has flown.

Two kinds of causes. ``random`` ones differ from row to row or wander within seconds; they show as scatter in every
recording, however well the module is calibrated. ``systematic`` ones are what the module file may have wrong by its own
sigmas: constant, so they show only against a reference, never in a synthetic recording made with the same file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.air import LIKELY_AIR_C, air_scale_sigma
from flow.budget.conditions import Conditions
from flow.budget.situation import LAG_ONE, Situation
from flow.error_sources import ErrorSource
from flow.module import Module
from flow.per_source import PerSource
from flow.stated_sigmas import stated_sigma

__all__ = ["Budget", "Cause", "Kind", "predict"]

Array: TypeAlias = NDArray[np.float64]
Kind: TypeAlias = Literal["random", "systematic"]

_BLOCK_PARTS = ("pixel noise", "blur")  # of the image's error, those that differ from block to block


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One-sigma error of a row by one cause, forward and right, m/s, and of its mean over a second.

    ``name`` is that of its source, or of the part of it that this is (of the image, ``blur``).
    """

    name: str
    source: ErrorSource
    kind: Kind
    forward_m_s: float
    right_m_s: float
    second_forward_m_s: float
    second_right_m_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """The prediction: independent causes, and the Cramer-Rao bound of the picture's noise (forward, right), m/s."""

    causes: tuple[Cause, ...]
    picture_bound_m_s: tuple[float, float]

    def sigma_m_s(self, kind: Kind | None = None) -> tuple[float, float]:
        """One-sigma of a row, (forward, right), by the causes of one kind or by all."""
        some = [cause for cause in self.causes if kind in (None, cause.kind)]
        return (
            float(np.hypot.reduce([c.forward_m_s for c in some], initial=0.0)),
            float(np.hypot.reduce([c.right_m_s for c in some], initial=0.0)),
        )

    def second_sigma_m_s(self) -> tuple[float, float]:
        """One-sigma of the mean of the rows of a second, (forward, right)."""
        return (
            float(np.hypot.reduce([c.second_forward_m_s for c in self.causes])),
            float(np.hypot.reduce([c.second_right_m_s for c in self.causes])),
        )

    @property
    def dominating(self) -> str:
        """The cause that adds most to the worse axis."""
        forward, right = self.sigma_m_s()
        return max(self.causes, key=lambda c: c.forward_m_s if forward >= right else c.right_m_s).name

    @property
    def image_over_bound(self) -> float:
        """How many times the Cramer-Rao bound the blocks' error is, worse axis."""
        blocks = [c for c in self.causes if c.name in _BLOCK_PARTS]
        forward = np.hypot.reduce([c.forward_m_s for c in blocks]) / self.picture_bound_m_s[0]
        right = np.hypot.reduce([c.right_m_s for c in blocks]) / self.picture_bound_m_s[1]
        return float(max(forward, right))


def predict(module: Module, conditions: Conditions) -> Budget:
    """Predict the error of one row of the speed log, as a single pair of frames shows it.

    Where an accelerometer is logged a row may come from a longer baseline, and its images err less (:mod:`flow.stages.refine`).

    Raises
    ------
    PredictionError
        See :class:`flow.budget.situation.Situation`.

    Notes
    -----
    To first order in lean and rocking, from the motion field of Longuet-Higgins and Prazdny 1980, for points spread
    evenly over the picture, seen at places (u, r) forward and right on the ground per unit of the camera's height H;
    ``m = mean(u^2)``, ``k = mean(r^2)``. v is the speed forward, T the frame interval, w and w' the rms rate and
    acceleration of the rocking, y the yaw rate, p the camera's position, f the focal length in px. Forward is shown:

    - picture: motion sigma in px times ``H / (f T)``; see :func:`flow.budget.image_noise.block_noise`;
    - height noise: v / H times what :func:`filtered_height` leaves of the range noise;
    - gyro noise N: as a rate ``N sqrt((1 - L / 3T) / T)``, since each row of a shutter that rolls for L sees its own
      interval; times ``(1 + m) H + p_z``: a turn's motion field is curved, and a wrong rate swings the lever arm;
    - gyro bias and clock: the bias' sigma, and ``w'`` times the clock's sigma, in place of that rate;
    - focal length (relative): v, and ``(1 - m) H w``: stretching moves the place at which a motion is expected as well;
    - mounting: a turn about the vertical leaks the other axis' v, and ``(1 + m) H w``, one about a level axis
      ``(1 + m) H y``; and both act as a wrong tilt does, less the height;
    - tilt: nothing in level flight; with a lean, see :meth:`flow.budget.situation.Situation.by_tilt`;
    - camera position: ``y p_y``, and by p_z the height and the swing, ``v p_z / H`` and ``w p_z (1 + arm / H)``;
    - range: v times scale and ``offset / H``; air temperature: v times half the relative error of its absolute value.
    """
    place = Situation(module, conditions)
    causes = tuple(cause for some in foretold(place).values() for cause in some)
    return Budget(causes=causes, picture_bound_m_s=_pair(place.picture.bound_px * place.m_s_per_px))


def foretold(place: Situation) -> PerSource[tuple[Cause, ...]]:
    """Give the causes of each source; none where no figure of a module and no condition foretells it: rows find it in flight."""
    return PerSource(
        image=tuple(_picture(place)),
        image_drift=(),
        height=(_height_noise(place),),
        range=(_range(place),),
        air=(_air(place),),
        focal_length=(_focal_length(place),),
        gyro_noise=(_gyro_noise(place),),
        gyro_bias=(_gyro_bias(place),),
        gyro_scale=(),
        clock=(_clock(place),),
        mounting=(_mounting(place),),
        tilt=(_tilt_noise(place), _tilt(place)),
        lever_arm=(_camera_position(place),),
        acceleration=(),
        frame_times=(),
        relief=(),
        light=(),
        accelerometer=(),
    )


def _cause(
    place: Situation,
    source: ErrorSource,
    kind: Kind,
    *,
    part: str = "",
    steady: Array | tuple[float, float] = (0.0, 0.0),
    rocking: Array | tuple[float, float] = (0.0, 0.0),
    lasting: float = 1.0,
) -> Cause:
    """Add up what is steady and what goes with the rocking; ``lasting``: what a second keeps of the steady part."""
    row = np.hypot(steady, rocking)
    # The mean over 1 s of a sine of f Hz is its sinc.
    second = np.hypot(lasting * np.asarray(steady), np.sinc(place.conditions.rocking_hz) * np.asarray(rocking))
    return Cause(
        name=part or source.label,
        source=source,
        kind=kind,
        forward_m_s=float(row[0]),
        right_m_s=float(row[1]),
        second_forward_m_s=float(second[0]),
        second_right_m_s=float(second[1]),
    )


def _picture(place: Situation) -> Iterator[Cause]:
    """Errors of position in the picture: each enters two rows, signs opposed, so that little of it lasts."""
    rows = max(place.conditions.frame_rate_hz, 1.0)
    lasting = float(np.sqrt((1 + 2 * LAG_ONE * (rows - 1) / rows) / rows))
    picture = place.picture
    jitter = np.full(2, place.conditions.common_jitter_px)
    for part, moved_px in (
        *zip(_BLOCK_PARTS, (picture.noise_px, picture.blur_px), strict=True),
        ("common jitter", jitter),
    ):
        yield _cause(place, ErrorSource.IMAGE, "random", part=part, steady=moved_px * place.m_s_per_px, lasting=lasting)


def _height_noise(place: Situation) -> Cause:
    steady = (place.v / place.camera_m * place.height_noise_m, 0.0)
    return _cause(place, ErrorSource.HEIGHT, "random", part="height noise", steady=steady)


def _tilt(place: Situation) -> Cause:
    steady = place.conditions.tilt_sigma_rad * place.by_tilt(height=True)
    return _cause(place, ErrorSource.TILT, "systematic", steady=steady)


def _gyro_bias(place: Situation) -> Cause:
    steady = place.by_rate(stated_sigma(ErrorSource.GYRO_BIAS, place.module))
    return _cause(place, ErrorSource.GYRO_BIAS, "systematic", steady=steady)


def _gyro_noise(place: Situation) -> Cause:
    noise = place.by_rate(stated_sigma(ErrorSource.GYRO_NOISE, place.module))  # of the mean over a second
    T, L = place.interval_s, place.module.camera.readout_s
    longer, shorter = max(T, L), min(T, L)
    row = np.sqrt((1 - shorter / longer / 3) / longer)
    return _cause(place, ErrorSource.GYRO_NOISE, "random", steady=noise * row, lasting=float(min(1 / row, 1.0)))


def _tilt_noise(place: Situation) -> Cause:
    tilt = place.conditions.tilt_noise_rad * place.by_tilt(height=True)
    lasting = 1 / np.sqrt(max(place.conditions.frame_rate_hz, 1.0))
    return _cause(place, ErrorSource.TILT, "random", part="tilt noise", steady=tilt, lasting=float(lasting))


def _clock(place: Situation) -> Cause:
    late_s = stated_sigma(ErrorSource.CLOCK, place.module)
    met = np.array([1.0, 1.0, 0.0]) * place.conditions.rocking_acceleration_rad_s2
    return _cause(place, ErrorSource.CLOCK, "systematic", rocking=place.by_rate(met * late_s))


def _focal_length(place: Situation) -> Cause:
    sigma = stated_sigma(ErrorSource.FOCAL_LENGTH, place.module)
    passing, turning = (
        np.linalg.norm(share * sigma, axis=1)
        for share in (place.field.by_focal_length, place.field.turned_by_focal_length)
    )
    return _cause(
        place,
        ErrorSource.FOCAL_LENGTH,
        "systematic",
        steady=passing * [place.v, 0.0],
        rocking=turning * place.camera_m * place.w,
    )


def _mounting(place: Situation) -> Cause:
    about_x, about_y, about_z = stated_sigma(ErrorSource.MOUNTING, place.module)
    turned = (1 + place.seen) * place.camera_m
    leaned = place.by_tilt(height=False) * np.hypot(about_x, about_y) / np.sqrt(2)
    yawed = turned * place.yaw * [about_x, about_y]
    leaked = np.array([0.0, about_z * place.v])
    steady = np.sqrt(leaned**2 + yawed**2 + leaked**2)
    return _cause(place, ErrorSource.MOUNTING, "systematic", steady=steady, rocking=about_z * turned * place.w)


def _camera_position(place: Situation) -> Cause:
    x, y, z = stated_sigma(ErrorSource.LEVER_ARM, place.module)
    steady = np.array([np.hypot(place.yaw * y, place.v * z / place.camera_m), place.yaw * x])
    rocking = place.w * z * place.conditions.height_m / place.camera_m  # 1 + arm / H = origin's over camera's height
    return _cause(place, ErrorSource.LEVER_ARM, "systematic", steady=steady, rocking=np.full(2, rocking))


def _range(place: Situation) -> Cause:
    height_m = place.conditions.height_m
    share = float(stated_sigma(ErrorSource.RANGE, place.module, height_m)[0])
    return _cause(place, ErrorSource.RANGE, "systematic", steady=(place.v * share * height_m / place.camera_m, 0.0))


def _air(place: Situation) -> Cause:
    sensor, sigma_k = place.module.range, place.conditions.air_sigma_k
    share = air_scale_sigma(sensor, LIKELY_AIR_C) if sigma_k is None else air_scale_sigma(sensor, None, sigma_k)
    steady = (place.v * share * place.conditions.height_m / place.camera_m, 0.0)
    return _cause(place, ErrorSource.AIR, "systematic", steady=steady)


def _pair(values: Array) -> tuple[float, float]:
    return float(values[0]), float(values[1])
