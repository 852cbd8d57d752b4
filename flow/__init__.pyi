from .errors import DataError
from .estimator import Estimator
from .measure import measure
from .module import Module, read_module
from .recording import Recording, open_recording
from .result import FrameResult
from .row import LevelVelocity, NoVelocity, SpeedRow
from .series import AttitudeSamples, GyroSamples, RangeSamples
from .tables import read_speed_log, speed_table
from .tracks import ImageMotion, LucasKanade, Matches
from .version import __version__

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
    "__version__",
    "measure",
    "open_recording",
    "read_module",
    "read_speed_log",
    "speed_table",
]
