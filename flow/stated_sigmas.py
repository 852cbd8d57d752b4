"""What a module file states of each source of error: the one-sigma of its figures, in the unit of the source."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias, assert_never

import numpy as np
from numpy.typing import NDArray

from flow.air import LIKELY_AIR_C, air_scale_sigma
from flow.error_sources import ErrorSource

if TYPE_CHECKING:
    from flow.module import Module
    from flow.sections import Range

Array: TypeAlias = NDArray[np.float64]

_NONE = np.empty(0)
_NONE.flags.writeable = False


def stated_sigma(source: ErrorSource, module: Module, height_m: float = 1.0) -> Array:
    """One-sigma (n,) of the n figures of a source by the module file, in the unit of the source; (0,) where it states none.

    Parameters
    ----------
    source
        Which.
    module
        A sigma that the file leaves out counts with its documented default.
    height_m
        At which the range sensor is used: its scale and its offset err together. Infinite for the scale alone.

    Notes
    -----
    Body axes where there are three; fx and fy, as shares, of the focal length. Of the air it is what stays where the flight
    logs its temperature. The gyro's noise is the angle random walk N of IEEE Std 952: one sample at the rate f has the
    one-sigma ``N sqrt(f)``, the angle added up over t has ``N sqrt(t)``, the mean rate over t has ``N / sqrt(t)``.

    Examples
    --------
    >>> from flow import read_module
    >>> from flow.error_sources import ErrorSource
    >>> from flow.stated_sigmas import stated_sigma
    >>> module = read_module("sample_video/flight/module.yaml")
    >>> stated_sigma(ErrorSource.GYRO_NOISE, module).tolist(), len(stated_sigma(ErrorSource.RELIEF, module))
    ([0.00012, 0.00012, 0.00012], 0)
    """
    match source:
        case ErrorSource.HEIGHT:
            return np.array([module.range.noise_m])
        case ErrorSource.RANGE:
            return np.array([np.hypot(module.range.sigma.scale, module.range.sigma.offset_m / height_m)])
        case ErrorSource.AIR:
            return np.array([air_scale_sigma(module.range, LIKELY_AIR_C)])
        case ErrorSource.FOCAL_LENGTH:
            return module.camera.focal_sigma
        case ErrorSource.GYRO_NOISE:
            return module.gyro.noise_per_axis
        case ErrorSource.GYRO_BIAS:
            return np.array(module.gyro.sigma.bias_rad_s)
        case ErrorSource.CLOCK:
            return np.array([module.alignment.sigma.time_offset_s])
        case ErrorSource.MOUNTING:
            return module.alignment.rotation_sigma_rad
        case ErrorSource.LEVER_ARM:
            return np.array(module.alignment.sigma.camera_position_m)
        case (
            ErrorSource.IMAGE | ErrorSource.IMAGE_DRIFT | ErrorSource.GYRO_SCALE | ErrorSource.TILT | ErrorSource.ACCELERATION
            | ErrorSource.FRAME_TIMES | ErrorSource.RELIEF | ErrorSource.LIGHT | ErrorSource.ACCELEROMETER
        ):  # fmt: skip
            return _NONE
        case _:
            assert_never(source)


def range_sigma_m(sensor: Range, height_m: float) -> float:
    """One-sigma of a height by the range sensor's scale and offset, m."""
    return float(np.hypot(sensor.sigma.scale * height_m, sensor.sigma.offset_m))
