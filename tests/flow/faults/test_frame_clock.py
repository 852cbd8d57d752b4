"""Stamps that jitter while the shutter keeps its beat, and a shutter that jitters itself.

Expected is exact synthetic truth: frames rendered at even times and stamped otherwise, or rendered at the very times of
their stamps.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from typing import cast

import numpy as np
import pytest

from flow import scene
from flow.faults.frame_clock import FrameClock
from flow.measure import measure
from flow.recording import Recording
from flow.tracks import Matches
from tests.flow import flights
from tests.flow.flights import Flight, flight, gusty
from tests.flow.test_faults import off, usable

PERIOD_S, JITTER_S = 1 / 60, 0.002
PLACES = np.random.default_rng(2).uniform(0, 120, (50, 2))
ALL = np.ones(len(PLACES), bool)


def heard(exposed_s: np.ndarray, stamps_s: np.ndarray, *, speed_px_s: float = 200.0) -> tuple[FrameClock, np.ndarray]:
    """Let a clock hear stamps (N,) of frames exposed at other times, and the motion of a picture that swings a little."""
    clock, times = FrameClock(), []
    at = speed_px_s * (exposed_s + 0.05 * np.sin(5 * exposed_s))
    rng = np.random.default_rng(4)
    for k, stamp in enumerate(stamps_s):
        times.append(clock.time(float(stamp)))
        step = np.array([at[k] - at[max(k - 1, 0)], 0.3]) + rng.normal(0, 0.02, 2)
        clock.learn(
            Matches(
                first_px=PLACES, second_px=PLACES + step, covariance_px2=np.tile(np.eye(2), (50, 1, 1)), offered=50
            ),
            ALL,
        )
    return clock, np.array(times)


def even(count: int = 200) -> np.ndarray:
    return 0.3 + PERIOD_S * np.arange(count)


def jittered(times_s: np.ndarray) -> np.ndarray:
    return times_s + np.random.default_rng(1).normal(0, JITTER_S, len(times_s))


def test_regular_stamps_are_the_times() -> None:
    # A 90 kHz time base: rounded by 6 us.
    stamps = np.round(even() * 90000) / 90000
    clock, times = heard(even(), stamps)
    assert np.array_equal(times, stamps)
    assert clock.jitter_s == 0
    assert clock.interval_sigma_s == 0


def test_false_stamps_give_way_to_the_beat() -> None:
    clock, times = heard(even(), jittered(even()))
    assert clock.on_beat
    late = (np.diff(times) - PERIOD_S)[60:]
    # 60 stamps in the memory know a beat to an eighth of their noise; an interval far better.
    assert np.abs(late).max() < JITTER_S / 8
    assert np.abs(times - even())[60:].max() < JITTER_S / 2
    assert 0.5 * np.std(late) < clock.interval_sigma_s < JITTER_S / 2
    # 1.2: one-sigma of 60 values is known to a tenth.
    assert JITTER_S / 1.2 < clock.jitter_s < 1.2 * JITTER_S


def test_the_stamps_of_a_jittering_shutter_are_the_times() -> None:
    exposed = jittered(even())
    clock, times = heard(exposed, exposed)
    assert not clock.on_beat
    assert np.array_equal(times, exposed)
    assert clock.interval_sigma_s < 0.1 * JITTER_S


def test_before_the_picture_has_told_half_the_jitter_may_be_false() -> None:
    clock = FrameClock()
    for stamp in jittered(even(40)):
        clock.time(float(stamp))
    assert clock.interval_sigma_s == pytest.approx(JITTER_S, rel=0.3)  # sqrt(2) of two stamps, half of the power


def test_where_both_jitter_the_share_that_is_false_counts() -> None:
    exposed = jittered(even())
    stamps = exposed + np.random.default_rng(7).normal(0, JITTER_S, len(exposed))
    clock, times = heard(exposed, stamps)
    assert np.array_equal(times, stamps)
    # Two stamps of JITTER_S; the slope tells the share to some tenths.
    assert clock.interval_sigma_s == pytest.approx(np.sqrt(2) * JITTER_S, rel=0.35)


def test_lost_frames_are_counted_and_late_stamps_are_not() -> None:
    exposed = np.delete(even(), [90, 91, 120, 150])
    clock, times = heard(exposed, jittered(exposed))
    assert clock.on_beat
    assert np.abs(times - exposed)[60:].max() < JITTER_S
    stamps = jittered(even())
    stamps[150] += 0.9 * PERIOD_S
    stamps[151] = max(stamps[151], stamps[150] + 1e-4)
    _, times = heard(even(), stamps)
    assert np.abs(times - even())[152:].max() < JITTER_S  # the next stamp tells, and the one after is right


def test_a_second_time_it_is_known_from_the_first_frame_on() -> None:
    stamps = jittered(even())
    again = heard(even(), stamps)[0].begun_again()
    times = np.array([again.time(float(stamp)) for stamp in stamps])
    assert np.abs(np.diff(times) - PERIOD_S).max() < JITTER_S / 4


@functools.cache
def stop_and_go(jitter_s: float = 0.0) -> Flight:
    """Hover, then on at 0.8 m/s, in gusts, 60 frames a second; the shutter itself may jitter."""

    def channels(t: np.ndarray) -> np.ndarray:
        run = np.clip(t - 1.0, 0, None)
        still = np.zeros_like(t)
        return np.column_stack([np.where(run < 0.5, 0.8 * run**2, 0.2 + 0.8 * (run - 0.5)), *4 * [still], still])

    motion = scene.from_function(channels, 2.4) + gusty(2.4, speed_m_s=0.0)
    return flight(motion, frame_rate_hz=60, frame_jitter_s=jitter_s)


@functools.cache
def turning() -> Flight:
    return flight(gusty(2.2, speed_m_s=0.0, yaw_rate_rad_s=1.0), frame_rate_hz=60)


def stamped(flown: Flight) -> Flight:
    late = np.random.default_rng(3).normal(0, JITTER_S, len(flown.frames))
    return replace(
        flown, frames=[replace(frame, time_s=frame.time_s + e) for frame, e in zip(flown.frames, late, strict=True)]
    )


# 24 of 136 rows were off; and none was measured: the gyro seemed to disagree.
@pytest.mark.parametrize("source", [stop_and_go, turning])
def test_rows_under_false_stamps_are_right(source: functools.partial[Flight], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flights, "measure", functools.partial(measure, positions=False))
    rows = flights.measured(stamped(source()))
    assert usable(rows).mean() > 0.98
    assert not off(rows).any()
    true = flights.measured(source())
    # Not worse than thrice what true stamps leave.
    assert np.nanstd(rows.error_m_s[:, :2]) < 3 * np.nanstd(true.error_m_s[:, :2])


def test_rows_of_a_jittering_shutter_stay_right(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flights, "measure", functools.partial(measure, positions=False))
    rows = flights.measured(stop_and_go(JITTER_S))
    assert usable(rows).all()
    assert not off(rows).any()
    assert np.median(rows.sigma_m_s[60:, :2]) < 0.01


def test_a_live_loop_widens_its_rows_until_the_picture_has_told() -> None:
    speed, rate_hz = 0.5, 30.0
    flown = stamped(flight(scene.straight(2.5, height_m=1.2, speed_m_s=speed), frame_rate_hz=rate_hz))
    results = list(measure(cast("Recording", flown), positions=False, first_pass=False))
    by_stamps = np.array(
        [np.linalg.norm(r.effects_m_s.frame_times[0]) for r in results[2:] if r.effects_m_s is not None]
    )
    # Half of the power of two stamps' jitter, known to a fifth or so from eight intervals.
    assert np.median(by_stamps[8:16]) == pytest.approx(speed * JITTER_S * rate_hz, rel=0.6)
    # Then that of a beat learnt from some 50 stamps.
    assert np.median(by_stamps[45:]) < speed * JITTER_S * rate_hz / 5
