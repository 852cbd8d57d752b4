from .filter import Filter
from .fuse import FusedLog
from .inputs import ImageRow, RowReader
from .noise import InertialNoise
from .smoother import Smoothed, Smoother
from .state import FusedStates

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
