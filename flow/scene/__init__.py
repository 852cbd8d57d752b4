"""Synthetic recordings with exact truth.

A scene is a textured ground, a smooth body motion, a module with its lens and sensors, and their noise.

In memory, for a test or a benchmark::

    import flow.scene as scene

    motion = scene.straight(2.0, height_m=1.0, speed_m_s=0.5) + scene.gusts(2.0, seed=1)
    recording = scene.render(scene.SceneSpec(motion=motion, ground="gravel", seed=1))
    for frame in recording.frames():          # flow.video.Frame
        ...
    recording.module                          # the true module
    recording.gyro, recording.range           # flow.series samples
    recording.attitude                        # None unless SceneSpec(attitude=AttitudeErrors())
    recording.truth                           # 200 rows a second and one a frame, gyro clock
    recording.truth_at(gyro_times)            # exact at any time

    >>> motion = straight(0.5, height_m=1.0, speed_m_s=0.5)
    >>> render(SceneSpec(motion=motion, ground="bare")).frame(0).luma.shape
    (240, 320)

On disk, in the recording format: ``scene.synthesize(folder, spec)``. From the options that the command takes:
``scene.plan_scene("pass", height=2, speed=1)`` gives the spec. Calibration boards: ``scene.render_views``.
"""

from flow.scene.bench import write_bench
from flow.scene.board import BoardView, Sheet, render_views, write_views
from flow.scene.casting import CameraPath
from flow.scene.encode import CODECS, Encoding
from flow.scene.flights import MOTIONS, crate, flight
from flow.scene.folder import synthesize
from flow.scene.ground import KINDS, Ground, make_ground, picture_ground
from flow.scene.modules import PRESETS, preset_module
from flow.scene.motion import Motion, from_function, gusts, hand_turned, straight, tour, vibration
from flow.scene.patch import Patch
from flow.scene.plan import find_module, plan_scene
from flow.scene.recording import SyntheticRecording, digitised, render
from flow.scene.renderer import Renderer
from flow.scene.sensors import AttitudeErrors, ImuErrors, RangeErrors, sound_speed_m_s
from flow.scene.spec import Gain, SceneSpec

__all__ = [
    "CODECS",
    "KINDS",
    "MOTIONS",
    "PRESETS",
    "AttitudeErrors",
    "BoardView",
    "CameraPath",
    "Encoding",
    "Gain",
    "Ground",
    "ImuErrors",
    "Motion",
    "Patch",
    "RangeErrors",
    "Renderer",
    "SceneSpec",
    "Sheet",
    "SyntheticRecording",
    "crate",
    "digitised",
    "find_module",
    "flight",
    "from_function",
    "gusts",
    "hand_turned",
    "make_ground",
    "picture_ground",
    "plan_scene",
    "preset_module",
    "render",
    "render_views",
    "sound_speed_m_s",
    "straight",
    "synthesize",
    "tour",
    "vibration",
    "write_bench",
    "write_views",
]
