"""How each source of error of the rows goes into the position."""

from __future__ import annotations

from enum import Enum, auto
from typing import TypeAlias, assert_never

import numpy as np
from numpy.typing import NDArray

from flow.effects import Effects, covariance_of
from flow.per_source import PerSource

Array: TypeAlias = NDArray[np.float64]


class Along(Enum):
    """How an error of the velocity adds up along the path."""

    FRESH = auto()
    """New in every row: rows add up as independent errors do."""
    CARRIED = auto()
    """The same for many rows: it adds up as it is, until the next image is registered against the anchor."""
    DISTANCE = auto()
    """An error of the anchor's distance: all that is counted from the anchor is wrong by the same share."""
    SCALE = auto()
    """A share of the whole path."""
    HEADING = auto()
    """Turns the whole path."""


ALONG = PerSource(
    image=Along.FRESH,
    image_drift=Along.CARRIED,
    height=Along.DISTANCE,
    range=Along.SCALE,
    air=Along.SCALE,
    focal_length=Along.SCALE,
    gyro_noise=Along.FRESH,
    gyro_bias=Along.CARRIED,
    gyro_scale=Along.CARRIED,
    clock=Along.CARRIED,
    mounting=Along.HEADING,
    tilt=Along.CARRIED,
    lever_arm=Along.CARRIED,
    acceleration=Along.CARRIED,
    frame_times=Along.FRESH,
    relief=Along.CARRIED,
    light=Along.CARRIED,
    accelerometer=Along.CARRIED,
)
"""By source. The gyro's errors turn the path besides (:mod:`flow.anchoring.turn`)."""


def row_errors(effects: Effects) -> tuple[Array, Array]:
    """Covariances (3, 3) of a row's velocity, m^2/s^2: of what is new in it, and of what goes on.

    What scales or turns the path is in neither.
    """
    fresh, carried = np.zeros((3, 3)), np.zeros((3, 3))
    for source, effect in effects.items():
        match ALONG[source]:
            case Along.FRESH:
                fresh += covariance_of(effect)
            case Along.CARRIED:
                carried += covariance_of(effect)
            case Along.DISTANCE | Along.SCALE | Along.HEADING:
                pass
            case _ as missing:
                assert_never(missing)
    return fresh, carried


def root(covariance: Array) -> Array:
    """Symmetric root (n, n) of a covariance (n, n)."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)) @ vectors.T)
