"""The conditions of a flight for which an error is predicted."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from flow.budget.image_noise import Texture


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
    pitch_rad
        Steady pitch, positive nose up.
    frame_rate_hz, exposure_s
        Of the camera.
    noise_levels, texture
        Noise of a pixel at the picture's brightness, grey levels; what there is to see.
    matched
        Share of the blocks in view of both pictures that are found again and agree.
    common_jitter_px
        Motion of the whole picture from frame to frame that is not the craft's, one-sigma: a video codec's (0.02 px on
        H.264 over gravel; 0 on lossless video).
    range_rate_hz
        Range readings a second.
    tilt_sigma_rad, tilt_noise_rad
        How wrong the attitude is: what stays for seconds, and what changes from row to row.
    air_sigma_k
        How well the air's temperature is known in flight; counts for a range sensor that depends on it. None: the flight
        measures it, which leaves nothing where the module file states the air for which its readings hold.
    """

    height_m: float
    speed_m_s: float = 0.0
    rocking_rad: float = 0.0
    rocking_hz: float = 0.0
    yaw_rate_rad_s: float = 0.0
    pitch_rad: float = 0.0
    frame_rate_hz: float = 60.0
    exposure_s: float = 0.002
    noise_levels: float = 1.5
    texture: Texture = field(default_factory=Texture)
    matched: float = 0.98
    common_jitter_px: float = 0.0
    range_rate_hz: float = 20.0
    tilt_sigma_rad: float = 0.008
    tilt_noise_rad: float = 0.0
    air_sigma_k: float | None = None

    @property
    def rocking_rate_rad_s(self) -> float:
        """RMS rate in roll, and in pitch: ``A 2 pi f / sqrt(2)``."""
        return float(self.rocking_rad * 2 * np.pi * self.rocking_hz / np.sqrt(2))

    @property
    def rocking_acceleration_rad_s2(self) -> float:
        """RMS angular acceleration in roll, and in pitch."""
        return self.rocking_rate_rad_s * 2 * np.pi * self.rocking_hz
