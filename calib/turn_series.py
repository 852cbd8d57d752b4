"""Turn rates over time, by the picture and by the gyro before and after alignment: what a report draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.alignment_fit import AlignmentFit
from calib.turn_pairs import TurnPairs
from flow.module import Alignment, Gyro, Module
from flow.rotation import RotationLog
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnSeries:
    """What a report draws, a row a pair of frames.

    ``time_s`` (P,) is the middle of the pair, gyro clock; rates (P, 3) are in camera axes, rad/s: the camera's own from
    the picture, and the gyro's with the values that the module file had before and has now (NaN where the log does not
    reach). ``residual_px`` (P,) is the RMS over the matches that agree, ``used_share`` (P,) their share.
    """

    time_s: Array
    camera_rate_rad_s: Array
    gyro_rate_before_rad_s: Array
    gyro_rate_rad_s: Array
    residual_px: Array
    used_share: Array


def turn_series(pairs: TurnPairs, gyro: GyroSamples, module: Module, fit: AlignmentFit) -> TurnSeries:
    """Draw up the series of a fit; ``module`` is as it was before."""
    span_s = (pairs.second_s - pairs.first_s)[:, None]
    rate = fit.gyro_turn_rad / span_s
    return TurnSeries(
        time_s=pairs.middle_s + fit.unknowns.time_offset_s,
        camera_rate_rad_s=rate + fit.missing_rad / span_s,
        gyro_rate_before_rad_s=_rates(pairs, gyro, module.alignment, np.array(module.gyro.bias_rad_s)),
        gyro_rate_rad_s=rate,
        residual_px=fit.residual_px,
        used_share=fit.used.sum(axis=1) / np.maximum(fit.known.sum(axis=1), 1),
    )


def _rates(pairs: TurnPairs, gyro: GyroSamples, alignment: Alignment, bias_rad_s: Array) -> Array:
    """Mean gyro rate (P, 3) over each pair in camera axes; NaN where the log does not reach."""
    log = RotationLog(Gyro(), keep_s=np.inf)
    log.append(GyroSamples(time_s=gyro.time_s, rate_rad_s=gyro.rate_rad_s - bias_rad_s, accel_m_s2=None))
    first, second = (log.matrices(t + alignment.time_offset_s) for t in (pairs.first_s, pairs.second_s))
    turn = Rotation.from_matrix(first.transpose(0, 2, 1) @ second).as_rotvec()
    rate = alignment.R_body_camera.inv().apply(turn) / (pairs.second_s - pairs.first_s)[:, None]
    outside = (pairs.first_s + alignment.time_offset_s < gyro.time_s[0]) | (
        pairs.second_s + alignment.time_offset_s > gyro.time_s[-1]
    )
    rate[outside] = np.nan
    return np.asarray(rate)
