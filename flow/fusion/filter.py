"""The causal filter: inertial samples carry the state on, rows, ranges and sights of anchors correct it."""

from __future__ import annotations

from collections import deque
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.anchoring.sight import Sight
from flow.fusion import layout as at
from flow.fusion.anchors import AnchorReader
from flow.fusion.considered import OF_ROWS
from flow.fusion.estimate import Estimate
from flow.fusion.inputs import ImageRow
from flow.fusion.noise import InertialNoise
from flow.fusion.pictures import PictureChain
from flow.fusion.quantities import FusedStates, level_rotation
from flow.fusion.ranging import RangeReader, Reading
from flow.fusion.samples import SAME_SAMPLE_S, SampleQueue
from flow.fusion.smoother import Smoother
from flow.inertial_sensors import GRAVITY_M_S2
from flow.module import Module
from flow.motion.row import SAME_FRAME_S
from flow.series import GyroSamples, RangeSamples

Array: TypeAlias = NDArray[np.float64]

_WAIT_S = 0.5  # size: s, a buffer: inertial samples wait so long for a row of theirs
_WORTHLESS_M_S = 0.5  # a velocity less certain than this is none
_FIRST_TILT_RAD = 0.1  # prior: rad one-sigma, an acceleration of 1 m/s^2 is taken for gravity
_FIRST_SPEED_M_S = 0.3  # prior: m/s one-sigma, of the first row, before another has corrected it
_KEPT = 4096  # size: innovations, a buffer
_BEFORE_S = 0.2  # size: s, samples so long before the first row help to level


