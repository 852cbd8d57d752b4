"""Errors that all points of a row share: by the module's own sigmas, and by what this flight says against its figures."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.camera import Lens
from flow.effects import Effects, with_more
from flow.error_sources import ErrorSource
from flow.faults.doubts import Doubts
from flow.faults.inertia_check import InertiaCheck, RowSeen
from flow.faults.turn_check import Misfit
from flow.force_sum import ForceSum
from flow.height import Height
from flow.module import Module
from flow.pair.equations import PairGeometry
from flow.pair.geometry import PairView
from flow.pair.shared_errors import UnitEffects, shared_errors, unit_effects
from flow.pair.velocity import Solution
from flow.rotation import RotationLog
from flow.stages.values import Predicted

Array: TypeAlias = NDArray[np.float64]


class RowErrors:
    """Tells the shared errors of each row; rows are held against the accelerometer, so that it learns on the way.

    Parameters
    ----------
    module, lens
        The module, with its sigmas, and its lens.
    rotations, force
        What turned and pushed the body.
    foreseen
        What the rows are known to say against the module.
    """

    def __init__(self, module: Module, lens: Lens, rotations: RotationLog, force: ForceSum, foreseen: Doubts) -> None:
        self._module, self._lens = module, lens
        self._rotations = rotations
        self._R_body_camera = module.alignment.R_body_camera.as_matrix()
        self._inertia = InertiaCheck(module, force, foreseen)

    @property
    def doubts(self) -> Doubts:
        """What the rows so far say against the module."""
        return self._inertia.found

    @property
    def scale_sigma(self) -> float:
        """See :class:`InertiaCheck`."""
        return self._inertia.scale_sigma

    def effects(self, predicted: Predicted, pair: PairGeometry, solution: Solution, misfit: Misfit) -> Effects:
        """One-sigma effects by source, each (3, k), m/s, camera axes; ``misfit`` is what the picture's turn says."""
        view, interval_s = predicted.view, predicted.interval_s
        units = self._units(view, pair, solution, predicted.height)
        effects = shared_errors(
            self._module, units, height=predicted.height, tilt=predicted.tilt, interval_s=interval_s,
            acceleration_sigma_m_s2=predicted.acceleration.sigma_m_s2, interval_sigma_s=predicted.interval_sigma_s,
        )  # fmt: skip
        # What the picture says against the module's clock and focal length, before it is enough to refuse them.
        effects = replace(
            effects,
            clock=effects.clock * _grown(misfit.clock_s, self._module.alignment.sigma.time_offset_s),
            focal_length=effects.focal_length * _grown(misfit.focal, self._module.camera.focal_sigma.min()),
        )
        rate = self._rotations.rate(view.middle_s, interval_s)
        for source, effect in self._inertia.doubts(units, solution.velocity_m_s, interval_s, rate).items():
            effects = with_more(effects, source, effect)
        wandering = self._inertia.wandering_m_s(view.middle_s)
        if wandering.any():
            effects = with_more(effects, ErrorSource.ACCELEROMETER, view.R_still_camera.T * wandering)
        return effects

    def jump(self, view: PairView, solution: Solution, sigma_m_s: float) -> Array | None:
        """Give what a velocity has too much by the force (3,), camera axes; see :meth:`InertiaCheck.jump`."""
        still = view.R_still_camera @ solution.velocity_m_s
        jump = self._inertia.jump(view.middle_s, view.second_s - view.first_s, still, sigma_m_s)
        return None if jump is None else np.asarray(jump @ view.R_still_camera)

    def learn(self, predicted: Predicted, pair: PairGeometry, solution: Solution, image: Array) -> None:
        """Hold a row against the force; ``image`` (3, 3) is its covariance by the picture, level axes."""
        view, interval_s, tilt, height = predicted.view, predicted.interval_s, predicted.tilt, predicted.height
        R_still_camera = view.R_still_camera
        velocity = R_still_camera @ solution.velocity_m_s
        R_still_level = R_still_camera @ (tilt.R_level_body @ self._R_body_camera).T
        still_image = R_still_level @ image @ R_still_level.T
        expected = self._inertia.expected(view.middle_s, interval_s)
        if expected is None:
            self._inertia.begin(
                view.middle_s,
                interval_s,
                velocity,
                tilt_sigma_rad=tilt.sigma_rad,
                height_sigma_m=height.sigma_m,
                image_m2_s2=still_image.diagonal(),
            )
            return
        units = self._units(view, pair, solution.at(expected @ R_still_camera), height)
        self._inertia.learn(
            RowSeen(
                time_s=view.middle_s,
                interval_s=interval_s,
                velocity_m_s=velocity,
                expected_m_s=expected,
                covariance=still_image,
                units=units.turned(R_still_camera),
                R_still_body=R_still_camera @ self._R_body_camera.T,
                R_still_camera=R_still_camera,
                tilt_sigma_rad=tilt.sigma_rad,
                height_sigma_m=height.sigma_m,
                rate_rad_s=self._rotations.rate(view.middle_s, interval_s),
            )
        )

    def rate_change(self, view: PairView) -> Array:
        """Body rate over the rows of the second frame less that over those of the first, camera axes."""
        readout_s = self._module.camera.readout_s
        change = self._rotations.rate(view.second_s, readout_s) - self._rotations.rate(view.first_s, readout_s)
        return np.asarray(change @ self._R_body_camera)

    def _units(self, view: PairView, pair: PairGeometry, solution: Solution, height: Height) -> UnitEffects:
        return unit_effects(
            self._module, self._lens, pair, solution, height=height, turned_rad=view.turned_rad(),
            rate_change_rad_s=self.rate_change(view), interval_s=view.second_s - view.first_s,
        )  # fmt: skip


def _grown(found: float, sigma: float) -> float:
    """How many times the one-sigma effect counts where an error was found, too."""
    return float(np.hypot(1, found / sigma)) if sigma > 0 else 1.0
