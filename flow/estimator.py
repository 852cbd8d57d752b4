"""From frames, gyro, range and attitude to speed, one frame at a time, in bounded memory."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.anchoring import Position, PositionKeeper
from flow.anchoring.anchor import Moment
from flow.anchoring.view import Shot
from flow.camera import Lens
from flow.error_sources import ErrorSource
from flow.faults.camera_faults import CameraFaults
from flow.faults.copies import Copies
from flow.faults.doubts import Doubts
from flow.faults.glints import GlintFilter
from flow.faults.hidden_motion import HiddenMotion
from flow.faults.hindsight import Hindsight
from flow.faults.moving_light import MovingLight
from flow.faults.sensor_pattern import ClearPlaces
from flow.faults.sound_gyro import SoundGyro
from flow.faults.standstill import StandStill
from flow.faults.stuck import StuckRange
from flow.faults.turn_check import TurnCheck
from flow.force_sum import ForceSum
from flow.height import HeightFilter
from flow.module import Module
from flow.pair.acceleration import AccelerationFilter
from flow.pair.expected import ExpectedVelocity
from flow.pair.geometry import PairView, Plane
from flow.pair.match_noise import PATCHES
from flow.pair.neighbours import NeighbourScatter
from flow.pair.relief import ReliefWatch
from flow.pair.row_errors import Known, RowErrors
from flow.pair.scatter import CommonScatter
from flow.pair.search import HELD_SHARE, Found, NotFound, Search
from flow.pair.shared_errors import covariance_of
from flow.registration.blocks import BlockMatcher
from flow.result import FrameResult, Outcome
from flow.rotation import RotationLog, portions
from flow.row import LevelVelocity, NoVelocity, level_velocity
from flow.series import AttitudeSamples, GyroSamples, RangeSamples
from flow.tilt import AttitudeSource, tilt_source
from flow.tracks import ImageMotion, LucasKanade, Picture

Array: TypeAlias = NDArray[np.float64]

_LONGEST_INTERVAL_S = 0.25
# Inertial samples taken at once, however long no frame came: the rotation log keeps 2 s, and the force of each sample needs the
# rotation at its time.
_AT_ONCE_S = 0.5
_LASTING = 0.35  # rows added up over a second miss by so much of what independent errors would (measured: 0.24-0.6)
_SLOW_M_S, _MOST_RELIEF = 0.1, 0.5  # slower than that a difference of speed tells no height; and what it may be, of it
_NEW_EACH_ROW = (ErrorSource.GYRO_NOISE, ErrorSource.FRAME_TIMES)  # scatter that is not the picture's
_FINAL = {"gyro_disagrees", "uncertain"}  # reasons that another start for the matching would not mend


@dataclass(frozen=True, slots=True)
class _Frame:
    time_s: float  # gyro clock
    picture: Picture


class Estimator:
    """Ground speed from a stream of frames and samples.

    Give gyro (and attitude) samples up to a few milliseconds after a frame before the frame itself, and range
    readings as they come. Memory does not grow with the length of the stream.

    Parameters
    ----------
    module
        The calibrated module.
    attitude
        Where the tilt comes from: ``logged`` (:meth:`add_attitude`), ``inertial`` (gyro and accelerometer) or
        ``level`` (assumed; the rows' sigma says so).
    motion
        What finds the image motion; when left out, Lucas-Kanade tracks from afar and blocks from close by.
    positions
        Keep the position too (:mod:`flow.anchoring`), which takes about as long again as the speed; another ``motion``
        keeps none.
    hindsight
        What is known of the flight from having measured its beginning before (:attr:`Estimator.hindsight`).

    Examples
    --------
    A craft 1 m above random ground slides forward: each frame shows the ground 2 px further down the picture.

    >>> import numpy as np, cv2
    >>> from flow import Estimator, GyroSamples, Module, RangeSamples
    >>> module = Module.model_validate({"camera": {"width_px": 160, "height_px": 120, "fx_px": 130, "fy_px": 130,
    ...                                            "cx_px": 79.5, "cy_px": 59.5}})
    >>> grain = cv2.GaussianBlur(np.random.default_rng(1).uniform(0, 255, (200, 160)), (0, 0), 2)
    >>> ground = cv2.normalize(grain, None, 0, 255, cv2.NORM_MINMAX).astype(np.uint8)
    >>> estimator = Estimator(module, attitude="level")
    >>> for k in range(12):
    ...     t = k / 50
    ...     estimator.add_gyro(GyroSamples(time_s=t + np.array([0.0, 0.01]), rate_rad_s=np.zeros((2, 3)),
    ...                                    accel_m_s2=None))
    ...     estimator.add_range(RangeSamples(time_s=np.array([t]), range_m=np.array([1.0]),
    ...                                      air_temperature_c=None))
    ...     result = estimator.add_frame(t, ground[60 - 2 * k : 180 - 2 * k])
    >>> result.row.status, round(result.row.velocity.forward_m_s, 2)  # 2 px * 1 m / 130 px * 50 / s = 0.77 m/s
    ('ok', 0.77)
    """

    def __init__(
        self,
        module: Module,
        *,
        attitude: AttitudeSource = "inertial",
        motion: ImageMotion | None = None,
        positions: bool = True,
        hindsight: Hindsight | None = None,
    ) -> None:
        self._module = module
        self._lens = Lens(module.camera)
        self._focal_px = 0.5 * (module.camera.fx_px + module.camera.fy_px)
        self._R_body_camera = module.alignment.R_body_camera.as_matrix()
        size_px = module.camera.width_px, module.camera.height_px
        tracks, blocks = LucasKanade(*size_px), BlockMatcher(*size_px)
        self._known = hindsight or Hindsight(CameraFaults(*size_px), Doubts())
        self._knew_camera = self._known.camera.worth_knowing
        self.faults = self._known.camera
        coarse, fine, scout = (
            ClearPlaces(each, self.faults.pattern) for each in (motion or tracks, blocks, blocks.thinned())
        )
        plain = Search(coarse, fine if motion is None else None, self._focal_px, scout)
        even = Search(LucasKanade(*size_px), BlockMatcher(*size_px), self._focal_px)
        self._light = MovingLight(plain, even, self._focal_px, moves=self.faults.light_moved)
        self._search = plain if motion is not None else self._light
        keeps = positions and motion is None
        self._positions = PositionKeeper(module, self._lens, blocks, tracks) if keeps else None
        self._rotations, self._gyro = RotationLog(module.gyro), SoundGyro(module.gyro)
        self._tilt = tilt_source(attitude, self._rotations)
        self._readings: deque[tuple[float, float, float | None]] = deque()
        self._height = HeightFilter(module.range)
        self._stuck_range = StuckRange(module.range)
        self._scatter, self._turns = CommonScatter(), TurnCheck(module)
        self._force = ForceSum(self._rotations)
        self._errors = RowErrors(module, self._lens, self._rotations, self._force, self._known.doubts)
        self._standstill, self._hidden, self._relief = StandStill(), HiddenMotion(), ReliefWatch()
        self._copies, self._glints, self._neighbours = Copies(), GlintFilter(), NeighbourScatter()
        self._previous: _Frame | None = None
        self._latest_s = -np.inf
        self._expected, self._accelerations = ExpectedVelocity(), AccelerationFilter(self._force)

    @property
    def hindsight(self) -> Hindsight | None:
        """What the frames so far should be measured again with; None where they would be no better for it."""
        doubts, news = self._errors.doubts, self.faults.worth_knowing and not self._knew_camera
        if news:
            return Hindsight(self.faults.begun_again(), Doubts())  # what spoiled pictures say of the module is no doubt
        if doubts.worth_knowing and not self._known.doubts.guesses:
            return Hindsight(self.faults.begun_again(), doubts)
        return None

    @property
    def gyro_wrong_throughout(self) -> bool:
        """Whether the gyro is not the picture's now, and was never shown to be (:mod:`flow.faults.turn_check`)."""
        return self._turns.wrong_throughout

    def add_gyro(self, samples: GyroSamples) -> None:
        """Add gyro samples (and accelerometer, where the attitude comes from it) in time order."""
        samples = self._gyro.sound(samples)
        if not len(samples.time_s):
            return
        for part in portions(samples, _AT_ONCE_S):
            self._rotations.append(part)
            self._tilt.add_inertial(part)
            self._force.add(part)

    def add_attitude(self, samples: AttitudeSamples) -> None:
        """Add logged roll and pitch in time order."""
        self._tilt.add_logged(samples)

    def add_range(self, samples: RangeSamples) -> None:
        """Add range readings in time order; each is used once a frame reaches its time."""
        samples = self._stuck_range.without_stuck(samples)
        offset = self._module.range.time_offset_s
        air = samples.air_temperature_c
        for k, (time, reading) in enumerate(zip(samples.time_s, samples.range_m, strict=True)):
            celsius = None if air is None or not np.isfinite(air[k]) else float(air[k])
            self._readings.append((float(time) + offset, float(reading), celsius))

    def add_frame(self, time_s: float, picture: Picture) -> FrameResult | None:
        """Take one frame; give the row of the interval that it ends, None for the very first.

        Parameters
        ----------
        time_s
            Frame time on the camera clock: mid-exposure of the middle row.
        picture
            (H, W) uint8, the luma plane as stored.

        Raises
        ------
        ValueError
            The picture's size is not the module's, or time does not advance.
        """
        camera = self._module.camera
        if picture.shape != (camera.height_px, camera.width_px):
            raise ValueError(f"frame {picture.shape[::-1]}, module ({camera.width_px}, {camera.height_px})")
        frame = _Frame(self.faults.clock.time(time_s) + self._module.alignment.time_offset_s, picture)
        interval_s, began_s = frame.time_s - self._latest_s, self._latest_s
        self._latest_s = frame.time_s
        previous, self._previous = self._previous, frame
        self._tilt.advance(frame.time_s)
        self._hear_ranges(frame.time_s)
        if previous is None:
            return None
        clean = self.faults.pattern.clean
        outcome = self._measure(*(replace(each, picture=clean(each.picture)) for each in (previous, frame)))
        if isinstance(outcome.velocity, NoVelocity):
            self._scatter.interrupt()
            if outcome.velocity.reason == "repeated_frame":
                self._previous = previous  # its picture is that old, whatever the stamp on the copy says
        errors, middle_s = self._errors, 0.5 * (began_s + frame.time_s)
        return outcome.result(
            middle_s, interval_s, errors.scale_sigma, errors.doubts.sources, errors.doubts.range_scale_sigma
        )

    def _hear_ranges(self, until_s: float) -> None:
        while self._readings and self._readings[0][0] <= until_s:
            time, reading, celsius = self._readings.popleft()
            tilt = self._tilt.at(time) if self._rotations.covers(time, time) else None
            if tilt is not None:
                self._height.add_range(time, reading, celsius, tilt.down_body)

    def _measure(self, first: _Frame, second: _Frame) -> Outcome:
        middle_s = 0.5 * (first.time_s + second.time_s)
        half_readout = 0.5 * self._module.camera.readout_s
        if second.time_s - first.time_s > _LONGEST_INTERVAL_S:
            return Outcome(NoVelocity(reason="frame_gap"))  # readings since then tell the height now, not in its middle
        height = self._height.at(middle_s)
        if not self._rotations.covers(first.time_s - half_readout, second.time_s + half_readout):
            return Outcome(NoVelocity(reason="no_gyro"), height=height)
        tilt = self._tilt.at(middle_s)
        if tilt is None:
            return Outcome(NoVelocity(reason="no_attitude"), height=height)
        if height is None:
            beyond = self._height.beyond_limits
            return Outcome(NoVelocity(reason="height_out_of_range" if beyond else "no_height"))
        if self._copies.holds(first.picture, second.picture):
            return Outcome(NoVelocity(reason="repeated_frame"), height=height)
        down = tilt.down_body @ self._R_body_camera
        camera_above = height.height_m - float(np.dot(self._module.alignment.camera_position_m, tilt.down_body))
        if down[2] < 0.5 or camera_above < 0.02:
            return Outcome(NoVelocity(reason="too_tilted"), height=height)
        plane = Plane(down=down, distance_m=camera_above)
        times = first.time_s, second.time_s
        velocity, change = self._expected.at(middle_s) or (None, None)
        acceleration = self._accelerations.between(*times, change)
        view = PairView(self._lens, self._module, self._rotations, *times, plane, acceleration.vector_m_s2)
        doubt_s = self.faults.clock.interval_sigma_s
        known = Known(tilt=tilt, height=height, acceleration=acceleration, interval_sigma_s=doubt_s)
        outcome = self._solve(first, second, view, velocity, known)
        vouched = isinstance(outcome.velocity, LevelVelocity)
        if self.faults.learn(view, outcome.matches, outcome.used, vouched=vouched, hidden=outcome.hidden):
            self._turns = TurnCheck(self._module)  # what turns have said so far was the fault's
        return outcome

    def _solve(self, first: _Frame, second: _Frame, view: PairView, expected: Array | None, known: Known) -> Outcome:
        """Match and solve from the velocity expected; where that fails or there is none, from standing still."""
        clear = self._glints.pair(first.picture, second.picture)
        if expected is not None:
            outcome = self._attempt(clear, first, second, view, expected @ view.R_still_camera, known)
            if isinstance(outcome.velocity, LevelVelocity) or outcome.velocity.reason in _FINAL:
                return outcome
        return self._attempt(clear, first, second, view, None, known)

    def _attempt(
        self,
        clear: tuple[Picture, Picture],
        first: _Frame,
        second: _Frame,
        view: PairView,
        guess: Array | None,
        known: Known,
    ) -> Outcome:
        found = self._search.find(*clear, view, guess)
        self.faults.light_moved = self._light.often_moves
        if isinstance(found, NotFound):
            return Outcome(NoVelocity(reason=found.reason), matches=found.matches, height=known.height)
        used, hidden = found.solution.used, self._hidden.shown(*clear, found.matches, found.solution.used)
        against = "contradictory" if hidden else self._doubt(view, found, guess)
        if against is not None:
            return Outcome(NoVelocity(reason=against), found.matches, used, hidden=hidden, height=known.height)
        return self._vouch(second, view, found, known)

    def _doubt(self, view: PairView, found: Found, guess: Array | None) -> str | None:
        pair, solution = found.pair, found.solution
        copied = self._copies.likely
        if self._standstill.holds(view, found.matches, guess, self._focal_px, copied=copied):
            return "repeated_frame" if copied else "picture_fixed"
        turned_rad, interval_s = view.turned_rad(), view.second_s - view.first_s
        rate_change = self._errors.rate_change(view)
        if self._turns.disagrees(pair, solution, turned_rad, rate_change, interval_s, found.noise.scale):
            return "gyro_disagrees"
        return None if found.agree else "contradictory"

    def _vouch(self, second: _Frame, view: PairView, found: Found, known: Known) -> Outcome:
        """Give the solution its covariance, learn from it, and turn it into level axes."""
        pair, solution = found.pair, found.solution
        shared = self._errors.effects(view, pair, solution, known, self._turns.misfit)
        relief = self._relief.error(pair, solution, found.noise.scale, known.tilt.sigma_rad)
        if found.relief:
            # What the range sensor meets and the mean of the view differ by as much as patches of relief average to.
            common = found.relief / np.sqrt(PATCHES) * solution.velocity_m_s[:, None]
            relief = common if relief is None else np.hstack([relief, common])
        if relief is not None:
            shared[ErrorSource.RELIEF] = relief
        if found.light > 0:
            shared[ErrorSource.LIGHT] = np.asarray(found.light * np.linalg.cholesky(solution.covariance), np.float64)
        R_level_camera = known.tilt.R_level_body @ self._R_body_camera
        velocity = R_level_camera @ solution.velocity_m_s
        effects = {cause: R_level_camera @ effect for cause, effect in shared.items()}
        m_s_per_px = view.plane.distance_m / (self._focal_px * (view.second_s - view.first_s))
        own = R_level_camera @ solution.covariance @ R_level_camera.T * self._neighbours.factor(pair, solution)
        grown = np.sqrt(self._scatter.variance(own.diagonal(), m_s_per_px) / own.diagonal())
        image = own * np.outer(grown, grown)
        covariance = image + sum(covariance_of(effect) for effect in effects.values())
        jump = self._errors.jump(view, solution, float(np.sqrt(covariance.diagonal().max())))
        if jump is not None:
            relief = (R_level_camera @ jump)[:, None]
            effects[ErrorSource.RELIEF] = np.hstack([effects.get(ErrorSource.RELIEF, np.empty((3, 0))), relief])
            covariance = covariance + covariance_of(relief)
        level = level_velocity(velocity, covariance)
        vouched = isinstance(level, LevelVelocity)
        if relief is None:
            noise = sum(np.square(effects[s]).sum(axis=1) for s in _NEW_EACH_ROW if s in effects)
            held = found.matches.held > HELD_SHARE
            self._scatter.add(velocity, own.diagonal(), noise, m_s_per_px, held=held)
            found.noise.learn(found.matches, solution.used, solution.miss * self._focal_px, solution.scale)
            if vouched:
                self._errors.learn(view, pair, solution, known, image)
        else:
            self._scatter.interrupt()
            found.noise.note_unusual(solution.scale)
        if vouched:  # what is uncertain would lean the tilt for seconds
            self._tilt.observe_velocity(view.middle_s, self._R_body_camera @ solution.velocity_m_s)
        self._carry(view, solution.velocity_m_s, velocity, effects, image, relief)
        sigmas = {cause: np.sqrt(np.square(effect).sum(axis=1)) for cause, effect in effects.items()}
        sigmas[ErrorSource.IMAGE] = np.sqrt(np.diag(image))
        kept = self._positions is not None and vouched
        position = self._place(second, view, solution.velocity_m_s, image, known) if kept else None
        return Outcome(
            level, matches=found.matches, used=solution.used, height=known.height, effects=sigmas, position=position
        )

    def _carry(
        self,
        view: PairView,
        velocity_m_s: Array,
        level_m_s: Array,
        effects: dict[ErrorSource, Array],
        image: Array,
        relief: Array | None,
    ) -> None:
        """Let height and expectation hear a velocity (3,), camera and level axes, and whether the ground is uneven."""
        climb_sigma = float(
            np.hypot(_LASTING * np.sqrt(image[2, 2]), np.linalg.norm(effects[ErrorSource.ACCELERATION][2]))
        )
        if relief is None:
            self._height.see_level(view.middle_s)
        else:
            # Of two heights half of the view each, the effect shows the difference over the root of two.
            share = np.sqrt(2) * np.linalg.norm(relief) / max(float(np.linalg.norm(level_m_s)), _SLOW_M_S)
            self._height.see_relief(view.middle_s, min(float(share), _MOST_RELIEF))
            climb_sigma = float(
                np.hypot(climb_sigma, np.linalg.norm(effects[ErrorSource.RELIEF]))
            )  # a bent picture climbs
        for cause in effects.keys() & {ErrorSource.LIGHT, ErrorSource.ACCELEROMETER}:
            climb_sigma = float(np.hypot(climb_sigma, np.linalg.norm(effects[cause][2])))
        lean = np.sqrt(np.square(np.hstack([effects[ErrorSource.TILT], effects[ErrorSource.MOUNTING]])[2]).sum())
        self._height.add_climb(view.middle_s, float(level_m_s[2]), climb_sigma, float(lean))
        still = view.R_still_camera @ velocity_m_s
        self._accelerations.observe(view.middle_s, still)
        self._expected.add(view.middle_s, still)

    def _place(self, second: _Frame, view: PairView, velocity_m_s: Array, image: Array, known: Known) -> Position:
        """Follow the position by a velocity (3,), camera axes, that ``image`` (3, 3) makes uncertain, level axes."""
        assert self._positions is not None
        R_level_camera = known.tilt.R_level_body @ self._R_body_camera
        interval_s, acceleration = view.second_s - view.first_s, known.acceleration.vector_m_s2
        return self._positions.follow(
            Moment(
                picture=second.picture,
                shot=Shot(
                    time_s=second.time_s,
                    turns=view.second_turns(),
                    velocity_m_s=view.R_still_camera @ velocity_m_s + 0.5 * interval_s * acceleration,
                    acceleration_m_s2=acceleration,
                ),
                interval_s=interval_s,
                velocity_m_s=R_level_camera @ velocity_m_s,
                covariance_m2_s2=image,
                R_level_still=R_level_camera @ view.R_still_camera.T,
                turned_rad=_heading(R_level_camera @ view.first_turn() @ self._R_body_camera.T),
                distance_m=view.plane.distance_m,
                distance_sigma_m=known.height.sigma_m,
                tilt_sigma_rad=known.tilt.sigma_rad,
                common_px=self._scatter.frame_jitter_px,
                air_scale_sigma=known.height.air_scale_sigma,
            ),
            registers=not self._light.moves,
        )


def _heading(R_level_body: Array) -> float:
    return float(np.arctan2(R_level_body[1, 0], R_level_body[0, 0]))
