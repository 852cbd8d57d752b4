"""What a module's figures predict for the error of its speed, cause by cause, before anything has flown.

Two kinds of causes. ``random`` ones differ from row to row or wander within seconds; they show as scatter in every
recording, however well the module is calibrated. ``systematic`` ones are what the module file may have wrong by its own
sigmas: constant, so they show only against a reference, never in a synthetic recording made with the same file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_continuous_are, solve_continuous_lyapunov

import flow.height as filters
from flow.camera import Lens
from flow.image_noise import Texture, TrackerNoise, tracker_noise
from flow.module import Module

Array: TypeAlias = NDArray[np.float64]
Kind: TypeAlias = Literal["random", "systematic"]

_STEEPEST_RAD = np.radians(25.0)  # of lean and camera together; beyond, the first order in it is 10 % off
_LAG_ONE = -0.44  # correlation of a row's image error with the next: a picture's error enters two rows, signs opposed
_EFFICIENCY = 0.95  # of the weights that tame outliers (Huber and Ronchetti 2009)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """How, over what, and with which camera settings the module flies.

    Parameters
    ----------
    height_m
        Body origin above the ground.
    speed_m_s
        Steady speed forward.
    rocking_rad, rocking_hz
        Amplitude and frequency of rocking in roll and in pitch.
    yaw_rate_rad_s
        Steady turn.
    lean_rad
        Steady angle between body z and the vertical, in pitch.
    frame_rate_hz, exposure_s
        Of the camera.
    noise_levels, texture
        Noise of a pixel at the picture's brightness, grey levels; what there is to see.
    tracks, inlier_share
        Points followed, and the share of them that agree.
    common_jitter_px
        Motion of the whole picture from frame to frame that is not the craft's, one-sigma: a video codec's (20 mpx on
        H.264 over gravel; 0 on lossless video).
    range_rate_hz
        Range readings a second.
    tilt_sigma_rad, tilt_noise_rad
        How wrong the attitude is: what stays for seconds, and what changes from row to row.
    air_sigma_k
        How well the air temperature is known; counts for a range sensor that assumes one.
    """

    height_m: float
    speed_m_s: float = 0.0
    rocking_rad: float = 0.0
    rocking_hz: float = 0.0
    yaw_rate_rad_s: float = 0.0
    lean_rad: float = 0.0
    frame_rate_hz: float = 60.0
    exposure_s: float = 0.002
    noise_levels: float = 1.5
    texture: Texture = field(default_factory=Texture)
    tracks: float = 190.0
    inlier_share: float = 0.97
    common_jitter_px: float = 0.0
    range_rate_hz: float = 20.0
    tilt_sigma_rad: float = 0.008
    tilt_noise_rad: float = 0.0
    air_sigma_k: float = 0.0

    @property
    def rocking_rate_rad_s(self) -> float:
        """RMS rate in roll, and in pitch: ``A 2 pi f / sqrt(2)``."""
        return self.rocking_rad * 2 * np.pi * self.rocking_hz / np.sqrt(2)

    @property
    def rocking_acceleration_rad_s2(self) -> float:
        """RMS angular acceleration in roll, and in pitch."""
        return self.rocking_rate_rad_s * 2 * np.pi * self.rocking_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One-sigma error of a row by one cause, forward and right, m/s, and of its mean over a second."""

    name: str
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
    def tracker_over_bound(self) -> float:
        """How many times the Cramer-Rao bound the tracks' error is, worse axis."""
        tracker = [c for c in self.causes if c.name in ("pixel noise", "blur", "interpolation")]
        forward = np.hypot.reduce([c.forward_m_s for c in tracker]) / self.picture_bound_m_s[0]
        right = np.hypot.reduce([c.right_m_s for c in tracker]) / self.picture_bound_m_s[1]
        return float(max(forward, right))


def predict(module: Module, conditions: Conditions) -> Budget:
    """Predict the error of one row of the speed log.

    Raises
    ------
    ValueError
        The camera is at the ground, or looks (with the lean) more than 25 degrees away from straight down.

    Notes
    -----
    To first order in lean and rocking, from the motion field of Longuet-Higgins and Prazdny 1980, for points spread
    evenly over the picture at ground places (u, r) per unit of camera height, ``m = mean(u^2)``, ``k = mean(r^2)``;
    forward shown, right by exchange. v is the speed, H the camera's and h the origin's height, T the frame interval,
    w and w' the rms rate and acceleration of the rocking, p the lever arm, L the readout, f the focal length in px:

    - picture: motion sigma in px times H / (f T); see :func:`flow.image_noise.tracker_noise`;
    - height: v times the sigma of the filtered height / H, see :func:`height_sigma`;
    - gyro noise N: ``N sqrt((1 - L / 3T) / T)`` as a rate (each row of a rolling shutter sees its own interval; their
      mean is that of a box of length T smoothed by one of length L), times ``(1 + m) H + p_z``, since the curved motion
      field of a turn takes part in the fit, and the wrong rate swings the lever arm;
    - gyro bias: likewise, with its sigma as the rate; clock: likewise, with w' times the clock's sigma;
    - focal length, relative: v, and ``(1 - m) H w``;
    - mounting: a turn about the vertical leaks the other axis' v and ``(1 + k) H w``; one about the horizontal axes the
      yaw rate, and v through the lean as a wrong tilt does;
    - tilt, with lean a: ``v a (1 - m / (m + k) - 2 m k / (m + k))`` per radian, as a wrong plane, and the height it means;
    - camera position: ``w p_z``, the yaw rate times p, and v p_z / H by height;
    - range: v times scale, offset / H and half the relative error of the air's absolute temperature.
    """
    place = _Place(module, conditions)
    causes = (
        *_picture(place),
        _cause("height noise", "random", place.v * place.height_sigma / place.camera_m, 0.0),
        _white(place, "gyro noise", module.gyro.noise_per_axis * place.row_noise, module.gyro.noise_per_axis),
        _cause("tilt noise", "random", *(conditions.tilt_noise_rad * place.by_tilt)),
        _cause("tilt", "systematic", *(conditions.tilt_sigma_rad * place.by_tilt)),
        _constant(place, "gyro bias", np.array(module.gyro.sigma.bias_rad_s)),
        _clock(place),
        _focal_length(place),
        _mounting(place),
        _camera_position(place),
        _range(place),
    )
    return Budget(causes=causes, picture_bound_m_s=(float(place.bound[0]), float(place.bound[1])))
