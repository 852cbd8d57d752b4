"""Flights with one thing wrong: what is measured is right within its band, and the log soon recovers."""

from __future__ import annotations

import itertools
import sys
import weakref
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import cast

import cv2
import numpy as np
import pytest

from flow import scene
from flow.errors import DataError
from flow.measure import measure
from flow.recording import Recording
from flow.row import LevelVelocity
from flow.video import Frame
from tests.flow.flights import (
    FRAME_S,
    HEIGHT_RECOVERY_S,
    RECOVERY_S,
    Array,
    Flight,
    Measured,
    assert_honest,
    assert_told,
    flight,
    inertial,
    measured,
    part,
    rocking_pass,
)
from tests.flow.spoils import believed, range_gap


def every_nth_range(n: int) -> Callable[[Flight], Flight]:
    return lambda f: replace(f, range_log=part(f.range_log, np.arange(len(f.range_log.time_s)) % n == 0))


def ranges_shown(change: Callable[[Array, Array], Array]) -> Callable[[Flight], Flight]:
    def spoil(flown: Flight) -> Flight:
        log = flown.range_log
        return replace(flown, range_log=replace(log, range_m=change(log.time_s, log.range_m)))

    return spoil


def stray_echoes(share: float, seed: int, *, double: bool = False) -> Callable[[Flight], Flight]:
    def change(_: Array, range_m: Array) -> Array:
        rng = np.random.default_rng(seed)
        wrong = 2 * range_m if double else rng.uniform(0.1, range_m)
        return np.where(rng.random(len(range_m)) < share, wrong, range_m)

    return ranges_shown(change)


def without_frames(dropped: Sequence[int]) -> Callable[[Flight], Flight]:
    return lambda f: replace(f, frames=[frame for frame in f.frames if frame.index not in set(dropped)])


def gyro_gap(begin_s: float, end_s: float) -> Callable[[Flight], Flight]:
    def spoil(flown: Flight) -> Flight:
        time_s = flown.gyro_log.time_s
        return replace(flown, gyro_log=part(flown.gyro_log, (time_s <= begin_s) | (time_s >= end_s)))

    return spoil


@dataclass(frozen=True)
class Fault:
    """What is done, in which stretch rows may be without velocity, and what they may say there."""

    spoil: Callable[[Flight], Flight]
    blind_s: tuple[float, float] = (0.0, 0.0)
    words: str = ""
    source: Callable[[], Flight] = inertial
    frames: int = 165  # the first 2.8 s

    def measured(self) -> Measured:
        """Measure the spoilt flight."""
        whole = self.source()
        return measured(self.spoil(replace(whole, frames=whole.frames[: self.frames])))


