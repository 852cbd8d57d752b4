"""Speed, tilt, height and sensor biases at the gyro's rate: pictures, ranges and inertial sensors in one.

The path of the data: ``inputs`` (results of the estimator -> rows with their errors parted by how they go on) and
``samples`` (inertial samples that wait) -> ``filter`` (the causal filter, live or on a log), which carries ``belief`` on
(``motion``, ``layout``), and corrects it by ``pictures``, ``ranging`` and ``anchors`` -> ``tape`` (the smoother) ->
``state`` (quantities) -> ``fusedlog`` (``fused.csv``) and ``rawspeed`` (what a control loop needs to know of the raw rows);
``fuse`` puts a recording through all of it.
"""

from flow.fusion.filter import Filter
from flow.fusion.fuse import FusedLog
from flow.fusion.inputs import ImageRow, RowReader
from flow.fusion.noise import InertialNoise
from flow.fusion.state import FusedStates
from flow.fusion.tape import Smoothed, Tape

__all__ = [
    "Filter",
    "FusedLog",
    "FusedStates",
    "ImageRow",
    "InertialNoise",
    "RowReader",
    "Smoothed",
    "Tape",
]
