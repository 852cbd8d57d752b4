"""A recording's rows, ranges and inertial samples to ``fused.csv``."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack
from itertools import chain
from types import TracebackType
from typing import Any, Generic, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from flow.fusion.filter import Filter
from flow.fusion.fusedlog import STATUS, FusedLogWriter
from flow.fusion.inputs import RowReader
from flow.fusion.noise import InertialNoise
from flow.fusion.rawspeed import RawSpeed
from flow.fusion.smoother import Smoothed, Smoother
from flow.inertial_sensors import GRAVITY_M_S2
from flow.numerics.running_median import RunningMedian
from flow.recording import Recording
from flow.result import FrameResult
from flow.series import GyroSamples, RangeSamples

Array: TypeAlias = NDArray[np.float64]
S = TypeVar("S", GyroSamples, RangeSamples)

_FASTEST_HZ = 1000.0  # size: Hz, cost only: faster logs are averaged down to this: no craft moves between two of these
_AHEAD_S = 0.02  # size: s, a buffer: samples that are handed on before a row, beyond its end
_UPSIDE_DOWN_M_S2 = 5.0  # prior: m/s^2, half of gravity along body z, which is -9.8 at rest and level, 9.8 upside down


class FusedLog:
    """Fuses a recording while it is measured: give it each result of :func:`flow.measure`.

    Without accelerations in ``gyro.csv``, or with an accelerometer upside down, it does nothing and writes nothing. A
    context manager.

    Parameters
    ----------
    recording
        An opened recording; its logs are read once more.
    path
        Where ``fused.csv`` goes.

    Raises
    ------
    DataError
        The place cannot be written, or a log cannot serve.

    Examples
    --------
    >>> import itertools, tempfile
    >>> from pathlib import Path
    >>> import flow
    >>> from flow.fusion import FusedLog
    >>> recording = flow.open_recording("sample_video/flight")
    >>> path = Path(tempfile.mkdtemp()) / "fused.csv"
    >>> with FusedLog(recording, path) as fused:
    ...     for result in itertools.islice(flow.measure(recording, first_pass=False), 20):
    ...         fused.add(result)
    ...     summary = fused.finish()
    >>> path.read_text().splitlines()[0][:40]
    'time_s,forward_m_s,right_m_s,down_m_s,fo'
    """

    def __init__(self, recording: Recording, path: str | os.PathLike[str]) -> None:
        self._recording = recording
        self._stack = ExitStack()
        self._writer = FusedLogWriter(path)
        chunks = recording.gyro()
        first = next(chunks)
        self.active = first.accel_m_s2 is not None
        """Whether there is anything to fuse."""
        module = recording.module
        self._noise = InertialNoise.of(module)
        if first.accel_m_s2 is not None and np.nanmedian(first.accel_m_s2[:, 2]) > _UPSIDE_DOWN_M_S2:
            self.active = False  # possible beside a logged attitude, which needs no accelerometer
        if not self.active:
            return
        self._noise = self._noise.raised_by(first)
        self._gyro: _Until[GyroSamples] = _Until(slower(chunk) for chunk in chain([first], chunks))
        self._ranges = _Until(recording.range())
        self._raw = RawSpeed(module.camera.readout_s)
        self._medians = [RunningMedian() for _ in range(4)]  # three sigmas, the accelerometer's noise
        self._smoother = Smoother(self._receive, self._without)
        self._filter = Filter(module, self._noise, smoother=self._smoother)
        self._rows = RowReader(module)

    def __enter__(self) -> FusedLog:
        if self.active:
            self._stack.enter_context(self._writer)
        return self

    def add(self, result: FrameResult) -> None:
        """Take the next result."""
        if not self.active:
            return
        row = self._rows.row(result)
        if row is None:
            return
        for ranges in self._ranges.until(row.end_s - self._recording.module.range.time_offset_s):
            self._filter.push_range(ranges)
        for samples in self._gyro.until(row.end_s + _AHEAD_S):
            self._filter.push_gyro(samples)
        self._raw.add(row)
        self._filter.push_row(row)
        sight = None if result.position is None else result.position.sight
        # Over uneven ground way and turn bend each other.
        if sight is not None and result.effects_m_s is not None and not result.effects_m_s.relief.any():
            self._filter.push_sight(sight)

    def finish(self) -> dict[str, Any]:
        """Smooth what is left; give what belongs into ``summary.json``, nothing where nothing was fused."""
        if not self.active:
            return {}
        for samples in self._gyro.until(np.inf):
            self._filter.push_gyro(samples)
        self._filter.finish()
        self._writer.flush()
        counts = self._writer.rows_by_status
        medians = [median.value() for median in self._medians]
        return {
            "fused": {
                "rows": sum(counts.values()),
                "status": {word: {"rows": n, "meaning": STATUS[word]} for word, n in counts.items() if n},
                "median_sigma_m_s": dict(zip(("forward", "right", "down"), medians, strict=False)),
                "accel_noise_m_s2_rthz": float(f"{self._noise.accel_m_s2_rthz:.3g}"),
                "accel_noise_from": "gyro.csv" if self._noise.raised else "the usual of low-cost sensors",
                # Much more than the line above says: it shakes, or does not sit at the body's origin.
                "accel_noise_by_pictures_m_s2_rthz": medians[3],
                "accel_bias_sigma_m_s2": self._noise.accel_bias_sigma_m_s2,
                "gravity_m_s2": GRAVITY_M_S2,
            },
            "raw_speed": self._raw.as_dict(),
        }

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        return self._stack.__exit__(kind, error, trace)

    def _receive(self, smoothed: Smoothed) -> None:
        self._writer.write(smoothed)
        self._raw.compare(smoothed)
        for median, values in zip(
            self._medians, (*smoothed.states.velocity_sigma_m_s.T, smoothed.accel_m_s2_rthz), strict=True
        ):
            median.add(values)

    def _without(self, time_s: Array) -> None:
        self._writer.write_without(time_s)
        self._raw.pass_over(float(time_s[-1]))


class _Until(Generic[S]):
    """Hands on the samples of a log up to a time."""

    def __init__(self, chunks: Iterator[S]) -> None:
        self._chunks: Iterator[S] = chunks
        self._chunk: S | None = None
        self._given = 0

    def until(self, time_s: float) -> Iterator[S]:
        """Give the samples not given yet, up to ``time_s``."""
        while True:
            if self._chunk is None:
                self._chunk, self._given = next(self._chunks, None), 0
            if self._chunk is None:
                return
            stop = int(np.searchsorted(self._chunk.time_s, time_s, "right"))
            if stop > self._given:
                yield self._chunk.part(slice(self._given, stop))
                self._given = stop
            if stop < len(self._chunk.time_s):
                return
            self._chunk = None


def slower(samples: GyroSamples) -> GyroSamples:
    """Average so many consecutive samples that no more than 1000 a second are left; noise densities stay what they are."""
    if samples.accel_m_s2 is None or len(samples.time_s) < 2:
        return samples
    step_s = float(np.median(np.diff(samples.time_s)))
    count = int(np.ceil(1 / (_FASTEST_HZ * step_s) - 0.01))
    if count < 2:
        return samples
    whole = len(samples.time_s) // count * count

    def mean(column: Array) -> Array:
        return np.asarray(column[:whole].reshape(-1, count, *column.shape[1:]).mean(axis=1))

    return GyroSamples(
        time_s=mean(samples.time_s), rate_rad_s=mean(samples.rate_rad_s), accel_m_s2=mean(samples.accel_m_s2)
    )
