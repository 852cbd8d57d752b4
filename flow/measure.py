"""A whole recording through the estimator: samples reach it just before the frames that need them."""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Generic, TypeAlias, TypeVar, Union

import numpy as np
from numpy.typing import NDArray

from flow.ahead import ahead
from flow.errors import DataError
from flow.estimator import Estimator
from flow.faults.first_pass import FirstPass
from flow.recording import Recording
from flow.result import FrameResult
from flow.row import LevelVelocity, NoVelocity
from flow.series import AttitudeSamples, GyroSamples, RangeSamples
from flow.tilt import AttitudeSource
from flow.tracks import ImageMotion
from flow.video import Frame

Array: TypeAlias = NDArray[np.float64]
S = TypeVar("S", GyroSamples, RangeSamples, AttitudeSamples)
_AnyFeed = Union["_Feed[GyroSamples]", "_Feed[RangeSamples]", "_Feed[AttitudeSamples]"]

_Step: TypeAlias = tuple[Frame, FrameResult | None]

_HELD_S, _MOST_HELD, _MOST_HELD_PX = 5.0, 300, 60_000_000  # rows held back, their frames and all their pixels
_MOST_BEGINNINGS = 3  # after the first: what is wrong with the pictures hides what is wrong with the module
_AHEAD_S = 0.05  # samples given beyond the end of a frame's exposure, for interpolation around it
_UPSIDE_DOWN_M_S2 = 5.0
_BATCH_S = 0.1  # hand over so much at a time: a call costs more than a sample


def measure(
    recording: Recording,
    *,
    motion: ImageMotion | None = None,
    positions: bool = True,
    watch: Callable[[Frame], None] | None = None,
    first_pass: bool = True,
    on_first_pass: Callable[[int], None] | None = None,
) -> Iterator[FrameResult]:
    """Measure a recording; yields one result for each pair of consecutive frames.

    Parameters
    ----------
    recording
        An opened recording folder.
    motion
        What finds the image motion; see :class:`flow.estimator.Estimator`.
    positions
        Keep the position too.
    watch
        Called with each frame before the row that it ends, so that nobody needs to decode the video again.
    first_pass
        Hold the rows of the first seconds back, and where those show bad pixels, dirt on the lens, false stamps or figures
        of the module that cannot be right, measure them again with that known; where they show a gyro that was wrong
        throughout, all of them are taken back.
    on_first_pass
        Called with the index of each frame whose row is held back: progress before there is a result.

    Raises
    ------
    DataError
        The video or a log cannot serve; the message names file and place.

    Examples
    --------
    >>> import flow
    >>> results = flow.measure(flow.open_recording("sample_video/flight"), positions=False, first_pass=False)
    >>> row = next(results).row
    >>> row.status, f"{row.interval_s:.4f} s", bool(row.velocity.sigma_m_s[0] < 0.05)
    ('ok', '0.0167 s', True)
    """
    if first_pass:
        held, steps = _first_pass(recording, motion, positions, on_first_pass)
    else:
        held, (_, steps) = deque(), _started(recording, motion, positions)
    for frame, result in itertools.chain(_taken(held), steps):
        if watch is not None:
            watch(frame)
        if result is not None:
            yield result


def _first_pass(
    recording: Recording, motion: ImageMotion | None, positions: bool, on_first_pass: Callable[[int], None] | None
) -> tuple[deque[_Step], Iterator[_Step]]:
    """Measure the first seconds until they show nothing new of camera and module; give them, and the steps that follow."""
    known: FirstPass | None = None
    for _ in range(1 + _MOST_BEGINNINGS):
        held: deque[_Step] = deque()
        estimator, steps = _started(recording, motion, positions, known)
        _hold(steps, held, on_first_pass)
        known = estimator.first_pass
        if known is None:
            break
    if estimator.gyro_wrong_throughout:
        _take_back(held)
    return held, steps


