from .acceptance import Acceptance, accept
from .alignment import AlignmentCalibration, calibrate_alignment
from .boards import BoardKind, parse_board
from .fitness import Fitness, check_recording
from .foreign_lens import LensFromFile, lens_from_file
from .gyro_noise import GyroCalibration, calibrate_gyro
from .lens import calibrate_lens
from .lens_result import LensCalibration
from .limits import Limits, read_limits
from .print_board import print_board
from .ranging import RangeCalibration, calibrate_range

__all__ = [
    "Acceptance",
    "AlignmentCalibration",
    "BoardKind",
    "Fitness",
    "GyroCalibration",
    "LensCalibration",
    "LensFromFile",
    "Limits",
    "RangeCalibration",
    "accept",
    "calibrate_alignment",
    "calibrate_gyro",
    "calibrate_lens",
    "calibrate_range",
    "check_recording",
    "lens_from_file",
    "parse_board",
    "print_board",
    "read_limits",
]
