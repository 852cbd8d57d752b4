"""What a module file is wrong by where it is wrong, figure by figure, and when a flight determines a figure at all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.judging import SURE
from calib.turn_model import UNKNOWNS
from flow.error_sources import ErrorSource
from flow.module import Module
from flow.stated_sigmas import stated_sigma as module_sigma

Array: TypeAlias = NDArray[np.float64]

LENS_PX = 0.25
"""What a calibrated lens leaves somewhere in the view, px (common practice: a residual of a quarter of a pixel RMS)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """Figures of the module file that are found, and wrong, together.

    ``places`` in ``calib.turn_model.UNKNOWNS``; ``off`` is the one-sigma by which a file that is wrong is wrong (common
    practice); ``least`` and ``most`` are the values that any module can have, in the same unit.
    """

    name: str
    topic: str
    places: tuple[int, ...]
    off: float
    least: float = -np.inf
    most: float = np.inf

    def determined(self, difference: Array | float, sigma: Array | float, by_module: Array | float = 0.0) -> bool:
        """Whether a difference from the module file says something of the module.

        It must give a value that a module can have, and be either known so well that a file that is off by ``off`` would
        show, or plain by itself. Else it says more of the fit than of the module.
        """
        difference, spare = np.asarray(difference, np.float64), SURE * np.asarray(sigma, np.float64)
        value = by_module + difference
        possible = (value > self.least - spare) & (value < self.most + spare)
        return bool((possible & (spare <= np.maximum(self.off, np.abs(difference)))).all())


FIGURES = {
    figure.name: figure
    for figure in (
        # Some frames; a camera bumped or glued on askew; a cheap MEMS gyro; a frame's time; another lens or picture size.
        Figure(name="clock offset", topic="clock", places=(3,), off=0.05),
        Figure(name="mounting", topic="mounting", places=(0, 1, 2), off=0.2, least=-np.pi, most=np.pi),
        Figure(name="gyro bias", topic="gyro", places=(4, 5, 6), off=0.05, least=-0.35, most=0.35),
        Figure(name="readout", topic="lens", places=(9,), off=0.02, least=0.0, most=0.2),
        Figure(name="focal length", topic="lens", places=(10,), off=0.3),
        Figure(name="distortion", topic="lens", places=(11, 12), off=0.3),
    )
}
"""By name."""


def stated_sigma(module: Module) -> Array:
    """One-sigma (13,) that the module file itself gives its figures, in the order of ``UNKNOWNS``.

    Of the lens at least what a calibrated one leaves at the picture's corner.
    """
    camera = module.camera
    focal_px = 0.5 * (camera.fx_px + camera.fy_px)
    corner = 0.5 * float(np.hypot(camera.width_px, camera.height_px)) / focal_px
    terms = LENS_PX / focal_px / corner ** np.array([3.0, 5.0])
    given = np.array(camera.sigma.distortion[:2])
    terms[: len(given)] = np.hypot(terms[: len(given)], given)
    return np.concatenate(
        [
            module_sigma(ErrorSource.MOUNTING, module),
            module_sigma(ErrorSource.CLOCK, module),
            module_sigma(ErrorSource.GYRO_BIAS, module),
            [0.0, 0.0, camera.sigma.readout_s],
            [np.hypot(module_sigma(ErrorSource.FOCAL_LENGTH, module).max(), LENS_PX / focal_px / corner)],
            terms,
        ]
    )


def prior_sigma() -> Array:
    """One-sigma (13,) in the order of ``UNKNOWNS`` of a file that is wrong; infinite for the ground's tilt."""
    sigma = np.full(len(UNKNOWNS), np.inf)
    for figure in FIGURES.values():
        sigma[list(figure.places)] = figure.off
    return sigma
