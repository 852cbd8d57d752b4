"""From frames, gyro, range and attitude to speed, one frame at a time, in bounded memory.

A frame passes ``predict -> clean -> register -> judge -> weigh -> refine -> update`` (:mod:`flow.stages`).
"""

from __future__ import annotations

from flow.faults.camera_faults import CameraFaults
from flow.faults.doubts import Doubts
from flow.faults.first_pass import FirstPass
from flow.module import Module
from flow.pair.search import NotFound
from flow.result import FrameResult, Outcome
from flow.row import NoVelocity
from flow.series import AttitudeSamples, GyroSamples, RangeSamples
from flow.stages.clean import clean
from flow.stages.judge import judge
from flow.stages.predict import predict
from flow.stages.refine import refine
from flow.stages.register import register
from flow.stages.state import State
from flow.stages.update import update, update_camera
from flow.stages.values import Frame, Refused, Solved
from flow.stages.weigh import weigh
from flow.tilt import AttitudeSource
from flow.tracks import ImageMotion, Picture


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
    first_pass
        What a first pass over the beginning of the flight has shown (:attr:`Estimator.first_pass`).

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
        first_pass: FirstPass | None = None,
    ) -> None:
        camera = module.camera
        self._known = first_pass or FirstPass(CameraFaults(camera.width_px, camera.height_px), Doubts())
        self._knew_camera = self._known.camera.worth_knowing
        self.state = State(module, attitude, motion, positions, self._known)
        """What is remembered from frame to frame."""

    def add_frame(self, time_s: float, picture: Picture, *, keyframe: bool | None = None) -> FrameResult | None:
        """Take one frame; give the row of the interval that it ends, None for the very first.

        Parameters
        ----------
        time_s
            Frame time on the camera clock: mid-exposure of the middle row.
        picture
            (H, W) uint8, the luma plane as stored.
        keyframe
            Whether its codec stored it without reference to another image; None where that is unknown.

        Raises
        ------
        ValueError
            The picture's size is not the module's, or time does not advance.
        """
        state, camera = self.state, self.state.module.camera
        if picture.shape != (camera.height_px, camera.width_px):
            raise ValueError(f"frame {picture.shape[::-1]}, module ({camera.width_px}, {camera.height_px})")
        frame = Frame(state.camera.clock.time(time_s) + state.module.alignment.time_offset_s, picture, keyframe)
        began_s, state.latest_s = state.latest_s, frame.time_s
        previous, state.previous = state.previous, frame
        state.advance(frame.time_s if previous is None else previous.time_s, frame.time_s)
        if previous is None:
            return None
        outcome = self._measure(previous, frame)
        if isinstance(outcome.velocity, NoVelocity):
            state.scatter.interrupt()
            state.baselines.interrupt()
            if outcome.velocity.reason == "repeated_frame":
                state.previous = previous  # its image is that old, whatever the stamp on the copy says
        errors = state.errors
        return outcome.result(
            0.5 * (began_s + frame.time_s), frame.time_s - began_s,
            errors.scale_sigma, errors.doubts.sources, errors.doubts.range_scale_sigma,
        )  # fmt: skip

    def _measure(self, first: Frame, second: Frame) -> Outcome:
        state = self.state
        predicted = predict(state, first, second)
        if isinstance(predicted, Refused):
            return Outcome(NoVelocity(reason=predicted.reason), height=predicted.height)
        images = clean(state, first, second)
        if isinstance(images, Refused):
            return Outcome(NoVelocity(reason=images.reason), height=predicted.height)
        for start_m_s in predicted.starts:
            found = register(state, images, predicted, start_m_s)
            verdict = judge(state, images, predicted, found, start_m_s)
            if verdict.final:
                break
        if isinstance(found, NotFound) or verdict.against is not None:
            outcome = Outcome(
                verdict.velocity, found.matches, found.used, hidden=verdict.hidden, height=predicted.height
            )
        else:
            pair = Solved(predicted, found, weigh(state, predicted, found))
            best = refine(state, (first, second), images, pair)
            position = update(state, second, pair, best)
            outcome = Outcome(
                best.row.level, found.matches, found.used, height=predicted.height, effects=best.row.effects,
                position=position, pair=pair.row.pair_row(best.row),
            )  # fmt: skip
        update_camera(state, predicted, outcome)
        return outcome

    def add_gyro(self, samples: GyroSamples) -> None:
        """Add gyro samples (and accelerometer, where the attitude comes from it) in time order."""
        self.state.add_gyro(samples)

    def add_attitude(self, samples: AttitudeSamples) -> None:
        """Add logged roll and pitch in time order."""
        self.state.add_attitude(samples)

    def add_range(self, samples: RangeSamples) -> None:
        """Add range readings in time order; each is used once a frame reaches its time."""
        self.state.add_range(samples)

    @property
    def first_pass(self) -> FirstPass | None:
        """What the frames so far should be measured again with; None where they would be no better for it."""
        camera, doubts = self.state.camera, self.state.errors.doubts
        if camera.worth_knowing and not self._knew_camera:
            return FirstPass(camera.begun_again(), Doubts())  # what spoiled images say of the module is no doubt
        if doubts.worth_knowing and not self._known.doubts.guesses:
            return FirstPass(camera.begun_again(), doubts)
        return None

    @property
    def gyro_wrong_throughout(self) -> bool:
        """Whether the gyro is not the image's now, and was never shown to be (:mod:`flow.faults.turn_check`)."""
        return self.state.turns.wrong_throughout
