"""Refine: the newest row's speed from a baseline of several pairs and the accelerometer, where that is worth its time.

Only a row that is vouched for is refined: every check has judged the pair itself before. The equations are those of a pair
with a longer interval; what the speed changed by since the baseline's middle is added. Without an accelerometer nothing tells that:
a hand that shakes and a codec that shifts images leave the same third differences, so a row stays its own pair's then.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.effects import Effects, covariance_of, total_covariance, turned, with_more
from flow.error_sources import ErrorSource
from flow.motion.change import Change
from flow.pair.baseline import LONGEST_S, WORTH, choose
from flow.pair.geometry import PairView, Plane
from flow.pair.inertial_window import WindowRow
from flow.pair.scatter import grown
from flow.pair.search import Found
from flow.row import LevelVelocity, level_velocity
from flow.stages.baselines import Past
from flow.stages.state import State
from flow.stages.values import Frame, Predicted, Solved, Weighed
from flow.stages.weigh import with_images
from flow.tilt import Tilt
from flow.tracks import Picture

Array: TypeAlias = NDArray[np.float64]

_GATE = 16.3  # rate: 1 in 1000 honest rows, chi-square of 3: a row that its own pair contradicts stays the pair's
_BY_IMAGES = (ErrorSource.IMAGE, ErrorSource.IMAGE_DRIFT)
# size: rows and pairs, cost only: between two closures where no baseline is used, and of one
_PROBE_EVERY, _PROBE = 16, 4
# size: rows a baseline, that are learnt from: of an error as long as one a straight line over 24 of them takes a tenth
_HEARD = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Registered:
    """A registration over ``pairs`` pairs; ``mean_m_s`` (3,) is the mean velocity of those, local inertial frame."""

    pairs: int
    mean_m_s: Array
    predicted: Predicted
    found: Found


def refine(state: State, frames: tuple[Frame, Frame], images: tuple[Picture, Picture], pair: Solved) -> Solved:
    """Give the row by the best baseline; the pair as it is where that is it."""
    memory, predicted, row = state.baselines, pair.predicted, pair.row
    if memory.search is None or not row.plain or state.light.moves:
        memory.interrupt()
        return pair
    moved = predicted.view.R_still_camera @ row.velocity_m_s * predicted.interval_s
    memory.past.append(Past(frames[0].time_s, images[0], bool(frames[0].keyframe), moved))
    pairs, change = _choose(state, predicted, row)
    memory.rows_since += 1
    probes = pairs == 1 and memory.rows_since >= _PROBE_EVERY and len(memory.past) >= _PROBE
    if pairs == 1 and not probes:
        return pair
    end = _registered(state, frames[1], images[1], predicted, _PROBE if probes else pairs)
    best = None if end is None else _weighed(state, predicted, row, end, None if probes else change)
    if end is None or best is None:
        return pair
    return Solved(end.predicted, end.found, best)


def _choose(state: State, predicted: Predicted, row: Weighed) -> tuple[int, Change | None]:
    """Choose how many pairs the baseline spans, and tell what the speed changed by."""
    memory, view = state.baselines, predicted.view
    # That the speed wanders against the force is a doubt of the pairs, which need not be as wrong: it stays in the band.
    image, whole = row.images_m2_s2, row.whole_m2_s2 - row.variance_m2_s2(ErrorSource.ACCELEROMETER)
    if image <= (1 - WORTH) * whole:
        return 1, None  # even without any error of the image too little would be won
    frames_s = np.array([each.time_s for each in memory.past if view.second_s - each.time_s <= LONGEST_S])
    change = state.motion.change(np.append(frames_s, view.second_s)) if len(frames_s) > 1 else None
    if change is None:
        return 1, None  # nothing tells the change of speed
    pairs = np.arange(2.0, len(frames_s) + 1)
    matches = float(row.matches_m2_s2[:2].mean())
    if len(memory.windows):
        image = max(matches + float(memory.windows.common_px2()[0]) * row.m_s_per_px**2, 0.0)
    unsure = change.covariance_m2_s2.trace(axis1=1, axis2=2) / 3
    shared = _shared(state, view, row, pairs)
    return choose(pairs, shared, whole, row.images_m2_s2, image, unsure), change


def _shared(state: State, view: PairView, row: Weighed, pairs: Array) -> Array:
    """Share of the view (K,) that both ends of baselines see, if the image moves on as in the newest pair."""
    size = np.array([state.module.camera.width_px, state.module.camera.height_px])
    middle = 0.5 * (size - 1)[None]
    shift = np.abs(view.predict(middle, row.velocity_m_s) - middle)[0] / size
    return np.asarray(np.prod(np.maximum(1 - pairs[:, None] * np.nan_to_num(shift, nan=1.0), 0.0), axis=1))


def _registered(state: State, second: Frame, image: Picture, predicted: Predicted, pairs: int) -> _Registered | None:
    """Register the newest image with the one so many pairs before; None where they cannot be brought together."""
    memory = state.baselines
    assert memory.search is not None
    past = [memory.past[-k] for k in range(pairs, 0, -1)]
    acceleration = state.motion.acceleration(past[0].time_s, second.time_s)
    span_s = second.time_s - past[0].time_s
    middle_s = 0.5 * (past[0].time_s + second.time_s)
    R_still_camera = state.rotations.matrices(np.array([middle_s]))[0] @ state.R_body_camera
    down = predicted.view.plane.down @ predicted.view.R_still_camera.T @ R_still_camera
    down_body = state.R_body_camera @ down
    since_s = predicted.view.middle_s - middle_s
    height = replace(predicted.height, height_m=predicted.height.height_m + since_s * predicted.height.down_m_s)
    camera_m = height.height_m - float(np.dot(state.module.alignment.camera_position_m, down_body))
    view = PairView(
        state.lens, state.module, state.rotations, past[0].time_s, second.time_s,
        Plane(down=down, distance_m=camera_m), acceleration.vector_m_s2,
    )  # fmt: skip
    start = np.sum([each.moved_m for each in past], axis=0) / span_s
    found = memory.search.near(past[0].picture, image, view, start @ view.R_still_camera)
    if found is None:
        return None
    found.noise.learn(found.matches, found.solution.used, found.solution.miss * state.focal_px, found.solution.scale)
    baseline = Predicted(
        view=view, expected_m_s=None, tilt=Tilt(down_body=down_body, sigma_rad=predicted.tilt.sigma_rad), height=height,
        acceleration=acceleration, interval_sigma_s=predicted.interval_sigma_s,
        keyframes=past[0].keyframe + bool(second.keyframe),
    )  # fmt: skip
    return _Registered(pairs=pairs, mean_m_s=start, predicted=baseline, found=found)


def _weighed(
    state: State, predicted: Predicted, row: Weighed, end: _Registered, change: Change | None
) -> Weighed | None:
    """Give the registration its error budget, hold it against the pairs; give the row by it and the change of speed, if known."""
    memory, view, solution = state.baselines, end.predicted.view, end.found.solution
    R_level_still = row.R_level_camera @ predicted.view.R_still_camera.T
    R_level_camera = R_level_still @ view.R_still_camera
    own = R_level_camera @ solution.covariance @ R_level_camera.T
    own = own * memory.neighbours.factor(end.found.pair, solution)
    px = view.plane.distance_m / (state.focal_px * end.predicted.interval_s)
    image = grown(own, _common_px2(state, end), px)
    still = view.R_still_camera @ solution.velocity_m_s
    mean = R_level_still @ (end.mean_m_s - still)
    memory.close(view.second_s, mean, row.image_m2_s2.diagonal(), image.diagonal(), row.m_s_per_px, end.pairs)
    if change is None:
        return None
    shared = state.errors.effects(end.predicted, end.found.pair, solution, state.turns.misfit)
    effects = with_images(state, turned(shared, R_level_camera), image, px)
    _learn(state, end, R_level_still, own.diagonal(), still, effects, px)
    added, covariance = change.vector_m_s[end.pairs - 2], change.covariance_m2_s2[end.pairs - 2]
    unsure = np.asarray(np.linalg.cholesky(R_level_still @ covariance @ R_level_still.T), np.float64)
    effects = with_more(effects, ErrorSource.ACCELERATION, unsure)
    velocity = R_level_still @ (still + added)
    apart = velocity - row.level_m_s
    spread = (
        sum(covariance_of(each[source]) for each in (effects, row.effects) for source in _BY_IMAGES) + unsure @ unsure.T
    )
    strange = float(apart @ np.linalg.solve(spread, apart)) > _GATE
    if strange and not _likelier(state, predicted, row, R_level_still.T @ velocity):
        return None
    level = level_velocity(velocity, total_covariance(effects))
    if not isinstance(level, LevelVelocity):
        return None
    return replace(row, level=level, level_m_s=velocity, effects=effects, pairs=end.pairs)


def _likelier(state: State, predicted: Predicted, row: Weighed, refined_m_s: Array) -> bool:
    """Whether a velocity (3,), local inertial frame, is closer to what rows before and force let expect than the pair's own."""
    expected, pair = state.motion.velocity(), predicted.view.R_still_camera @ row.velocity_m_s
    return expected is not None and bool(np.linalg.norm(refined_m_s - expected) < np.linalg.norm(pair - expected))


