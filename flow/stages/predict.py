"""Predict: rotation, tilt, height, velocity and acceleration of a pair, before its images are compared."""

from __future__ import annotations

import numpy as np

from flow.pair.geometry import LONGEST_INTERVAL_S, PairView, Plane
from flow.stages.state import State
from flow.stages.values import Frame, Predicted, Refused

_LEAST_DOWN = 0.5  # size: cosine, of 60 degrees: beyond, the plane is seen too flat
_LEAST_CAMERA_M = 0.02  # size: m, on the ground


def predict(state: State, first: Frame, second: Frame) -> Predicted | Refused:
    """Tell what is known of the pair of two frames, or why it cannot be measured."""
    middle_s, half_readout_s = 0.5 * (first.time_s + second.time_s), 0.5 * state.module.camera.readout_s
    if second.time_s - first.time_s > LONGEST_INTERVAL_S:
        return Refused(reason="frame_gap")  # readings since then tell the height now, not in its middle
    height = state.height.at(middle_s)
    if not state.rotations.covers(first.time_s - half_readout_s, second.time_s + half_readout_s):
        return Refused(reason="no_gyro", height=height)
    tilt = state.tilt.at(middle_s)
    if tilt is None:
        return Refused(reason="no_attitude", height=height)
    if height is None:
        return Refused(reason="height_out_of_range" if state.height.beyond_limits else "no_height")
    down = tilt.down_body @ state.R_body_camera
    camera_m = height.height_m - float(np.dot(state.module.alignment.camera_position_m, tilt.down_body))
    if down[2] < _LEAST_DOWN or camera_m < _LEAST_CAMERA_M:
        return Refused(reason="too_tilted", height=height)
    times = first.time_s, second.time_s
    # A search starts from what the images have shown of late, shadows and dirt among it, not from how the body moves.
    expected = state.expected.at(middle_s)
    velocity, acceleration = None if expected is None else expected[0], state.motion.acceleration(*times)
    plane = Plane(down=down, distance_m=camera_m)
    view = PairView(state.lens, state.module, state.rotations, *times, plane, acceleration.vector_m_s2)
    return Predicted(
        view=view,
        expected_m_s=None if velocity is None else velocity @ view.R_still_camera,
        tilt=tilt,
        height=height,
        acceleration=acceleration,
        interval_sigma_s=state.camera.clock.interval_sigma_s,
        keyframes=bool(first.keyframe) + bool(second.keyframe),
    )
