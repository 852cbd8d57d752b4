"""Range readings and heights: which count, what a tilt does to them, and a floor that steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.fusion import ImageRow
from flow.fusion import layout as at
from flow.fusion.ranging import RangeReader, Reading
from flow.height import origin_height
from flow.module import Module
from flow.series import RangeSamples
from tests.flow.fusion.flown import MODULE, Array, Flown, errors, fly, fuse, hover


def module(**keys: object) -> Module:
    return MODULE.model_copy(update={"range": MODULE.range.model_copy(update=keys)})


def values_of(turn: Rotation, height_m: float) -> Array:
    values = np.zeros(at.VALUES)
    values[at.V_ROTATION] = turn.as_matrix().ravel()
    values[at.V_HEIGHT] = height_m
    return values


@pytest.mark.parametrize("beam", ["wide", "narrow"])
def test_a_reading_leans_on_the_tilt_as_its_geometry_says(beam: str) -> None:
    # Truth: the height that the same reading means when the craft is turned by 1e-5 rad (central difference of
    # flow.height's own geometry); a wrong sign or axis is off by twice the arm.
    sensor = module(beam=beam, position_m=(0.1, -0.2, 0.03), min_m=0.05)
    turn = Rotation.from_euler("ZYX", [0.7, -0.2, 0.15])
    height = origin_height(sensor.range, 1.3, 20.0, turn.as_matrix()[2])
    heard = RangeReader(sensor).against(
        Reading(time_s=0.0, range_m=1.3), values_of(turn, height), np.eye(at.ERRORS) * 1e-4
    )
    assert heard is not None
    row, miss, noise, _ = heard
    assert miss[0] == pytest.approx(0.0, abs=1e-12) and noise[0, 0] == sensor.range.noise_m**2
    for axis in (0, 1):
        ends = []
        for sign in (1.0, -1.0):
            vector = np.zeros(3)
            vector[axis] = sign * 1e-5
            ends.append(origin_height(sensor.range, 1.3, 20.0, (Rotation.from_rotvec(vector) * turn).as_matrix()[2]))
        # miss = height - (what the reading means): the reading means more, the miss grows less.
        assert row[0, 6 + axis] == pytest.approx(-(ends[0] - ends[1]) / 2e-5, abs=1e-6)
    assert row[0, at.HEIGHT] == 1.0


def strays(flight: Flown, share: float, seed: int = 0) -> Flown:
    rng, log = np.random.default_rng(seed), flight.ranges
    wrong = rng.random(len(log.time_s)) < share
    wrong[:20] = False
    ranges = np.where(wrong, rng.uniform(0.2, 2.5, len(wrong)) * log.range_m, log.range_m)
    return replace(
        flight, ranges=RangeSamples(time_s=log.time_s, range_m=ranges, air_temperature_c=log.air_temperature_c)
    )


def test_stray_echoes_are_left_out() -> None:
    # One reading in five is anything between a fifth of the height and two and a half times it.
    flight = fly(hover(6.0, 5), 5)
    found = errors(flight, fuse(strays(flight, 0.2)).smoothed[0].states)
    # 4 sigma; and 5 mm of noise at 16 true readings a second over the memory of the floor are 1 to 2 mm.
    assert (np.abs(found["height"]) < 4 * np.sqrt(found["height_cov"][:, :, 0]) + 0.002).all()
    assert np.abs(found["height"][400:]).max() < 0.01


def test_a_floor_that_steps_is_taken_from_the_rows() -> None:
    # A table top 0.3 m high comes under the craft at 3 s. The rows' own filter hears of it 0.15 s later; until then their
    # sigma covers both heights.
    flight = fly(hover(6.0, 5), 5)
    log = flight.ranges
    ranges = replace(log, range_m=log.range_m - np.where(log.time_s > 3.0, 0.3, 0.0))

    def over(row: ImageRow) -> ImageRow:
        assert row.height_m is not None and row.velocity_m_s is not None
        if row.start_s < 3.0:
            return row
        if row.start_s < 3.15:
            return replace(row, height_sigma_m=0.3)
        scale = (row.height_m - 0.3) / row.height_m
        return replace(row, height_m=row.height_m - 0.3) if scale > 0 else row

    run = fuse(replace(flight, ranges=ranges, rows=[over(row) for row in flight.rows]))
    found = errors(flight, run.smoothed[0].states)
    t = run.times
    assert np.abs(found["height"][(t > 1.0) & (t < 2.9), 0]).max() < 0.01
    assert np.abs(found["height"][t > 3.3, 0] + 0.3).max() < 0.01


def test_readings_beyond_the_sensors_limits_are_none() -> None:
    reader = RangeReader(module(max_m=2.0))
    values = values_of(Rotation.identity(), 2.0)
    assert reader.against(Reading(time_s=0.0, range_m=2.0), values, np.eye(at.ERRORS)) is None
    assert reader.against(Reading(time_s=0.0, range_m=1.99), values, np.eye(at.ERRORS)) is not None


def test_an_unlogged_temperature_widens_the_height() -> None:
    # Closed form: the speed of sound goes with the root of the absolute temperature: 10 K of 293 K are 1.71 %.
    reader = RangeReader(MODULE)
    air, scale = 0.5 * 10 / 293.15, MODULE.range.sigma.scale
    assert np.linalg.norm(reader.considered(2.0)) == pytest.approx(2.0 * np.hypot(air, scale), rel=1e-6)
    known = RangeSamples(time_s=np.array([0.0]), range_m=np.array([1.0]), air_temperature_c=np.array([20.0]))
    reader.add(known)
    assert reader.next(0.5) is not None
    assert np.linalg.norm(reader.considered(2.0)) == pytest.approx(2.0 * scale)
