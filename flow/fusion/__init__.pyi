from .filter import Filter
from .fuse import FusedLog
from .inputs import ImageRow, RowReader
from .noise import InertialNoise
from .quantities import FusedStates
from .smoother import Smoothed, Smoother

__all__ = [
    "Filter",
    "FusedLog",
    "FusedStates",
    "ImageRow",
    "InertialNoise",
    "RowReader",
    "Smoothed",
    "Smoother",
]
