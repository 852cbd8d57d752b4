"""Update: what a weighed velocity teaches of the images' errors, the module, motion, height and position."""

from __future__ import annotations

from enum import Enum, auto
from typing import TypeAlias, assert_never

import numpy as np
from numpy.typing import NDArray

from flow.anchoring import Position
from flow.anchoring.anchor import Moment
from flow.anchoring.path_errors import row_errors
from flow.anchoring.view import Shot
from flow.effects import Effects
from flow.error_sources import SOURCES, ErrorSource, Lasts
from flow.faults.turn_check import TurnCheck
from flow.motion.row import velocity_row
from flow.pair.scatter import ScatterRow
from flow.pair.search import HELD_SHARE, Found
from flow.per_source import PerSource
from flow.result import Outcome
from flow.row import LevelVelocity
from flow.stages.state import State
from flow.stages.values import Frame, Predicted, Solved, Weighed

Array: TypeAlias = NDArray[np.float64]

LASTING_SHARE = 0.35
"""Rows added up over a second miss by so much of what independent errors would (measured: 0.24-0.6)."""

_NEW_EACH_ROW = tuple(s for s in SOURCES if s.lasts in (Lasts.PAIR, Lasts.FRAME) and s is not ErrorSource.IMAGE)

_SLOW_M_S, _MOST_RELIEF = 0.1, 0.5  # slower than that a difference of speed tells no height; and what it may be, of it
_RESTART_SIGMAS = (
    4.0  # rate: 1 in 16,000, a height that changes by more from row to row is not that of before carried on
)


class _Climb(Enum):
    """How the height takes what a source does to the vertical velocity."""

    IMAGE = auto()
    """White noise, of which sums over a second keep :data:`LASTING_SHARE`."""
    NEW = auto()
    """White noise, as large as the effect."""
    RELIEF = auto()
    """White noise, as large as the effect on all axes: a bent image climbs."""
    LEAN = auto()
    """A part of the level velocity that stays for seconds: the height's own lean state."""
    SCALE = auto()
    """A share of the climb: the height is wrong by the same share."""
    SMALL = auto()
    """Of second order in a vertical velocity."""


_CLIMB = PerSource(
    image=_Climb.IMAGE,
    image_drift=_Climb.NEW,
    height=_Climb.SCALE,
    range=_Climb.SCALE,
    air=_Climb.SCALE,
    focal_length=_Climb.SMALL,
    gyro_noise=_Climb.SMALL,
    gyro_bias=_Climb.SMALL,
    gyro_scale=_Climb.SMALL,
    clock=_Climb.SMALL,
    mounting=_Climb.LEAN,
    tilt=_Climb.LEAN,
    lever_arm=_Climb.SMALL,
    acceleration=_Climb.NEW,
    frame_times=_Climb.SMALL,
    relief=_Climb.RELIEF,
    light=_Climb.NEW,
    accelerometer=_Climb.NEW,
)


def update(state: State, second: Frame, pair: Solved, best: Solved) -> Position | None:
    """Learn from a pair and from the best row; give where the body is at its end, where that is kept and the row vouched for."""
    predicted, row = pair.predicted, pair.row
    _learn_errors(state, pair, best)
    _learn_height(state, predicted, row)
    turns = row.R_level_camera, state.R_body_camera
    state.motion.update(velocity_row(predicted.view, row.velocity_m_s, *turns, predicted.tilt, row.effects))
    state.expected.add(predicted.view.middle_s, predicted.view.R_still_camera @ row.velocity_m_s)
    return _place(state, second, predicted, row) if row.vouched else None


def update_camera(state: State, predicted: Predicted, outcome: Outcome) -> None:
    """Learn what is wrong with the camera itself from what came of a pair."""
    vouched = isinstance(outcome.velocity, LevelVelocity)
    matches, used, hidden = outcome.matches, outcome.used, outcome.hidden
    if state.camera.learn(predicted.view, matches, used, vouched=vouched, hidden=hidden):
        state.turns = TurnCheck(state.module)  # what turns have said so far was the fault's


def _learn_errors(state: State, pair: Solved, best: Solved) -> None:
    found, row, solution = pair.found, pair.row, pair.found.solution
    for search in state.searches:
        search.coded = state.neighbours.coded
    _learn_scatter(state, pair.predicted, found, row)
    if row.relief is not None:
        found.noise.note_unusual(solution.scale)
        return
    found.noise.learn(found.matches, solution.used, solution.miss * state.focal_px, solution.scale)
    if row.vouched:
        state.errors.learn(best.predicted, best.found.pair, best.found.solution, best.row.image_m2_s2)


def _learn_scatter(state: State, predicted: Predicted, found: Found, row: Weighed) -> None:
    """Let the scatter hear every row, whatever the checks say of it: else they would choose the rows they are judged by."""
    view, height = predicted.view, predicted.height
    before, state.height_before = state.height_before, height
    if before is not None:
        # A range sensor that hung, or a floor that has stepped, is no error of the image.
        least_m = _RESTART_SIGMAS * min(before.sigma_m, height.sigma_m)
        if abs(height.height_m - before.height_m) > least_m + abs(height.down_m_s) * predicted.interval_s:
            state.scatter.interrupt(scaled=True)
    known = np.square(np.hstack([row.effects[source] for source in _NEW_EACH_ROW])).sum(axis=1)
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
            keyframes=predicted.keyframes,
        )
    )


def _learn_height(state: State, predicted: Predicted, row: Weighed) -> None:
    """Let the height hear how fast the ground comes closer, and whether it is uneven."""
    middle_s = predicted.view.middle_s
    variance, lean = climb_errors(row.effects)
    if row.relief is None:
        state.height.see_level(middle_s)
    else:
        # Of two heights half of the view each, the effect shows the difference over the root of two.
        share = np.sqrt(2) * np.linalg.norm(row.relief) / max(float(np.linalg.norm(row.level_m_s)), _SLOW_M_S)
        state.height.see_relief(middle_s, min(float(share), _MOST_RELIEF))
    state.height.add_climb(middle_s, float(row.level_m_s[2]), float(np.sqrt(variance)), float(np.sqrt(lean)))


def climb_errors(effects: Effects) -> tuple[float, float]:
    """Variances of a row's vertical velocity, m^2/s^2: of what is new in each row, and of what leans it for seconds."""
    fresh = leaning = 0.0
    for source, effect in effects.items():
        match _CLIMB[source]:
            case _Climb.IMAGE:
                fresh += LASTING_SHARE**2 * float(np.square(effect[2]).sum())
            case _Climb.NEW:
                fresh += float(np.square(effect[2]).sum())
            case _Climb.RELIEF:
                fresh += float(np.square(effect).sum())
            case _Climb.LEAN:
                leaning += float(np.square(effect[2]).sum())
            case _Climb.SCALE | _Climb.SMALL:
                pass
            case _ as missing:
                assert_never(missing)
    return fresh, leaning


def _place(state: State, second: Frame, predicted: Predicted, row: Weighed) -> Position | None:
    """Follow the position by a row."""
    if state.positions is None:
        return None
    view, height, acceleration = predicted.view, predicted.height, predicted.acceleration.vector_m_s2
    R_level_camera = row.R_level_camera
    fresh, carried = row_errors(row.effects)
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
            covariance_m2_s2=fresh,
            carried_m2_s2=carried,
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
