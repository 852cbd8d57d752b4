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
from flow.pair.scatter import ScatterRow
from flow.pair.search import HELD_SHARE, Found
from flow.result import Outcome
from flow.row import LevelVelocity
from flow.stages.state import State
from flow.stages.values import Frame, Predicted, Weighed

Array: TypeAlias = NDArray[np.float64]

LASTING_SHARE = 0.35
"""Rows added up over a second miss by so much of what independent errors would (measured: 0.24-0.6)."""

_SLOW_M_S, _MOST_RELIEF = 0.1, 0.5  # slower than that a difference of speed tells no height; and what it may be, of it
_RESTART_SIGMAS = 4.0  # one in 16,000: a height that changes by more from row to row is not that of before carried on
_NEW_EACH_ROW = (ErrorSource.GYRO_NOISE, ErrorSource.FRAME_TIMES)  # scatter that is not the image's


def update(state: State, second: Frame, predicted: Predicted, found: Found, row: Weighed) -> Position | None:
    """Learn from a row; give where the body is at its end, where positions are kept and the row is vouched for."""
    _learn_errors(state, predicted, found, row)
    if row.vouched:  # what is uncertain would lean the tilt for seconds
        state.tilt.observe_velocity(predicted.view.middle_s, state.R_body_camera @ row.velocity_m_s)
    _learn_height(state, predicted, row)
    still = predicted.view.R_still_camera @ row.velocity_m_s
    state.accelerations.observe(predicted.view.middle_s, still)
    state.expected.add(predicted.view.middle_s, still)
    return _place(state, second, predicted, row) if row.vouched else None


def update_camera(state: State, predicted: Predicted, outcome: Outcome) -> None:
    """Learn what is wrong with the camera itself from what came of a pair."""
    vouched = isinstance(outcome.velocity, LevelVelocity)
    matches, used, hidden = outcome.matches, outcome.used, outcome.hidden
    if state.camera.learn(predicted.view, matches, used, vouched=vouched, hidden=hidden):
        state.turns = TurnCheck(state.module)  # what turns have said so far was the fault's


def _learn_errors(state: State, predicted: Predicted, found: Found, row: Weighed) -> None:
    solution = found.solution
    for search in state.searches:
        search.coded = state.neighbours.coded
    _learn_scatter(state, predicted, found, row)
    if row.relief is not None:
        found.noise.note_unusual(solution.scale)
        return
    found.noise.learn(found.matches, solution.used, solution.miss * state.focal_px, solution.scale)
    if row.vouched:
        state.errors.learn(predicted, found.pair, solution, row.image_m2_s2)


def _learn_scatter(state: State, predicted: Predicted, found: Found, row: Weighed) -> None:
    """Let the scatter hear every row, whatever the checks say of it: else they would choose the rows they are judged by."""
    view, height = predicted.view, predicted.height
    before, state.height_before = state.height_before, height
    if before is not None:
        # A range sensor that hung, or a floor that has stepped, is no error of the image.
        least_m = _RESTART_SIGMAS * min(before.sigma_m, height.sigma_m)
        if abs(height.height_m - before.height_m) > least_m + abs(height.down_m_s) * predicted.interval_s:
            state.scatter.interrupt(scaled=True)
    known = sum((np.square(row.effects[s]).sum(axis=1) for s in _NEW_EACH_ROW if s in row.effects), np.zeros(3))
    state.scatter.add(
        ScatterRow(
            time_s=view.middle_s,
            velocity_m_s=view.R_still_camera @ row.velocity_m_s,
            R_level_still=row.R_level_camera @ view.R_still_camera.T,
            matches_m2_s2=row.matches_m2_s2,
            known_m2_s2=known,
            m_s_per_px=row.m_s_per_px,
            force_m_s=state.force.mean(view.middle_s, predicted.interval_s),
            force_m_s_rts=state.force.noise_m_s_rts,
            held=found.matches.held > HELD_SHARE,
            keyframe=predicted.keyframe,
        )
    )


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
