"""What the fit of an alignment cannot know of its own errors: the tracker's and the lens'."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.alignment_fit import AlignmentFit
from calib.turn_pairs import TurnPairs
from flow.module import Module

Array: TypeAlias = NDArray[np.float64]

_TRACKER_PX = 0.005  # measured on rendered recordings, H.264 and lossless: tracks err with the motion, not by chance


def tracker_sigma(module: Module, pairs: TurnPairs, fit: AlignmentFit) -> Array:
    """One-sigma (13,) of each unknown that a track error in proportion to the motion leaves; no residual shows it.

    Interpolation and codec pull each track by a few thousandths of a pixel, alike in alike motion. Such an error looks
    like a mounting off by itself over the turn of a pair, a clock off by itself over the change of rate in a pair,
    a bias off by itself over its time, a lens off by itself over the turn.
    """
    angle = _TRACKER_PX / np.sqrt(module.camera.fx_px * module.camera.fy_px)
    span_s = float(np.median(pairs.second_s - pairs.first_s))
    turn = float(np.sqrt(np.mean(fit.gyro_turn_rad**2)))
    change = np.gradient(fit.gyro_turn_rad / span_s, pairs.middle_s, axis=0) * span_s
    offset_s = angle / float(np.sqrt(np.mean(change**2)))
    return np.array(
        [angle / turn] * 3 + [offset_s] + [angle / span_s] * 3 + [angle / turn] * 2 + [offset_s] + [angle / turn] * 3
    )


def scale_sigma(module: Module, pairs: TurnPairs, fit: AlignmentFit) -> float:
    """One-sigma of the gyro's scale against the picture: the fit's, the tracker's share of a turn, the focal length's."""
    by_tracker = float(tracker_sigma(module, pairs, fit)[0])
    return float(np.hypot.reduce([fit.gyro_scale_sigma, by_tracker, module.camera.focal_sigma.max()]))
