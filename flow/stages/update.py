"""Update: what a weighed velocity teaches of the images' errors, the module, motion, height and position."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.anchoring import Position
from flow.anchoring.anchor import Moment
from flow.anchoring.view import Shot
from flow.error_sources import ErrorSource
from flow.faults.turn_check import TurnCheck
from flow.motion.row import velocity_row
from flow.pair.search import HELD_SHARE, Found
from flow.result import Outcome
from flow.row import LevelVelocity
from flow.stages.state import State
from flow.stages.values import Frame, Predicted, Weighed

Array: TypeAlias = NDArray[np.float64]

LASTING_SHARE = 0.35
"""Rows added up over a second miss by so much of what independent errors would (measured: 0.24-0.6)."""

_SLOW_M_S, _MOST_RELIEF = 0.1, 0.5  # slower than that a difference of speed tells no height; and what it may be, of it
_NEW_EACH_ROW = (ErrorSource.GYRO_NOISE, ErrorSource.FRAME_TIMES)  # scatter that is not the image's


def update(state: State, second: Frame, predicted: Predicted, found: Found, row: Weighed) -> Position | None:
    """Learn from a row; give where the body is at its end, where positions are kept and the row is vouched for."""
    _learn_errors(state, predicted, found, row)
    _learn_height(state, predicted, row)
    state.motion.update(
        velocity_row(
            predicted.view, row.velocity_m_s, row.R_level_camera, state.R_body_camera, predicted.tilt,
            row.image_m2_s2, row.effects,
        )
    )  # fmt: skip
    state.expected.add(predicted.view.middle_s, predicted.view.R_still_camera @ row.velocity_m_s)
    return _place(state, second, predicted, row) if row.vouched else None


def update_camera(state: State, predicted: Predicted, outcome: Outcome) -> None:
    """Learn what is wrong with the camera itself from what came of a pair."""
    vouched = isinstance(outcome.velocity, LevelVelocity)
    matches, used, hidden = outcome.matches, outcome.used, outcome.hidden
    if state.camera.learn(predicted.view, matches, used, vouched=vouched, hidden=hidden):
        state.turns = TurnCheck(state.module)  # what turns have said so far was the fault's


def _learn_errors(state: State, predicted: Predicted, found: Found, row: Weighed) -> None:
    solution = found.solution
    if row.relief is not None:
        state.scatter.interrupt()
        found.noise.note_unusual(solution.scale)
        return
    noise = sum(np.square(row.effects[s]).sum(axis=1) for s in _NEW_EACH_ROW if s in row.effects)
    held = found.matches.held > HELD_SHARE
    state.scatter.add(row.level_m_s, row.matches_m2_s2, noise, row.m_s_per_px, held=held)
    found.noise.learn(found.matches, solution.used, solution.miss * state.focal_px, solution.scale)
    if row.vouched:
        state.errors.learn(predicted, found.pair, solution, row.image_m2_s2)


def _learn_height(state: State, predicted: Predicted, row: Weighed) -> None:
    """Let the height hear how fast the ground comes closer, and whether it is uneven."""
    effects, middle_s = row.effects, predicted.view.middle_s
    variance = LASTING_SHARE**2 * row.image_m2_s2[2, 2]
    lasting = {ErrorSource.ACCELERATION, ErrorSource.LIGHT, ErrorSource.ACCELEROMETER}
    if row.relief is None:
        state.height.see_level(middle_s)
    else:
        # Of two heights half of the view each, the effect shows the difference over the root of two.
        share = np.sqrt(2) * np.linalg.norm(row.relief) / max(float(np.linalg.norm(row.level_m_s)), _SLOW_M_S)
        state.height.see_relief(middle_s, min(float(share), _MOST_RELIEF))
        variance += float(np.square(effects[ErrorSource.RELIEF]).sum())  # a bent image climbs
    variance += sum(float(np.square(effects[source][2]).sum()) for source in effects.keys() & lasting)
    lean = np.sqrt(np.square(np.hstack([effects[ErrorSource.TILT], effects[ErrorSource.MOUNTING]])[2]).sum())
    state.height.add_climb(middle_s, float(row.level_m_s[2]), float(np.sqrt(variance)), float(lean))


def _place(state: State, second: Frame, predicted: Predicted, row: Weighed) -> Position | None:
    """Follow the position by a row."""
    if state.positions is None:
        return None
    view, height, acceleration = predicted.view, predicted.height, predicted.acceleration.vector_m_s2
    R_level_camera = row.R_level_camera
    turn = R_level_camera @ view.first_turn() @ state.R_body_camera.T
    return state.positions.follow(
        Moment(
            picture=second.picture,
            shot=Shot(
                time_s=second.time_s,
                turns=view.second_turns(),
                velocity_m_s=view.R_still_camera @ row.velocity_m_s + 0.5 * predicted.interval_s * acceleration,
                acceleration_m_s2=acceleration,
            ),
            interval_s=predicted.interval_s,
            velocity_m_s=row.level_m_s,
            covariance_m2_s2=row.image_m2_s2,
            R_level_still=R_level_camera @ view.R_still_camera.T,
            turned_rad=float(np.arctan2(turn[1, 0], turn[0, 0])),
            distance_m=view.plane.distance_m,
            distance_sigma_m=height.sigma_m,
            tilt_sigma_rad=predicted.tilt.sigma_rad,
            common_px=state.scatter.frame_jitter_px,
            air_scale_sigma=height.air_scale_sigma,
        ),
        registers=not state.light.moves,
    )
