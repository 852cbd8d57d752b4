"""Figures that are constant throughout a flight, and that the filter considers without learning them.

An error of the focal length is the same in every row: it does not average out, it is not new in every row, and what the
accelerometer says of changes of speed takes part of it out. So each figure has a column beside the covariance: the error of
every state by one sigma of it. The columns go through the very steps, gains and smoothing of the state's own errors, which are
linear; their outer products are what the figures add to the covariance. (Considered parameters of a filter: Schmidt 1966,
"Application of state-space methods to navigation problems", Advances in Control Systems 3; Bierman 1977, "Factorization
methods for discrete sequential estimation", chapter 8. The gain is the one that knows nothing of them.)
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.anchoring.sight import Sight
from flow.error_sources import SOURCES, ErrorSource
from flow.fusion.heard import HEARD, Heard
from flow.module import Module
from flow.rotation import skew
from flow.stated_sigmas import stated_sigma

Array: TypeAlias = NDArray[np.float64]

BY_ROWS = tuple(source for source in SOURCES if HEARD[source] is Heard.CONSIDERED)
"""Sources whose figures the rows carry; each takes as many columns as it has figures."""

BY_RANGES = tuple(source for source in SOURCES if HEARD[source] is Heard.RANGING)
"""Sources whose figures range readings carry."""

_COUNTS = [source.figures for source in (*BY_ROWS, *BY_RANGES)]
_STOPS = np.cumsum(_COUNTS)
FIGURES = int(_STOPS[-1])
"""All of them."""

WHERE = {
    source: slice(int(stop) - count, int(stop))
    for source, count, stop in zip((*BY_ROWS, *BY_RANGES), _COUNTS, _STOPS, strict=True)
}
"""The columns of each."""

OF_ROWS = slice(0, WHERE[BY_RANGES[0]].start)
"""The columns of :attr:`flow.fusion.inputs.ImageRow.considered_m_s` among all."""


def ranging(range_sigma_m: float, air_share: float, height_m: float) -> Array:
    """Errors (FIGURES,) of a height that a range reading means, m."""
    columns = np.zeros(FIGURES)
    columns[WHERE[ErrorSource.RANGE]] = range_sigma_m
    columns[WHERE[ErrorSource.AIR]] = air_share * height_m
    return columns


class SightColumns:
    """Errors of what a sight shows of way and turn, by the figures that rows carry too.

    Parameters
    ----------
    module
        The module, with its sigmas.

    Notes
    -----
    Signs are those of :class:`flow.pair.shared_errors.UnitEffects`: a figure that is considered shows in rows and sights alike.
    """

    def __init__(self, module: Module) -> None:
        self._R_body_camera = module.alignment.R_body_camera.as_matrix()
        self._sigma = {source: stated_sigma(source, module) for source in BY_ROWS}

    def of(self, sight: Sight, gained: Array) -> Array:
        """Give (6, FIGURES): way (3,), m, and turn (3,), rad, in body axes at the anchor.

        Parameters
        ----------
        sight
            What is seen.
        gained
            (6,) velocity, m/s, and rate, rad/s, of the body now less those at the anchor, in its axes at the anchor.
        """
        columns = np.zeros((6, FIGURES))
        for source in BY_ROWS:
            columns[:, WHERE[source]] = self._unit(source, sight, gained) * self._sigma[source]
        return columns

    def _unit(self, source: ErrorSource, sight: Sight, gained: Array) -> Array:
        R, way = sight.R_anchor_now, sight.way_m
        if source is ErrorSource.FOCAL_LENGTH:
            # A picture's motion along its rows is shift and turn about its columns, both too small where fx is too long.
            along, about = self._R_body_camera.T @ way, self._R_body_camera.T @ _rotation_vector(R)
            by_way, by_turn = np.zeros((3, 2)), np.zeros((3, 2))
            by_way[0, 0], by_way[1, 1] = -along[0], -along[1]
            by_turn[1, 0], by_turn[0, 1] = -about[1], -about[0]
            return np.vstack([self._R_body_camera @ by_way, self._R_body_camera @ by_turn])
        if source is ErrorSource.MOUNTING:
            return np.vstack([_cross(way), R - np.eye(3)])
        if source is ErrorSource.LEVER_ARM:
            return np.vstack([R - np.eye(3), np.zeros((3, 3))])
        if source is ErrorSource.CLOCK:
            return gained[:, None]
        raise NotImplementedError(source)


def _rotation_vector(R: Array) -> Array:
    """Turn vector (3,) of a rotation by less than half a radian, to second order."""
    return 0.5 * np.array([R[2, 1] - R[1, 2], R[0, 2] - R[2, 0], R[1, 0] - R[0, 1]])


def _cross(vector: Array) -> Array:
    return np.asarray(skew(vector[None])[0])
