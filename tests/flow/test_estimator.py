"""The stream as a whole: chunks, memory, every status, and what a row promises."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import cast

import numpy as np
import pytest

from flow.estimator import Estimator
from flow.measure import measure
from flow.module import Module
from flow.recording import Recording
from flow.result import FrameResult
from flow.row import REASONS, LevelVelocity, NoVelocity
from flow.series import AttitudeSamples, GyroSamples, RangeSamples
from flow.tracks import Matches, Picture, Predict
from flow.video import Frame
from tests.streams import GRAVITY, ShiftedGround, grain, gyro, plain_module, ranges

FRAME_S, GYRO_S, FOCAL = 0.02, 0.005, 130.0
WIDE, HIGH = 160, 120
GROUND = ShiftedGround(grain(256), width=WIDE, height=HIGH)
SHIFT = (0.8, -1.7)  # px a frame, right and down in the picture
SPEED = np.array([SHIFT[1], -SHIFT[0], 0.0]) / FOCAL / FRAME_S  # forward, right, down at 1 m


def module(**sections: dict) -> Module:
    camera = {"width_px": WIDE, "height_px": HIGH, "fx_px": FOCAL, "fy_px": FOCAL, "cx_px": 79.5, "cy_px": 59.5}
    return plain_module(camera=camera, range={"noise_m": 0.002} | sections.pop("range", {}), **sections)


def noisy(picture: Picture, seed: int, sigma: float = 1.0) -> Picture:
    rng = np.random.default_rng(seed)
    return np.clip(np.rint(picture + rng.normal(0, sigma, picture.shape)), 0, 255).astype(np.uint8)


def ground(k: float, seed: int = 0) -> Picture:
    """Give what frame ``k`` shows of a ground that passes at a steady SHIFT (for 20 frames at most)."""
    return noisy(GROUND(SHIFT[0] * k, SHIFT[1] * k), int(k) + 1000 * seed)


@dataclass
class Stream:
    """Frames 20 ms apart and what the sensors say; a test spoils one of them."""

    pictures: dict[int, Picture] = field(default_factory=lambda: {k: ground(k) for k in range(12)})
    module: Module = field(default_factory=module)
    gyro_until_s: float = np.inf
    rate: tuple[float, float, float] = (0.0, 0.0, 0.0)
    range_m: float | None = 1.0
    tilt: tuple[float, float] | None = None  # roll and pitch; None assumes level
    tilt_until_s: float = np.inf

    def results(self) -> list[FrameResult]:
        """Measure every pair."""
        estimator = Estimator(self.module, attitude="level" if self.tilt is None else "logged")
        end = max(self.pictures) * FRAME_S + 0.05
        times = np.arange(-0.1, end, GYRO_S)
        estimator.add_gyro(gyro(times[times < self.gyro_until_s], self.rate))
        if self.tilt is not None:
            logged = times[times < self.tilt_until_s]
            angle = np.ones(len(logged))
            estimator.add_attitude(
                AttitudeSamples(time_s=logged, roll_rad=angle * self.tilt[0], pitch_rad=angle * self.tilt[1])
            )
        if self.range_m is not None:
            estimator.add_range(ranges(np.arange(-0.1, end, FRAME_S), self.range_m))
        found = [estimator.add_frame(k * FRAME_S, self.pictures[k]) for k in sorted(self.pictures)]
        assert found[0] is None
        return cast("list[FrameResult]", found[1:])


def steady() -> dict[int, Picture]:
    return {k: ground(k) for k in range(12)}


def test_a_clean_stream_is_ok_and_right() -> None:
    # Exact truth: shift x height / focal / interval, signed. 4 sigma of the row, and no row wider than 0.1 px
    # and 2 %.
    for result in Stream().results():
        assert result.row.status == "ok"
        assert isinstance(result.row.velocity, LevelVelocity)
        error = result.row.velocity.vector_m_s - SPEED
        assert (np.abs(error) < 4 * result.row.velocity.sigma_m_s).all()
        assert (result.row.velocity.sigma_m_s < 0.1 / FOCAL / FRAME_S + 0.02 * np.abs(SPEED).max() + 0.06).all()
        assert result.row.height_m == pytest.approx(1.0, abs=0.005)
        assert result.row.inlier_share is not None and result.row.inlier_share > 0.8
        assert result.row.tracks > 50


def test_rows_are_timed_on_the_gyros_clock() -> None:
    # Contract: camera time + alignment.time_offset_s = gyro time; a row stands at the middle of its interval.
    late = module(alignment={"time_offset_s": 0.006})
    row = Stream(module=late).results()[3].row
    assert row.time_s == pytest.approx(3.5 * FRAME_S + 0.006, abs=1e-12)
    assert row.interval_s == pytest.approx(FRAME_S, abs=1e-12)


LIVELY = {"gyro_disagrees"}  # takes a lively flight: tests/flow/faults/test_turn_check.py


def status_streams() -> dict[str, tuple[Stream, int]]:
    """Make a stream for each status, and give the pair (counted by its second frame) that must show it."""
    flat = {k: noisy(np.full((HIGH, WIDE), 120, np.uint8), k) for k in range(12)}
    cut = steady()
    for k in range(6, 12):
        cut[k] = noisy(ShiftedGround(grain(256, seed=7), width=WIDE, height=HIGH)(0, 0), k)
    copied = steady()
    copied[6] = copied[5].copy()
    swung = {k: ground(0.0, seed=k) for k in (0, 10, 20)}  # 0.2 s apart, 42 degrees turned: no common view is left
    turning_bias = {"sigma": {"bias_rad_s": [0.2, 0.2, 0.2]}}
    return {
        "no_gyro": (Stream(gyro_until_s=0.101), 8),
        "no_attitude": (Stream(tilt=(0.0, 0.0), tilt_until_s=-0.05), 8),
        "no_height": (Stream(range_m=None), 5),
        "height_out_of_range": (Stream(range_m=9.0, module=module(range={"max_m": 8.0})), 5),
        "frame_gap": (Stream(pictures={k: ground(k) for k in (0, 1, 2, 3, 4, 20, 21, 22)}), 20),
        "repeated_frame": (Stream(pictures=copied), 6),
        "no_texture": (Stream(pictures=flat), 5),
        "few_tracks": (Stream(pictures=swung, rate=(0.0, 3.7, 0.0), tilt=(0.0, 0.0)), 20),
        "contradictory": (Stream(pictures=cut), 6),
        "picture_fixed": (Stream(pictures={k: noisy(GROUND(0, 0), k) for k in range(12)}, rate=(0.0, 0.8, 0.0)), 5),
        "too_tilted": (Stream(tilt=(1.2, 0.0)), 5),
        "uncertain": (
            Stream(
                range_m=7.0,
                module=module(gyro=turning_bias),
                pictures={k: noisy(GROUND(0.01 * k, 0), k) for k in range(12)},
            ),
            5,
        ),
    }


def test_every_reason_has_a_stream() -> None:
    assert status_streams().keys() == REASONS.keys() - LIVELY


@pytest.mark.parametrize("reason", sorted(REASONS.keys() - LIVELY))
def test_status(reason: str) -> None:
    # By construction: each stream is clean but for the one thing that its status names.
    stream, pair = status_streams()[reason]
    rows = {k: result.row for k, result in zip(sorted(stream.pictures)[1:], stream.results(), strict=True)}
    assert rows[pair].status == reason, [row.status for row in rows.values()]
    assert isinstance(rows[pair].velocity, NoVelocity)


@pytest.mark.parametrize("reason", ["frame_gap", "repeated_frame", "contradictory"])
def test_speed_comes_back_after_a_spoilt_pair(reason: str) -> None:
    # Exact truth again as soon as two good pictures follow each other: the last row of each stream.
    stream, _ = status_streams()[reason]
    expected = np.zeros(3) if reason == "contradictory" else SPEED  # after the cut the other ground stands still
    last = stream.results()[-1].row
    assert last.status == "ok"
    assert isinstance(last.velocity, LevelVelocity)
    np.testing.assert_allclose(last.velocity.vector_m_s, expected, atol=0.1 / FOCAL / FRAME_S)


def test_a_stalled_picture_does_not_halve_the_speed() -> None:
    # A copy is as old as its original: the pair after it spans two intervals. Exact truth for that pair too.
    stream, _ = status_streams()["repeated_frame"]
    after = stream.results()[6].row
    assert after.status == "ok"
    assert isinstance(after.velocity, LevelVelocity)
    np.testing.assert_allclose(after.velocity.vector_m_s, SPEED, atol=0.1 / FOCAL / FRAME_S)


def test_an_assumed_level_is_wider_than_a_logged_one() -> None:
    # A row says how little it knows: the same stream with roll and pitch has the narrower band.
    known, assumed = (Stream(tilt=tilt).results()[-1].row.velocity for tilt in ((0.0, 0.0), None))
    assert isinstance(known, LevelVelocity) and isinstance(assumed, LevelVelocity)
    assert (known.sigma_m_s < assumed.sigma_m_s).all()
    np.testing.assert_allclose(known.vector_m_s, assumed.vector_m_s, atol=1e-4)  # the height filter leans on it


def test_effects_add_up_to_the_covariance() -> None:
    # Closed form: causes are independent; their squares add up to the row's variance.
    result = Stream().results()[-1]
    assert isinstance(result.row.velocity, LevelVelocity)
    assert result.effects_m_s is not None
    total = sum(effect @ effect.T for effect in result.effects_m_s.values())
    np.testing.assert_allclose(total, result.row.velocity.covariance_m2_s2, rtol=1e-9, atol=1e-15)


def test_bias_of_the_module_is_used() -> None:
    # Closed form: a log that shows the module's bias and nothing else has not turned; unsubtracted it reads
    # as speed.
    bias = (0.3, -0.2, 0.1)
    with_bias = Stream(rate=bias, module=module(gyro={"bias_rad_s": bias})).results()[-1].row.velocity
    assert isinstance(with_bias, LevelVelocity)
    np.testing.assert_allclose(with_bias.vector_m_s, SPEED, atol=0.1 / FOCAL / FRAME_S)
    # The picture does not turn so: it gives such a gyro away.
    assert "ok" not in [result.row.status for result in Stream(rate=bias).results()]


@pytest.mark.parametrize(("shape", "time_s"), [((HIGH, WIDE + 1), 1.0), ((HIGH, WIDE), 0.0)])
def test_wrong_size_and_stalled_clock_are_refused(shape: tuple[int, int], time_s: float) -> None:
    estimator = Estimator(module(), attitude="level")
    assert estimator.add_frame(0.0, np.zeros((HIGH, WIDE), np.uint8)) is None
    with pytest.raises(ValueError, match=r"frame|advance"):
        estimator.add_frame(time_s, np.zeros(shape, np.uint8))


# Streaming


class InMemory:
    """A recording whose logs come in chunks of a given number of samples, as ``flow.recording`` gives them."""

    def __init__(self, chunk: int, *, accel: bool, attitude: bool) -> None:
        self.module = module(alignment={"time_offset_s": 0.003}, range={"time_offset_s": -0.002})
        self._chunk, self._attitude = chunk, attitude
        times = np.arange(-0.2, 0.9, GYRO_S)
        sway = 0.05 * np.sin(2 * np.pi * 2 * times)
        force = GRAVITY + np.column_stack([sway, 0 * sway, 0 * sway])
        self._gyro = gyro(times, 0.1 * np.column_stack([sway, -sway, 0 * sway]), force if accel else None)
        self._range = ranges(np.arange(-0.2, 0.9, 0.03), 1.0)
        self._tilt = AttitudeSamples(time_s=times, roll_rad=0.2 * sway, pitch_rad=-0.1 * sway)

    def _parts(self, samples):  # type: ignore[no-untyped-def]
        names = [n for n in type(samples).__slots__ if getattr(samples, n) is not None]
        for k in range(0, len(samples.time_s), self._chunk):
            part = {n: getattr(samples, n)[k : k + self._chunk] for n in names}
            yield type(samples)(**(dict.fromkeys(type(samples).__slots__) | part))

    def gyro(self) -> Iterator[GyroSamples]:
        """As a recording."""
        return self._parts(self._gyro)

    def range(self) -> Iterator[RangeSamples]:
        """As a recording."""
        return self._parts(self._range)

    def attitude(self) -> Iterator[AttitudeSamples] | None:
        """As a recording."""
        return self._parts(self._tilt) if self._attitude else None

    def video(self) -> Iterator[Frame]:
        """As a recording."""
        for k in range(18):
            yield Frame(index=k, time_s=k * FRAME_S, luma=ground(k), exposure_s=None)


@pytest.mark.parametrize("source", ["logged", "inertial", "level"])
def test_chunks_of_the_logs_do_not_matter(source: str) -> None:
    # Sample by sample, in odd chunks or the whole log at once: the same rows. 1e-9 m/s is rounding.
    speeds = []
    for chunk in (1, 7, 10_000):
        recording = InMemory(chunk, accel=source == "inertial", attitude=source == "logged")
        rows = [result.row for result in measure(cast("Recording", recording))]
        assert len(rows) == 17
        assert {row.status for row in rows} == {"ok"}
        speeds.append([[*row.velocity.vector_m_s, *row.velocity.sigma_m_s, row.height_m] for row in rows])
    np.testing.assert_allclose(speeds[0], speeds[2], atol=1e-9)
    np.testing.assert_allclose(speeds[1], speeds[2], atol=1e-9)


@pytest.mark.parametrize("attitude", ["inertial", "logged", "level"])
def test_samples_one_by_one_or_a_frame_at_a_time(attitude: str) -> None:
    # The estimator itself, without the reader before it: one call a sample or one call a frame, the same
    # rows.
    found = []
    for one_by_one in (True, False):
        estimator = Estimator(module(), attitude=attitude)  # type: ignore[arg-type]
        rows = []
        for k in range(15):
            times = k * FRAME_S + 0.01 - np.arange(8 if k == 0 else 4)[::-1] * GYRO_S
            rate = 0.005 * np.column_stack([np.sin(9 * times), np.cos(7 * times), 0 * times])
            pieces = [slice(i, i + 1) for i in range(len(times))] if one_by_one else [slice(None)]
            for piece in pieces:
                n = len(times[piece])
                estimator.add_gyro(gyro(times[piece], rate[piece], GRAVITY))
                estimator.add_attitude(
                    AttitudeSamples(time_s=times[piece], roll_rad=np.full(n, 0.02), pitch_rad=np.zeros(n))
                )
                estimator.add_range(ranges(times[piece], 1.0))
            rows.append(estimator.add_frame(k * FRAME_S, ground(k)))
        found.append([r.row.velocity.vector_m_s for r in rows[4:] if r.row.status == "ok"])
    assert len(found[0]) == 11
    np.testing.assert_allclose(found[0], found[1], atol=1e-9)


class Marked:
    """Image motion without a picture: a grid of points moved by SHIFT, so that a long stream is quick."""

    def __init__(self) -> None:
        x, y = np.meshgrid(np.arange(10, 150, 15.0), np.arange(10, 110, 15.0))
        self._points = np.column_stack([x.ravel(), y.ravel()])

    def match(self, first: Picture, second: Picture, predict: Predict, *, far: bool) -> Matches:
        """As any image motion."""
        count = len(self._points)
        jitter = np.random.default_rng(int(second[0, 0])).normal(0, 0.02, (count, 2))
        return Matches(
            first_px=self._points,
            second_px=self._points + SHIFT + jitter,
            covariance_px2=np.tile(0.001 * np.eye(2), (count, 1, 1)),
            offered=count,
        )


def test_memory_does_not_grow_with_the_stream() -> None:
    # Four times the stream, no more state: all that an estimator holds, pickled, at its largest over two
    # seconds. Once more 5 % for what a ring holds at the moment (a log that grew would add 13 kB a second,
    # 160 kB; a picture kept for each second 230 kB). Pickling sees the estimator's own state exactly; the
    # traced heap of the process wanders by as much as that in NumPy's caches.
    estimator = Estimator(module(), attitude="inertial", motion=Marked())
    largest = {200: 0, 800: 0}
    for k in range(901):
        estimator.add_gyro(gyro(k * FRAME_S + np.arange(4) * GYRO_S, (0.01, -0.02, 0.0), GRAVITY))
        # The last digit moves: this gyro turns away from what the accelerometer calls level, so that the image seems to climb,
        # and a range that never moves would be found stuck (flow.faults.stuck).
        estimator.add_range(ranges([k * FRAME_S], 1.0 + 0.001 * (k % 2)))
        result = estimator.add_frame(k * FRAME_S, np.full((HIGH, WIDE), k % 251, np.uint8))
        assert k < 5 or (result is not None and result.row.status == "ok")
        for mark in largest:
            if mark <= k <= mark + 100 and k % 5 == 0:
                largest[mark] = max(largest[mark], len(pickle.dumps(estimator)))
    assert largest[800] < 1.05 * largest[200]


def test_inertial_samples_of_a_long_silence_are_integrated_with_the_rotation_of_their_own_time() -> None:
    """A video that stalls for 5 s hands over 5 s of samples at once, more than the rotation log keeps.

    Exact truth: a force of constant size and direction in axes that do not rotate adds force times time, whatever the body
    turns. It swings about z; linear rates and chords between samples 5 ms apart are off by 1e-4 of it at most.
    """
    times, swing, omega, force = np.arange(0.0, 6.0, GYRO_S), 0.8, 3.0, np.array([1.0, 0.5, -9.8])
    angle = swing * np.sin(omega * times)
    cos, sin, down = np.cos(angle), np.sin(angle), np.full(len(times), force[2])
    in_body = np.stack([cos * force[0] + sin * force[1], cos * force[1] - sin * force[0], down], axis=1)
    rate = np.outer(swing * omega * np.cos(omega * times), [0.0, 0.0, 1.0])
    samples, early = gyro(times, rate, in_body), times < 1.0
    estimator = Estimator(module(), attitude="inertial")
    estimator.add_gyro(samples.part(early))
    before = estimator.state.force.mean(0.9, FRAME_S)
    estimator.add_gyro(samples.part(~early))
    after = estimator.state.force.mean(5.9, FRAME_S)
    assert before is not None and after is not None
    np.testing.assert_allclose(after - before, 5.0 * force, rtol=0, atol=1e-3)
