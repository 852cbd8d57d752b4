"""All that the estimator remembers from frame to frame, in one place."""

from __future__ import annotations

from collections import deque

import numpy as np

from flow.anchoring import PositionKeeper
from flow.camera import Lens
from flow.faults.camera_faults import CameraFaults
from flow.faults.copies import Copies
from flow.faults.first_pass import FirstPass
from flow.faults.glints import GlintFilter
from flow.faults.hidden_motion import HiddenMotion
from flow.faults.moving_light import MovingLight
from flow.faults.sensor_pattern import ClearPlaces
from flow.faults.sound_gyro import SoundGyro
from flow.faults.standstill import StandStill
from flow.faults.stuck import StuckRange
from flow.faults.turn_check import TurnCheck
from flow.force_sum import ForceSum
from flow.height import Height, HeightFilter
from flow.module import Module
from flow.motion.inertial_tilt import tilt_source
from flow.motion.motion_filter import MotionFilter
from flow.pair.expected import ExpectedVelocity
from flow.pair.neighbours import NeighbourScatter
from flow.pair.relief import ReliefWatch
from flow.pair.scatter import CommonScatter
from flow.pair.search import Search
from flow.registration.blocks import BlockMatcher
from flow.rotation import RotationLog, portions
from flow.series import AttitudeSamples, GyroSamples, RangeSamples
from flow.stages.baselines import Baselines
from flow.stages.row_errors import RowErrors
from flow.stages.values import Frame
from flow.tilt import AttitudeSource
from flow.tracks import ImageMotion, LucasKanade

# size: s, inertial samples taken at once, however long no frame came: the rotation log keeps 2 s, and the force of each sample
# needs the rotation at its time.
_AT_ONCE_S = 0.5


class State:
    """The module, what was learnt of motion and ground, and the memory of every check.

    Parameters are those of :class:`flow.estimator.Estimator`.
    """

    def __init__(
        self, module: Module, attitude: AttitudeSource, motion: ImageMotion | None, positions: bool, known: FirstPass
    ) -> None:
        size_px = module.camera.width_px, module.camera.height_px
        self.module, self.lens = module, Lens(module.camera)
        self.focal_px = 0.5 * (module.camera.fx_px + module.camera.fy_px)
        self.R_body_camera = module.alignment.R_body_camera.as_matrix()
        # Sensors.
        self.rotations, self.gyro = RotationLog(module.gyro), SoundGyro(module.gyro)
        self.force = ForceSum(self.rotations)
        self.motion = MotionFilter(module, self.rotations, self.force)
        self.tilt = tilt_source(attitude, self.rotations, self.motion)
        self.height, self.stuck_range = HeightFilter(module.range), StuckRange(module.range)
        self._readings: deque[tuple[float, float, float | None]] = deque()
        # Images.
        self.camera: CameraFaults = known.camera
        self.copies, self.glints = Copies(), GlintFilter()
        tracks, blocks = LucasKanade(*size_px), BlockMatcher(*size_px)
        coarse, fine, scout = (
            ClearPlaces(each, self.camera.pattern) for each in (motion or tracks, blocks, blocks.thinned())
        )
        plain = Search(coarse, fine if motion is None else None, self.focal_px, scout)
        even = Search(LucasKanade(*size_px), BlockMatcher(*size_px), self.focal_px)
        self.light = MovingLight(plain, even, self.focal_px, self.camera.grain, moves=self.camera.light_moved)
        self.search: Search | MovingLight = plain if motion is not None else self.light
        # Checks.
        self.standstill, self.hidden, self.turns = StandStill(), HiddenMotion(), TurnCheck(module)
        # Errors.
        self.relief, self.neighbours, self.scatter = ReliefWatch(), NeighbourScatter(), CommonScatter()
        self.errors = RowErrors(module, self.lens, self.rotations, self.force, known.doubts)
        near = None if motion is not None else Search(fine, fine, self.focal_px)
        self.baselines = Baselines(near)
        # Those that take matches for what a codec leaves of them.
        self.searches = [each for each in (plain, near) if each is not None]
        # Where searches start, and position.
        self.expected = ExpectedVelocity()
        keeps = positions and motion is None
        self.positions = PositionKeeper(module, self.lens, blocks, tracks) if keeps else None
        # Frames.
        self.previous: Frame | None = None
        self.latest_s = -np.inf
        self.height_before: Height | None = None  # of the row before

    def add_gyro(self, samples: GyroSamples) -> None:
        """Take gyro and accelerometer samples in time order."""
        samples = self.gyro.sound(samples)
        if not len(samples.time_s):
            return
        for part in portions(samples, _AT_ONCE_S):
            self.rotations.append(part)
            self.force.add(part)
            self.motion.add_inertial(part)
            self.tilt.add_inertial(part)

    def add_attitude(self, samples: AttitudeSamples) -> None:
        """Take logged roll and pitch in time order."""
        self.tilt.add_logged(samples)

    def add_range(self, samples: RangeSamples) -> None:
        """Take range readings in time order; each waits until a frame reaches its time."""
        samples = self.stuck_range.without_stuck(samples)
        offset, air = self.module.range.time_offset_s, samples.air_temperature_c
        for k, (time, reading) in enumerate(zip(samples.time_s, samples.range_m, strict=True)):
            celsius = None if air is None or not np.isfinite(air[k]) else float(air[k])
            self._readings.append((float(time) + offset, float(reading), celsius))

    def advance(self, since_s: float, until_s: float) -> None:
        """Propagate motion, tilt and height to a pair of frames, or to a single one at both times."""
        self.motion.predict(since_s, until_s)
        self.tilt.advance(until_s)
        while self._readings and self._readings[0][0] <= until_s:
            time, reading, celsius = self._readings.popleft()
            tilt = self.tilt.at(time) if self.rotations.covers(time, time) else None
            if tilt is not None:
                self.height.add_range(time, reading, celsius, tilt.down_body)