def _common_px2(state: State, end: _Registered) -> Array:
    """Variance (3,) that all matches share, px^2: as baselines have shown it, or as pairs before they have."""
    windows, keyframe = state.baselines.windows, end.predicted.keyframes > 0
    if not len(windows):
        return state.scatter.common_px2(keyframe=keyframe)
    keyed = windows.keyframe_px2() if keyframe else None
    common = windows.common_px2()
    return common if keyed is None else np.maximum(common, [keyed, keyed, -np.inf])


def _learn(
    state: State, end: _Registered, R_level_still: Array, own: Array, still: Array, effects: Effects,
    m_s_per_px: float,
) -> None:  # fmt: skip
    """Let the windows hear every fifth of a baseline: neighbours share their images, and a window must span many of them."""
    memory, view = state.baselines, end.predicted.view
    memory.rows_unheard += 1
    if _HEARD * memory.rows_unheard < end.pairs:
        return
    memory.rows_unheard = 0
    force = state.force.mean(view.middle_s, end.predicted.interval_s)
    assert force is not None  # it tells the change of speed over the same time
    memory.windows.add(
        WindowRow(
            time_s=view.middle_s,
            velocity_m_s=still,
            force_m_s=force,
            R_level_still=R_level_still,
            matches_m2_s2=own,
            known_m2_s2=np.square(effects.gyro_noise).sum(axis=1),
            m_s_per_px=m_s_per_px,
            force_m_s_rts=state.force.noise_m_s_rts,
            keyframe=end.predicted.keyframes > 0,
        )
    )
