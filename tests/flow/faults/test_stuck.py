"""Samples that only repeat what was read last are found; everything else is left alone. Expected by construction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from flow import scene
from flow.faults.stuck import NeverMoved, Stuck, StuckRange
from flow.module import Range
from flow.series import GyroSamples, RangeSamples
from tests.flow.flights import flight, measured

STEP_S = 0.0025
BIAS = np.array([0.008, -0.012, 0.005])
HUNG = slice(300, 500)


def found(rate: np.ndarray, force: np.ndarray | None = None, chunk: int = 1000) -> tuple[np.ndarray, np.ndarray]:
    """Mark which samples are left, and of all samples which forces."""
    stuck, times = Stuck(BIAS), np.arange(len(rate)) * STEP_S
    parts = [slice(k, k + chunk) for k in range(0, len(rate), chunk)]
    given = [
        stuck.without_stuck(
            GyroSamples(time_s=times[p], rate_rad_s=rate[p], accel_m_s2=None if force is None else force[p])
        )
        for p in parts
    ]
    kept = np.isin(times, np.concatenate([part.time_s for part in given]))
    forces = [part.accel_m_s2 for part in given if part.accel_m_s2 is not None]
    return kept, np.isfinite(np.concatenate(forces)).all(axis=1) if forces else np.empty(0)


def turning(count: int = 800) -> np.ndarray:
    t = np.arange(count) * STEP_S
    swing = 0.4 * np.column_stack([np.sin(9 * t), np.cos(7 * t), np.sin(5 * t + 1)])
    return swing + BIAS + np.random.default_rng(1).normal(0, 2e-3, (count, 3))


@pytest.mark.parametrize("chunk", [1, 7, 1000])
@pytest.mark.parametrize("repeats", [1, 4])
def test_a_gyro_that_hangs_is_left_out(chunk: int, repeats: int) -> None:
    rate = np.repeat(turning()[::repeats], repeats, axis=0)[:800]
    rate[HUNG] = rate[HUNG.start]
    kept, _ = found(rate, chunk=chunk)
    assert kept[: HUNG.start].all()
    assert kept[HUNG.stop :].all()
    # Plain after three times the usual run of equal readings, and at least five of them.
    assert not kept[HUNG.start + 3 * repeats + 2 : HUNG.stop].any()


def test_rest_in_coarse_steps_is_no_fault() -> None:
    rate = np.round(turning(), 2)
    rate[HUNG] = np.round(BIAS, 2)
    assert found(rate)[0].all()
    assert found(np.zeros((50, 3)))[0].all()


@pytest.mark.parametrize("begin", [0, 300])
def test_forces_that_stand_while_the_gyro_turns_are_none(begin: int) -> None:
    force = np.random.default_rng(2).normal([0, 0, -9.8], 0.05, (800, 3))
    force[begin:] = force[begin]
    kept, felt = found(turning(), force, chunk=7)
    assert kept.all()
    assert felt[:begin].all()
    assert not felt[begin + int(0.05 / STEP_S) + 2 :].any()


def test_forces_at_rest_stay() -> None:
    # A simulated bench: neither gyro nor accelerometer has any noise.
    still = np.tile(BIAS, (100, 1))
    assert found(still, np.tile([0, 0, -9.8], (100, 1)))[1].all()


def heard(range_m: np.ndarray, chunk: int = 1000) -> np.ndarray:
    """Mark which range readings of 20 a second are left, of a sensor with 5 mm of noise that reaches 8 m."""
    stuck = StuckRange(Range(beam="wide", noise_m=0.005, max_m=8.0))
    times = np.arange(len(range_m)) / 20
    parts = [slice(k, k + chunk) for k in range(0, len(range_m), chunk)]
    given = [
        stuck.without_stuck(RangeSamples(time_s=times[p], range_m=range_m[p], air_temperature_c=None)) for p in parts
    ]
    return np.isin(times, np.concatenate([part.time_s for part in given]))


def climbing(count: int = 200) -> np.ndarray:
    return np.linspace(1.0, 1.2, count) + np.random.default_rng(3).normal(0, 0.005, count)


@pytest.mark.parametrize("chunk", [1, 7, 1000])
@pytest.mark.parametrize("repeats", [1, 3])
def test_a_range_that_hangs_is_left_out(chunk: int, repeats: int) -> None:
    reading = np.repeat(climbing()[::repeats], repeats)[:200]
    reading[60:120] = reading[60]
    left = heard(reading, chunk)
    assert left[:60].all()
    assert left[120:].all()
    assert not left[60 + 3 * repeats + 2 : 120].any()


def test_a_range_in_coarse_steps_or_at_its_limit_stays() -> None:
    coarse = np.round(climbing(), 2)
    coarse[60:120] = coarse[60]  # two sigmas a step: a hover may stand at one for long
    assert heard(coarse).all()
    silent = climbing()
    silent[60:120] = 8.0
    assert heard(silent).all()
    assert heard(np.full(100, 1.0)).all()  # digits unknown


@pytest.mark.parametrize("climb_m_s", [0.4, -0.3])
def test_a_range_that_never_moved_is_stuck_once_the_picture_has_climbed(climb_m_s: float) -> None:
    """Noise of 5 mm leaves room for digits of 17 mm, a tilt that leans the climb by 5 mm/s for five of its sigmas more."""
    frozen = NeverMoved(0.005)
    for k in range(30):
        frozen.climb(k / 30, -climb_m_s, 0.001, 0.005)
        frozen.hear(1.25)
        # The climb counts from the first reading on; a row's noise of 1 mm/s over 1/30 s adds 0.2 mm a root of rows.
        least_s, most_s = 0.0173 / (abs(climb_m_s) - 5 * 0.005), 0.020 / (abs(climb_m_s) - 5 * 0.005) + 1 / 30
        assert frozen.stuck or k / 30 < most_s
        assert not frozen.stuck or k / 30 > least_s
    frozen.hear(1.26)
    assert not frozen.stuck


def test_a_range_that_never_moved_is_believed_at_one_height() -> None:
    """A bench rail under a coarse sensor: the picture's climb is noise and a lean, and nothing contradicts."""
    rail = NeverMoved(0.005)
    rng = np.random.default_rng(1)
    for k in range(3000):
        rail.hear(1.25)
        rail.climb(k / 30, 0.005 + rng.normal(0, 0.02), 0.02, 0.005)
        assert not rail.stuck


@pytest.mark.parametrize("climb_m_s", [0.3, 0.0])
def test_measure_believes_no_range_that_stands_still_while_the_craft_climbs(climb_m_s: float) -> None:
    """As ``check`` says it: it does not follow the height. At one height it may be a coarse sensor, and is believed."""
    flown = flight(scene.straight(3.0, height_m=0.8, speed_m_s=0.3, climb_m_s=climb_m_s), exposure_s=0.001)
    log = flown.range_log
    rows = measured(replace(flown, range_log=replace(log, range_m=np.full_like(log.range_m, log.range_m[0]))))
    late = [row.status for row in rows.rows if row.time_s > 1.0]
    assert set(late) == ({"no_height"} if climb_m_s else {"ok"})