class Filter:
    """Velocity, tilt, height and sensor biases from inertial samples, image rows, ranges and sights of anchors.

    Give inertial samples up to the end of a row before the row itself. The state is that at the end of the newest row
    (or half a second behind the newest sample, when rows stay out); :meth:`ahead` carries it on to the newest sample.

    Parameters
    ----------
    module
        The calibrated module.
    noise
        Of the inertial sensors; by default what the module file and common practice say.
    smoother
        Takes down what happens, for the smoother.

    Examples
    --------
    A craft at rest, 1 m above the ground, whose rows say so:

    >>> import numpy as np
    >>> from flow import GyroSamples, read_module
    >>> from flow.fusion import Filter, ImageRow
    >>> module = read_module("sample_video/flight/module.yaml")
    >>> time_s = np.arange(200) / 200
    >>> rate_rad_s = np.tile(module.gyro.bias_rad_s, (200, 1))
    >>> accel_m_s2 = np.tile([0.0, 0.0, -9.80665], (200, 1))
    >>> filter_ = Filter(module)
    >>> filter_.push_gyro(GyroSamples(time_s=time_s, rate_rad_s=rate_rad_s, accel_m_s2=accel_m_s2))
    >>> for k in range(40):
    ...     filter_.push_row(ImageRow(start_s=0.02 * k, end_s=0.02 * (k + 1), velocity_m_s=np.zeros(3),
    ...                               image_m2_s2=np.full(3, 1e-4), drift_m2_s2=np.zeros(3), lasting_m_s=np.zeros(3),
    ...                               considered_m_s=np.zeros((3, 9)), lean_m_s=np.zeros((3, 2)), height_m=1.0,
    ...                               height_sigma_m=0.01, reach_gain=1.0))
    >>> state = filter_.state()
    >>> bool(np.abs(state.velocity_m_s).max() < 1e-3), bool(state.velocity_sigma_m_s.max() < 0.01)
    (True, True)
    """

    def __init__(self, module: Module, noise: InertialNoise | None = None, *, smoother: Smoother | None = None) -> None:
        self._module = module
        self._noise = InertialNoise.of(module) if noise is None else noise
        self._smoother = smoother
        self._samples = SampleQueue()
        self._ranging = RangeReader(module)
        self._pictures = PictureChain(self._ranging)
        self._estimate: Estimate | None = None
        self._told_s = -np.inf  # samples up to here are handed to the smoother
        self._anchors = AnchorReader(module)
        self.innovations: deque[Array] = deque(maxlen=_KEPT)
        """Normalised innovations (3,) of the newest rows: of variance 1 and new in every row, if all noise is as told."""

    @property
    def running(self) -> bool:
        """Whether there is a state."""
        return self._estimate is not None

    def push_gyro(self, samples: GyroSamples) -> None:
        """Take inertial samples (gyro and accelerometer) in time order."""
        self._samples.add(samples)
        if self._estimate is None:
            self._idle(self._samples.latest_s - _WAIT_S)
        elif self._samples.latest_s - self._estimate.time_s > 2 * _WAIT_S:
            self._advance(self._samples.latest_s - _WAIT_S)

    def push_range(self, samples: RangeSamples) -> None:
        """Take range readings in time order, range clock; each is used when the state reaches its time."""
        self._ranging.add(samples)

    def push_row(self, row: ImageRow) -> None:
        """Take what a pair of pictures says, or that it says nothing."""
        estimate = self._estimate or self._begin(row)
        if estimate is None:
            return
        if row.velocity_m_s is None:
            self._pictures.interrupt()
            self._advance(row.end_s)
            return
        if not self._pictures.reaches(row.start_s):
            if row.start_s < estimate.time_s - SAME_FRAME_S:  # too late to begin with its first picture
                self._pictures.interrupt()
                self._advance(row.end_s)
                return
            self._advance(row.start_s)
            self._pictures.begin(estimate, row)
        self._advance(row.end_s)
        if self._estimate is None:
            return
        self.innovations.append(self._pictures.see(estimate, row))
        if self._pictures.lost:
            self._lose(row.end_s)

    def push_sight(self, sight: Sight) -> None:
        """Take what a picture shows against an anchor; its time is the end of a row that was pushed, or later."""
        if self._estimate is None or sight.time_s < self._estimate.time_s - SAME_FRAME_S:
            return
        self._advance(sight.time_s)
        if self._estimate is not None:
            self._anchors.see(self._estimate, sight, self._samples.rate_rad_s(sight.time_s))

    def finish(self) -> None:
        """Carry the state on to the last sample, and have the smoother give out the rest."""
        if self._estimate is not None:
            self._advance(self._samples.latest_s)
        self._lose(np.inf)

    def state(self) -> FusedStates | None:
        """Give the state at the time of the newest measurement; None while there is none."""
        return None if self._estimate is None else self._estimate.quantities()

    def ahead(self) -> FusedStates | None:
        """Give the state at the newest inertial sample, the filter itself left where it is."""
        if self._estimate is None or self._samples.hole_s(self._estimate.time_s, self._samples.latest_s) is not None:
            return None
        estimate = self._estimate.copy()
        if self._samples.latest_s > estimate.time_s:
            estimate.propagate(*self._samples.between(estimate.time_s, self._samples.latest_s))
        return estimate.quantities()

    def _begin(self, row: ImageRow) -> Estimate | None:
        """Start at a row's first picture: level by the accelerometer, speed and height by the row."""
        samples = self._samples
        if row.velocity_m_s is None or row.height_m is None or row.height_sigma_m is None or len(samples.time_s) < 2:
            return None
        if samples.time_s[0] > row.start_s or samples.hole_s(row.start_s, row.end_s) is not None:
            return None
        force = samples.mean_force(row.start_s - _BEFORE_S, row.end_s)
        if not np.linalg.norm(force) > 0.3 * GRAVITY_M_S2:
            return None
        self._idle(row.start_s)
        values, variance = np.zeros(at.VALUES), np.zeros(at.ERRORS)
        values[at.V_ROTATION] = level_rotation(force).ravel()
        values[at.V_VELOCITY], values[at.V_HEIGHT] = row.velocity_m_s, row.height_m
        values[at.V_GYRO_BIAS] = self._module.gyro.bias_rad_s
        variance[at.VELOCITY], variance[at.TILT] = _FIRST_SPEED_M_S**2, _FIRST_TILT_RAD**2
        variance[at.GYRO_BIAS] = np.square(self._noise.gyro_bias_sigma_rad_s)
        variance[at.ACCEL_BIAS] = self._noise.accel_bias_sigma_m_s2**2
        variance[at.HEIGHT], variance[at.LEAN] = row.height_sigma_m**2, 1.0
        variance[at.DRIFT] = row.drift_m2_s2
        noise = self._noise.packed(self._module)
        self._estimate = Estimate(row.start_s, values, np.diag(variance), noise, self._smoother)
        self._ranging.forget(row.start_s)
        # What the row shows too much the state has too much, and its error is the true value less its own.
        by_range = self._ranging.considered(row.height_m)
        self._estimate.considered[at.VELOCITY, OF_ROWS] = -row.considered_m_s
        self._estimate.considered[at.VELOCITY] -= np.outer(row.velocity_m_s, by_range) / row.height_m
        self._estimate.considered[at.HEIGHT] = -by_range
        self._pictures = PictureChain(self._ranging)
        self._anchors.forget()
        return self._estimate

    def _lose(self, at_s: float) -> None:
        if self._estimate is not None:
            self._told_s = self._estimate.time_s
        self._estimate = None
        if self._smoother is not None:
            self._smoother.end()
        self._idle(at_s)

    def _idle(self, until_s: float) -> None:
        """Let samples and readings go that have no state: none begins there any more."""
        time_s = self._samples.time_s
        passed = time_s[(time_s > self._told_s + SAME_SAMPLE_S) & (time_s <= until_s + SAME_SAMPLE_S)]
        if len(passed) and self._smoother is not None:
            self._smoother.idle(passed)
        self._told_s = max(self._told_s, until_s)
        self._samples.forget(until_s - _BEFORE_S)
        self._ranging.forget(until_s - _BEFORE_S)

    def _advance(self, until_s: float) -> None:
        """Carry the state on to a time, through the range readings that stand before it."""
        while self._estimate is not None and until_s > self._estimate.time_s + SAME_SAMPLE_S:
            estimate = self._estimate
            reading = self._ranging.next(until_s)
            end_s = until_s if reading is None else max(reading.time_s, estimate.time_s)
            hole_s = self._samples.hole_s(estimate.time_s, end_s)
            self._propagate(estimate, end_s if hole_s is None else hole_s)
            if hole_s is not None or estimate.covariance.diagonal()[at.VELOCITY][:2].max() > _WORTHLESS_M_S**2:
                self._lose(end_s)
            elif reading is not None:
                self._hear(estimate, reading)

    def _propagate(self, estimate: Estimate, end_s: float) -> None:
        if end_s > estimate.time_s + SAME_SAMPLE_S:
            stretch = self._samples.between(estimate.time_s, end_s)
            estimate.propagate(*stretch, ends_at_sample=self._samples.holds(end_s))
            self._samples.forget(end_s)

    def _hear(self, estimate: Estimate, reading: Reading) -> None:
        heard = self._ranging.against(reading, estimate.values, estimate.covariance)
        if heard is not None:
            estimate.correct(*heard, gate=np.inf)
