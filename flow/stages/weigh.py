"""Weigh: a solution turned into level axes, with its error budget."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.effects import Effects, covariance_of, total_covariance, turned, with_more
from flow.error_sources import ErrorSource
from flow.pair.match_noise import PATCHES
from flow.pair.scatter import grown
from flow.pair.search import Found
from flow.row import level_velocity
from flow.stages.state import State
from flow.stages.values import Predicted, Weighed

Array: TypeAlias = NDArray[np.float64]


def weigh(state: State, predicted: Predicted, found: Found) -> Weighed:
    """Give a solution its covariance, source by source."""
    view, solution = predicted.view, found.solution
    shared = state.errors.effects(predicted, found.pair, solution, state.turns.misfit)
    m_s_per_px = view.plane.distance_m / (state.focal_px * predicted.interval_s)
    relief = _relief(state, predicted, found)
    if relief is not None:
        shared = with_more(shared, ErrorSource.RELIEF, relief)
    if found.light > 0:
        shared = with_more(shared, ErrorSource.LIGHT, np.asarray(found.light * np.linalg.cholesky(solution.covariance)))
    R_level_camera = predicted.tilt.R_level_body @ state.R_body_camera
    own = R_level_camera @ solution.covariance @ R_level_camera.T * state.neighbours.factor(found.pair, solution)
    image = grown(own, state.scatter.common_px2(keyframe=predicted.keyframes > 0), m_s_per_px)
    effects = with_images(state, turned(shared, R_level_camera), image, m_s_per_px)
    covariance = total_covariance(effects)
    jump = state.errors.jump(view, solution, float(np.sqrt(covariance.diagonal().max())))
    if jump is not None:
        relief = (R_level_camera @ jump)[:, None]
        effects = with_more(effects, ErrorSource.RELIEF, relief)
        covariance = covariance + covariance_of(relief)
    velocity = R_level_camera @ solution.velocity_m_s
    return Weighed(
        velocity_m_s=solution.velocity_m_s,
        level=level_velocity(velocity, covariance),
        level_m_s=velocity,
        R_level_camera=R_level_camera,
        matches_m2_s2=own.diagonal(),
        effects=effects,
        relief=relief,
        m_s_per_px=m_s_per_px,
    )


def with_images(state: State, effects: Effects, image_m2_s2: Array, m_s_per_px: float) -> Effects:
    """Add to effects in level axes what the two images do: their covariance (3, 3), and what lasts from row to row."""
    drift = np.diag(np.sqrt(state.baselines.closure.lasting_px2) * m_s_per_px)
    effects = with_more(effects, ErrorSource.IMAGE, np.asarray(np.linalg.cholesky(image_m2_s2), np.float64))
    return with_more(effects, ErrorSource.IMAGE_DRIFT, drift)


def _relief(state: State, predicted: Predicted, found: Found) -> Array | None:
    """Effects (3, k), camera axes, of ground that is not one plane; None where it may be one."""
    tilt_rad, alike = predicted.tilt.sigma_rad, state.neighbours.across
    relief = state.relief.error(found.pair, found.solution, found.noise.scale, tilt_rad, alike)
    if not found.relief:
        return relief
    # What the range sensor meets and the mean of the view differ by as much as patches of relief average to.
    common = found.relief / np.sqrt(PATCHES) * found.solution.velocity_m_s[:, None]
    return common if relief is None else np.hstack([relief, common])
