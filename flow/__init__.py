"""Downward video, gyro and range to metric ground speed.

The path of the data: ``recording`` (video, logs, module) -> ``tracks`` (image motion) + ``rotation`` (gyro) +
``height`` and ``tilt`` (the ground plane) -> ``geometry`` and ``velocity`` (the exact two-frame equations) ->
``shared_errors`` and ``scatter`` (the covariance) -> ``estimator`` (one row a frame) -> ``speedlog``.
"""

from flow.errors import DataError
from flow.estimator import Estimator
from flow.measure import measure
from flow.module import Module, read_module
from flow.recording import Recording, open_recording
from flow.result import FrameResult
from flow.row import LevelVelocity, NoVelocity, SpeedRow
from flow.series import AttitudeSamples, GyroSamples, RangeSamples
from flow.tracks import ImageMotion, LucasKanade, Matches

__all__ = [
    "AttitudeSamples",
    "DataError",
    "Estimator",
    "FrameResult",
    "GyroSamples",
    "ImageMotion",
    "LevelVelocity",
    "LucasKanade",
    "Matches",
    "Module",
    "NoVelocity",
    "RangeSamples",
    "Recording",
    "SpeedRow",
    "measure",
    "open_recording",
    "read_module",
]