def _hold(steps: Iterator[_Step], held: deque[_Step], on_first_pass: Callable[[int], None] | None) -> None:
    """Hold the first seconds back."""
    for frame, result in steps:
        if on_first_pass is not None:
            on_first_pass(frame.index)
        held.append((frame, result))
        if frame.time_s - held[0][0].time_s > _HELD_S or len(held) >= min(_MOST_HELD, _MOST_HELD_PX // frame.luma.size):
            return


def _take_back(held: deque[_Step]) -> None:
    """Take back the velocities from before it was plain that the gyro is not the picture's."""
    for k, (frame, result) in enumerate(held):
        if result is not None and isinstance(result.row.velocity, LevelVelocity):
            row = replace(result.row, velocity=NoVelocity(reason="gyro_disagrees"))
            held[k] = frame, replace(result, row=row, effects_m_s=None, position=None, pair=None)


def _taken(held: deque[_Step]) -> Iterator[_Step]:
    while held:
        yield held.popleft()


def _started(
    recording: Recording, motion: ImageMotion | None, positions: bool, known: FirstPass | None = None
) -> tuple[Estimator, Iterator[_Step]]:
    """Make an estimator, which may know what a first pass has shown, and the steps of a recording through it."""
    module = recording.module
    attitude = recording.attitude()
    gyro, accel_m_s2 = _peek_accelerometer(recording.gyro())
    source: AttitudeSource = "level" if accel_m_s2 is None else "inertial"
    if attitude is not None:
        source = "logged"
    elif accel_m_s2 is not None and accel_m_s2[2] > _UPSIDE_DOWN_M_S2:
        usual = "a level, still module shows -9.8 (body z is down); turn the sign or the axes"
        problem = f"specific force is {accel_m_s2[2]:+.3g} m/s2 (median): {usual}"
        raise DataError(problem, path=recording.gyro_path, key="accel_z_m_s2")
    estimator = Estimator(module, attitude=source, motion=motion, positions=positions, first_pass=known)
    feeds: list[_AnyFeed] = [
        _Feed(gyro, estimator.add_gyro),
        _Feed(recording.range(), estimator.add_range, ahead_s=module.range.time_offset_s),
    ]
    if attitude is not None:
        feeds.append(_Feed(attitude, estimator.add_attitude))
    return estimator, _steps(recording, estimator, feeds)


def _steps(recording: Recording, estimator: Estimator, feeds: list[_AnyFeed]) -> Iterator[_Step]:
    module = recording.module
    after_frame_s = module.alignment.time_offset_s + 0.5 * module.camera.readout_s + _AHEAD_S
    for frame in ahead(recording.video()):
        for feed in feeds:
            feed.give_until(frame.time_s + after_frame_s)
        yield frame, estimator.add_frame(frame.time_s, frame.luma, keyframe=frame.keyframe)


class _Feed(Generic[S]):
    """Hands on the samples of a log up to a time, whatever chunks they come in."""

    def __init__(self, chunks: Iterator[S], receive: Callable[[S], None], *, ahead_s: float = 0.0) -> None:
        self._chunks: Iterator[S] = chunks
        self._receive: Callable[[S], None] = receive
        self._ahead_s = ahead_s
        self._chunk: S | None = next(chunks, None)
        self._given = 0
        self._given_s = -np.inf

    def give_until(self, time_s: float) -> None:
        """Hand on at least what is up to ``time_s``."""
        if time_s <= self._given_s:
            return
        self._given_s = time_s + _BATCH_S
        while self._chunk is not None:
            stop = int(np.searchsorted(self._chunk.time_s, self._given_s - self._ahead_s, "right"))
            if stop > self._given:
                self._receive(self._chunk.part(slice(self._given, stop)))
                self._given = stop
            if stop < len(self._chunk.time_s):
                return
            self._chunk, self._given = next(self._chunks, None), 0


def _peek_accelerometer(chunks: Iterator[GyroSamples]) -> tuple[Iterator[GyroSamples], Array | None]:
    """Give the log from its start, and the median (3,) of its first accelerations; None where it has none."""
    first = next(chunks)
    accel = first.accel_m_s2
    known = None if accel is None else accel[np.isfinite(accel).all(axis=1)]

    def whole() -> Iterator[GyroSamples]:
        yield first
        yield from chunks

    return whole(), None if known is None or len(known) == 0 else np.median(known, axis=0)