SOME = sorted(np.random.default_rng(5).choice(range(10, 160), 15, replace=False).tolist())
MOMENT_S = 150 * FRAME_S  # about when frame 150 - 3 is exposed; blocks begin there
FAULTS = {
    "nothing": Fault(lambda f: f),
    "nothing, logged attitude": Fault(lambda f: f, source=rocking_pass),
    "range at 5 Hz": Fault(every_nth_range(4), (0, 0.2 + FRAME_S), "no_height"),
    "no range for 0.1 s": Fault(range_gap(1.0, 1.1)),
    "no range for 1 s": Fault(range_gap(1.0, 2.0)),
    "no range for 2.8 s": Fault(range_gap(0.5, 3.3), (2.95, 3.3 + HEIGHT_RECOVERY_S), "no_height", frames=240),
    "one reading in ten is stray": Fault(stray_echoes(0.1, 2), (0, HEIGHT_RECOVERY_S), "no_height"),
    "one in ten is an echo of an echo": Fault(stray_echoes(0.1, 0, double=True), (0, HEIGHT_RECOVERY_S), "no_height"),
    "range shows its largest for 1 s": Fault(ranges_shown(lambda t, r: np.where((t > 1) & (t < 2), 10.0, r))),
    "range shows its least for 1 s": Fault(ranges_shown(lambda t, r: np.where((t > 1) & (t < 2), 0.1, r))),
    "single frames lost": Fault(without_frames(SOME)),
    "a block of 5 frames lost": Fault(without_frames(range(147, 152))),
    "a block of 16 frames lost": Fault(
        without_frames(range(147, 163)), (MOMENT_S, MOMENT_S + 16 * FRAME_S), "frame_gap"
    ),
    "gyro silent for 50 ms": Fault(gyro_gap(2.0, 2.05), (1.98, 2.05 + RECOVERY_S), "no_gyro"),
    "gyro silent for 0.5 s": Fault(gyro_gap(2.0, 2.5), (1.98, 2.5 + RECOVERY_S), "no_gyro no_height"),
    "gyro silent for 0.5 s, logged attitude": Fault(
        gyro_gap(2.0, 2.5), (1.98, 2.5 + RECOVERY_S), "no_gyro no_height", rocking_pass
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_costs_what_it_must_and_no_more(name: str) -> None:
    fault = FAULTS[name]
    found = fault.measured()
    assert_honest(found)
    assert_told(found, fault.words, fault.blind_s)


@pytest.mark.parametrize("copies", [SOME, [150, 151, 152, 153], list(range(10, 160, 2))])
def test_copied_frames_are_named_and_the_rest_is_measured(copies: list[int]) -> None:
    frames = list(inertial().frames[:165])
    for k in copies:
        frames[k] = replace(frames[k], luma=frames[k - 1].luma)
    found = measured(replace(inertial(), frames=frames))
    assert_honest(found)
    assert [k + 1 for k, word in enumerate(found.status) if word == "repeated_frame"] == copies
    assert Counter(found.status)["ok"] == len(found.rows) - len(copies)


def test_an_assumed_level_is_right_within_a_wider_band() -> None:
    # 4 degrees that nobody knows: at 0.6 m/s they alone are 0.04 m/s of climb.
    gyro_only = replace(inertial().gyro_log, accel_m_s2=None)
    level, leaning = measured(replace(inertial(), gyro_log=gyro_only)), measured(inertial())
    assert_honest(level)
    assert_told(level, "")
    settled = slice(60, None)
    wider = np.median(level.sigma_m_s[settled], axis=0) / np.median(leaning.sigma_m_s[settled], axis=0)
    assert (wider > 1).all()
    assert wider[2] > 2


@pytest.mark.parametrize("begin_s", [0.0, 1.5])
def test_an_accelerometer_that_is_dead_costs_no_row(begin_s: float) -> None:
    # One number throughout, or from some moment on: the gyro remains.
    log = inertial().gyro_log
    assert log.accel_m_s2 is not None
    held = log.accel_m_s2[np.searchsorted(log.time_s, begin_s)]
    force = np.where((log.time_s >= begin_s)[:, None], held, log.accel_m_s2)
    found = measured(replace(inertial(), gyro_log=replace(log, accel_m_s2=force)))
    assert_honest(found)
    assert_told(found, "")


def test_a_gyro_that_hangs_costs_no_more_than_one_that_is_silent() -> None:
    log = inertial().gyro_log
    hung = (log.time_s > 2.0) & (log.time_s < 2.5)
    rate = np.where(hung[:, None], log.rate_rad_s[np.flatnonzero(hung)[0]], log.rate_rad_s)
    found = measured(replace(inertial(), gyro_log=replace(log, rate_rad_s=rate)))
    assert_honest(found)
    assert_told(found, "no_gyro no_height", (1.98, 2.5 + RECOVERY_S))


@pytest.mark.parametrize("frames", [40, 165])  # fewer than are held back, and more
def test_rows_from_before_a_gyro_was_found_out_are_taken_back(frames: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules[measure.__module__], "_MOST_HELD", 120)
    # The sign of z: it takes some pairs to show, which live use cannot know and a log can.
    log, bias = inertial().gyro_log, np.array(inertial().module.gyro.bias_rad_s)
    rate = (log.rate_rad_s - bias) * [1.0, 1.0, -1.0] + bias
    turned = replace(inertial(), gyro_log=replace(log, rate_rad_s=rate), frames=inertial().frames[:frames])
    live = [result.row.status for result in measure(cast("Recording", turned), positions=False, first_pass=False)]
    assert "ok" in live[:10]
    results = list(measure(cast("Recording", turned)))
    assert {result.row.status for result in results} == {"gyro_disagrees"}
    assert all(result.position is None for result in results)


def test_a_figure_that_came_out_later_is_in_the_band_from_the_first_row_on() -> None:
    # Live, half a second of rocking shows that the focal length is 6 % too long, and the rows before are too sure.
    camera = inertial().module.camera
    flown = believed(camera={"fx_px": 1.06 * camera.fx_px, "fy_px": 1.06 * camera.fy_px})(inertial())
    found = measured(flown)
    assert_honest(found)
    live = itertools.islice(measure(cast("Recording", flown), positions=False, first_pass=False), 30)
    sigma = np.array([r.row.velocity.sigma_m_s for r in live if isinstance(r.row.velocity, LevelVelocity)])
    assert (np.abs(found.error_m_s[:30]) > np.maximum(4 * sigma, 0.02)).any(axis=1).sum() >= 5


@pytest.mark.parametrize(("slip", "yaw_rad"), [([1.0, 1.0, -1.0], 0.05), ([0.0, 0.0, 0.0], 0.12)])
def test_rows_are_taken_back_however_late_the_gyro_was_found_out(slip: list[float], yaw_rad: float) -> None:
    # Calm for a second, then turning: what came before is wrong by less, and no less by the gyro.
    def channels(t: Array) -> Array:
        still, grown = np.zeros_like(t), np.clip((t - 0.8) / 0.5, 0.1, 1)
        turning = yaw_rad * grown * np.sin(2 * np.pi * t)
        return np.column_stack([0.6 * t, still, still - 1.2, 0.3 * turning, 0.2 * turning, turning])

    flown = flight(scene.from_function(channels, 2.5), frame_rate_hz=30)
    log, bias = flown.gyro_log, np.array(flown.module.gyro.bias_rad_s)
    spoilt = replace(flown, gyro_log=replace(log, rate_rad_s=(log.rate_rad_s - bias) * slip + bias))
    live = [result.row.status for result in measure(cast("Recording", spoilt), positions=False, first_pass=False)]
    assert live[:26].count("ok") > 15  # half a second before it is found out, live
    found = measured(spoilt)
    assert "ok" not in found.status
    assert found.status.count("gyro_disagrees") > 0.9 * len(found.status)
    assert set(measured(flown).status) == {"ok"}


def test_rows_before_a_hand_in_front_of_the_lens_stay() -> None:
    # A third of what is held back moves by itself: that is no verdict over the gyro.
    frames = list(inertial().frames[:165])
    cloth = np.random.default_rng(9).normal(90, 40, (400, 400))
    cloth = cv2.GaussianBlur(cloth, (0, 0), 2.5)
    for k in range(60, 95):
        at = 120 + (70 * np.array([np.sin(0.15 * k), np.cos(0.12 * k)])).astype(int)
        shown = cloth[at[0] : at[0] + 120, at[1] : at[1] + 160]
        frames[k] = replace(frames[k], luma=np.clip(np.rint(shown), 0, 255).astype(np.uint8))
    found = measured(replace(inertial(), frames=frames))
    assert_honest(found, height_blind_s=(1.0, np.inf))  # the cloth goes up and down
    assert set(found.status[:59]) == {"ok"}
    # The cloth turns otherwise than the gyro, which eight pairs without it show right again.
    assert set(found.status[103:]) == {"ok"}


def test_an_accelerometer_upside_down_is_refused() -> None:
    log = inertial().gyro_log
    assert log.accel_m_s2 is not None
    turned = replace(inertial(), gyro_log=replace(log, accel_m_s2=-log.accel_m_s2))
    with pytest.raises(DataError, match=r"gyro.csv: accel_z_m_s2: specific force is \+9.78 m/s2 .* turn the sign"):
        next(measure(cast("Recording", turned)))
    # A logged attitude needs no accelerometer.
    assert_told(measured(replace(turned, attitude_log=rocking_pass().attitude_log, frames=turned.frames[:20])), "")


def test_no_more_pictures_are_kept_than_are_held_back(monkeypatch: pytest.MonkeyPatch) -> None:
    # Exact count of pictures that are still alive: those held back at first, a pair that is measured, up to three made ready
    # and three of an anchor, some decoded ahead; of 240.
    held_back, others = 120, 24
    monkeypatch.setattr(sys.modules[measure.__module__], "_MOST_HELD", held_back)
    alive, most = set[int](), 0
    flown = inertial()

    def fresh() -> Iterator[Frame]:
        for frame in flown.frames:
            own = replace(frame, luma=frame.luma.copy())
            alive.add(frame.index)
            weakref.finalize(own.luma, alive.discard, frame.index)
            yield own

    class Streamed(Flight):
        def video(self) -> Iterator[Frame]:
            return fresh()

    streamed = Streamed(**{f.name: getattr(flown, f.name) for f in fields(flown)})
    for _ in measure(cast("Recording", streamed)):
        most = max(most, len(alive))
    assert len(flown.frames) > 1.5 * (held_back + others)
    assert held_back <= most <= held_back + others
