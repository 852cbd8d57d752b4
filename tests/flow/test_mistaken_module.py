"""Whether sigmas that a module file states are spent: flights measured with modules that are off by draws from them.

A synthetic flight measured with the module that it was rendered with spends none of its calibration's sigmas, and its
bands look too wide. Here every number of the file is off by a draw, and the accelerometer by its zero offset.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow import scene
from flow.module import Module
from tests.flow.flights import flight, measured

SETTLED_S = 0.5
ACCEL_BIAS_M_S2 = 0.008 * 9.81  # as flow.tilt.InertialTilt believes


def mistaken(true: Module, rng: np.random.Generator, share: float) -> Module:
    """Draw what a calibration might have said."""
    lens, alignment, gyro, ranger = true.camera, true.alignment, true.gyro, true.range

    def off(value: object, sigma: object) -> tuple[float, ...]:
        value, sigma = np.atleast_1d(np.array(value, float)), np.atleast_1d(np.array(sigma, float))
        return tuple(value + share * sigma * rng.normal(size=value.shape))

    fx, fy = off([lens.fx_px, lens.fy_px], lens.focal_sigma * lens.fx_px)
    turn = Rotation.from_rotvec(off([0.0] * 3, alignment.rotation_sigma_rad)) * alignment.R_body_camera
    (late_s,) = off(alignment.time_offset_s, alignment.sigma.time_offset_s)
    (scale,), (offset_m,) = off(ranger.scale, ranger.sigma.scale), off(ranger.offset_m, ranger.sigma.offset_m)
    keys = {
        "camera": {"fx_px": fx, "fy_px": fy},
        "alignment": {
            "camera_to_body_wxyz": tuple(turn.as_quat(scalar_first=True)),
            "camera_position_m": off(alignment.camera_position_m, alignment.sigma.camera_position_m),
            "time_offset_s": late_s,
        },
        "gyro": {"bias_rad_s": off(gyro.bias_rad_s, gyro.sigma.bias_rad_s)},
        "range": {"scale": scale, "offset_m": offset_m},
    }
    return true.model_copy(update={part: getattr(true, part).model_copy(update=of) for part, of in keys.items()})


def errors_in_sigmas(share: float, seeds: range) -> np.ndarray:
    """Of all rows, (N, 3): half of the flights hover in gusts, half pass at 0.8 m/s."""
    found = []
    for seed in seeds:
        rng = np.random.default_rng([seed, 5])
        motion = scene.straight(2.2, height_m=1.0, speed_m_s=0.8 * (seed % 2), heading_rad=0.5)
        bias = share * ACCEL_BIAS_M_S2 * rng.normal(size=3)
        flown = flight(
            motion + scene.gusts(2.2, seed=seed), seed=seed, imu=scene.ImuErrors(accel_bias_m_s2=tuple(bias))
        )
        rows = measured(replace(flown, module=mistaken(flown.module, rng, share)))
        settled = rows.time_s > SETTLED_S
        found.append(rows.error_m_s[settled] / rows.sigma_m_s[settled])
    return np.concatenate(found)


def test_bands_hold_what_a_calibration_leaves() -> None:
    # 95 % within 1.96 sigma. 1100 rows, most of whose error is new in every row: 0.95 +- 0.01, and two of these beyond. What
    # the tilt does to the vertical is the same through a flight: of 12 draws, 93 % at least.
    found = errors_in_sigmas(1.0, range(12))
    inside = (np.abs(found) < 1.96).mean(axis=0)
    assert ((inside[:2] > 0.93) & (inside[:2] < 0.975)).all(), inside
    assert inside[2] > 0.93, inside
    assert np.sqrt(np.mean(found[:, :2] ** 2, axis=0)) == pytest.approx([1.0, 1.0], abs=0.12)


def test_the_same_check_notices_a_worse_calibration() -> None:
    # Off by eight times what the file says: it cannot hold.
    assert (np.abs(errors_in_sigmas(8.0, range(4))) < 1.96).mean() < 0.85
