"""Flights with one thing wrong, or unusual: blackouts, strays, holes, positions, accelerometers, long logs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from flow import scene
from flow.anchoring.sight import Sight
from flow.fusion import Filter, ImageRow
from flow.fusion.estimate import Estimate
from flow.series import GyroSamples
from tests.flow.fusion.checks import NEVER, QUANTITIES, flown, fused, picked, within
from tests.flow.fusion.flown import FRAME_S, NOISE, Array, Flown, Run, errors, fly, fuse, hover, squared

# Gaps, strays and interruptions.


def without_rows(flight: Flown, begin_s: float, end_s: float, *, told: bool = True) -> Flown:
    """Black the camera out for a while: rows say so, or do not come at all."""

    def dark(row: ImageRow) -> bool:
        return begin_s < row.end_s and row.start_s < end_s

    if told:
        rows = [
            replace(row, velocity_m_s=None, height_m=None, height_sigma_m=None) if dark(row) else row
            for row in flight.rows
        ]
    else:
        rows = [row for row in flight.rows if not dark(row)]
    return replace(flight, rows=rows)


@pytest.mark.parametrize("told", [True, False])
def test_a_second_without_pictures_is_bridged(told: bool) -> None:
    # 3 cm/s is what is wanted; the sigma, which must hold, says some 5 mm/s in the middle.
    sums = np.zeros(3)
    for seed in range(6):
        flight = without_rows(flown(seed), 3.0, 4.0, told=told)
        run = fuse(flight)
        t = run.times
        assert len(run.smoothed) == 1 and np.diff(t).max() < 0.005
        found = errors(flight, run.smoothed[0].states)
        gap = (t > 3.0) & (t < 4.0)
        assert np.abs(found["velocity"][gap]).max() < 0.03
        sums += found["velocity"][gap][200] ** 2 / found["velocity_cov"][gap][200].diagonal()
        # Causal: the last moment of the blackout, carried on from the samples alone.
        live = [state for state in run.causal if state.time_s[0] < 4.0 + 2 * FRAME_S][-1]
        assert np.abs(errors(flight, live)["velocity"]).max() < 0.03
        assert run.smoothed[0].since_row_s[gap].max() == pytest.approx(1.0, abs=3 * FRAME_S)
    assert (sums < chi2.ppf(1 - NEVER, 6)).all(), sums


def test_a_row_that_cannot_be_is_left_out_and_so_is_what_it_shares() -> None:
    # One picture in 40 is shifted by 5 cm: both its rows are off by 3 m/s, with opposite signs.
    flight = flown(2)
    rows = list(flight.rows)
    for k in range(80, 320, 40):
        for place, sign in ((k, 1.0), (k + 1, -1.0)):
            velocity = rows[place].velocity_m_s
            assert velocity is not None
            rows[place] = replace(rows[place], velocity_m_s=velocity + sign * np.array([3.0, -2.0, 0.0]))
    found = errors(flight, fuse(replace(flight, rows=rows)).smoothed[0].states)
    clean = errors(flight, fused(2).smoothed[0].states)
    rms = np.sqrt(np.mean(found["velocity"][400:] ** 2, axis=0))
    assert (rms < 1.3 * np.sqrt(np.mean(clean["velocity"][400:] ** 2, axis=0))).all()


def test_rows_that_contradict_for_a_second_are_believed_in_the_end() -> None:
    # From 3 s on all rows say 2 m/s more: impossible for the inertial sensors, so for a second they are not believed;
    # then there is no state for a moment, and it starts again from the rows.
    flight = flown(0)
    rows = [
        row if row.start_s < 3.0 or row.velocity_m_s is None
        else replace(row, velocity_m_s=row.velocity_m_s + np.array([2.0, 0.0, 0.0]))
        for row in flight.rows
    ]  # fmt: skip
    run = fuse(replace(flight, rows=rows))
    found = errors(flight, run.smoothed[0].states)
    # Up to the end of the first stretch, on inertial samples that are trusted less and less.
    assert np.abs(found["velocity"][:, :2]).max() < 0.05
    assert (found["velocity"] ** 2 < 16 * np.einsum("nii->ni", found["velocity_cov"])).all()
    assert 3.9 < run.smoothed[0].states.time_s[-1] < 4.2
    assert errors(flight, run.smoothed[-1].states)["velocity"][200, 0] == pytest.approx(2.0, abs=0.05)


def test_a_hole_in_the_samples_is_not_bridged() -> None:
    flight = flown(4)
    gyro, t = flight.gyro, flight.gyro.time_s
    kept = (t <= 3.0) | (t >= 3.2)
    assert gyro.accel_m_s2 is not None
    holed = GyroSamples(time_s=t[kept], rate_rad_s=gyro.rate_rad_s[kept], accel_m_s2=gyro.accel_m_s2[kept])
    run = fuse(replace(flight, gyro=holed))
    assert len(run.smoothed) == 2
    assert run.smoothed[0].states.time_s[-1] == pytest.approx(3.0, abs=0.003)
    found = errors(flight, run.smoothed[1].states)
    assert (np.abs(found["velocity"][100:]) < 0.02).all()
    # Every sample is told of once, with a state or without.
    told = np.sort(np.concatenate([run.times, *run.without]))
    np.testing.assert_allclose(told, holed.time_s)


def test_it_does_not_matter_how_samples_come() -> None:
    # In sevens, one by one, or in large parts ahead of the rows.
    whole, single, many = (fuse(flown(1), chunk=chunk) for chunk in (7, 1, 60))
    for other in (single, many):
        np.testing.assert_allclose(other.of("velocity_m_s"), whole.of("velocity_m_s"), atol=1e-12)


def test_the_state_ahead_is_the_state_once_it_is_there() -> None:
    # Live: what is said of the newest sample before its row has come is what the filter then predicts.
    flight, filter_ = flown(0), Filter(flown(0).module, NOISE)
    filter_.push_range(flight.ranges)
    given = 0
    for row in flight.rows[:120]:
        stop = int(np.searchsorted(flight.gyro.time_s, row.end_s + 0.05))
        filter_.push_gyro(flight.gyro.part(slice(given, stop)))
        given = stop
        filter_.push_row(row)
    ahead, now = filter_.ahead(), filter_.state()
    assert ahead is not None and now is not None
    assert ahead.time_s[0] == flight.gyro.time_s[given - 1] > now.time_s[0]
    assert (ahead.velocity_sigma_m_s >= now.velocity_sigma_m_s).all()
    assert np.abs(errors(flight, ahead)["velocity"]).max() < 4 * ahead.velocity_sigma_m_s.max()
    again = filter_.state()
    assert again is not None and again.time_s[0] == now.time_s[0]


def test_before_the_first_row_there_is_no_state() -> None:
    filter_ = Filter(flown(0).module, NOISE)
    filter_.push_gyro(flown(0).gyro.part(slice(0, 100)))
    assert filter_.state() is None and filter_.ahead() is None and not filter_.running


# What anchors show.


def test_sights_make_the_turn_known_and_their_sigma_is_honest() -> None:
    # Velocity, tilt and height against exact truth over 12 flights, half of them passing at 1 m/s, at moments before and
    # after a change of anchor. And it helps: a good tenth.
    flights = [fly(hover(6.5, seed, speed_m_s=float(seed % 2)), seed, sights=True) for seed in range(12)]
    runs = [fuse(flight) for flight in flights]
    for name in ("velocity", "tilt", "height"):
        found = [errors(f, picked([p.states for p in r.smoothed])) for f, r in zip(flights, runs, strict=True)]
        sums = np.sum([squared(one, name) for one in found], axis=0)
        assert within(sums, QUANTITIES[name] * len(flights)), (name, sums / (QUANTITIES[name] * len(flights)))
    without = [fuse(replace(flight, sights=[])) for flight in flights]
    held, free = (rms_of(flights, of) for of in (runs, without))
    assert held < 0.9 * free, held / free


def rms_of(flights: list[Flown], runs: list[Run]) -> float:
    """RMS error of the smoothed velocity forward and right, once settled."""
    found = [errors(f, r.smoothed[0].states)["velocity"][400:-200, :2] for f, r in zip(flights, runs, strict=True)]
    return float(np.sqrt(np.mean(np.square(found))))


@pytest.mark.parametrize("spoil", ["turn", "way", "axes"])
def test_sights_that_are_wrong_are_seen_to_be(spoil: str) -> None:
    # Mutations: the turn or the way backwards, forward and right swapped. Beyond the gate, or with errors not as they say.
    def wrong(sight: Sight) -> Sight:
        if spoil == "turn":
            return replace(sight, R_anchor_now=sight.R_anchor_now.T)
        way = -sight.way_m if spoil == "way" else sight.way_m[[1, 0, 2]]
        return replace(sight, way_m=way)

    flight = fly(hover(3.5, 1), 1, sights=True)
    kept = count_corrections(flight), count_corrections(replace(flight, sights=[wrong(s) for s in flight.sights]))
    assert kept[0] >= len(flight.sights) - 3 and kept[1] < 0.1 * kept[0], kept  # anchors themselves are not compared


def count_corrections(flight: Flown) -> int:
    """Count the sights that were within the gate."""
    fits, correct = 0, Estimate.correct

    def counted(
        self: Estimate, rows: Array, miss: Array, noise: Array, considered: Array | None = None, *, gate: float
    ) -> tuple[bool, Array]:
        nonlocal fits
        answer = correct(self, rows, miss, noise, considered, gate=gate)
        fits += bool(answer[0]) and len(miss) == 6
        return answer

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Estimate, "correct", counted)
        fuse(flight, smooth=False)
    return fits


# An accelerometer that is not what it says.


def away_from_the_origin(flight: Flown, arm_m: float) -> Flown:
    """Put the accelerometer some centimetres forward and right: it feels every turn."""
    gyro, t = flight.gyro, flight.gyro.time_s
    assert gyro.accel_m_s2 is not None
    rate, arm = flight.motion.rate_body(t), np.array([arm_m, arm_m, 0.0])
    felt = np.cross(np.gradient(rate, t, axis=0), arm) + np.cross(rate, np.cross(rate, arm))
    return replace(flight, gyro=replace(gyro, accel_m_s2=gyro.accel_m_s2 + felt))


def scaled(flight: Flown, share: float) -> Flown:
    """Stretch the accelerometer's axes, one against the other."""
    assert flight.gyro.accel_m_s2 is not None
    force = flight.gyro.accel_m_s2 * (1 + share * np.array([1.0, -1.0, 1.0]))
    return replace(flight, gyro=replace(flight.gyro, accel_m_s2=force))


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_an_accelerometer_off_the_origin_does_not_outvote_the_pictures(seed: int) -> None:
    # 5 cm off it feels up to 0.6 m/s2 RMS that nobody tells, 300 times its noise over a row. Rows are 1.4 mm/s; the filter
    # must not be worse than half as much again, nor sure of it: 90 % within the band, once it has found out (a second).
    flight = away_from_the_origin(fly(hover(8.0, seed), seed), 0.05)
    run = fuse(flight)
    found = errors(flight, run.smoothed[0].states)
    settled = (run.times > 1.5) & (run.times < flight.rows[-1].end_s)
    error, variance = found["velocity"][settled], np.einsum("nii->ni", found["velocity_cov"])[settled]
    assert (np.sqrt(np.mean(error[:, :2] ** 2, axis=0)) < 2.1e-3).all()
    assert ((error**2 < 1.96**2 * variance).mean(axis=0) > 0.9).all()
    assert len(run.smoothed) == 1
    assert np.median(run.smoothed[0].accel_m_s2_rthz[settled]) > 2 * NOISE.accel_m_s2_rthz


def test_a_scale_that_is_a_little_off_is_covered() -> None:
    # One per cent of scale through manoeuvres of 2.5 m/s2.
    inside = []
    for seed in range(4):
        flight = scaled(fly(scene.tour(8.0, height_m=1.0, speed_m_s=1.5, seed=seed), seed), 0.01)
        found = errors(flight, fuse(flight).smoothed[0].states)
        inside.append(found["velocity"][400:] ** 2 < 1.96**2 * np.einsum("nii->ni", found["velocity_cov"])[400:])
    assert (np.concatenate(inside).mean(axis=0) > 0.88).all(), np.concatenate(inside).mean(axis=0)


def test_an_accelerometer_that_is_what_it_says_stays_so() -> None:
    # Squared misses of 1 +- 0.8 a row raise its noise by chance; the median stays within a tenth of what was told.
    for seed in range(4):
        noise = fused(seed).smoothed[0].accel_m_s2_rthz[400:]
        assert np.median(noise) < 1.2 * NOISE.accel_m_s2_rthz
        assert noise.min() >= 0.999 * NOISE.accel_m_s2_rthz


# Long logs.


def test_blocks_are_smoothed_as_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    # Five seconds of what follows stand for all of it: the sigma grows by 2 % at most, and so the estimates differ by no
    # more than sqrt(1.02^2 - 1) = 0.2 sigma, once in a while by twice that.
    flight = fly(hover(14.0, 3, speed_m_s=1.0), 3)
    whole = fuse(flight)
    monkeypatch.setattr("flow.fusion.smoother._BLOCK", 500)
    monkeypatch.setattr("flow.fusion.smoother._BEYOND", 2000)
    blocks = fuse(flight)
    assert len(blocks.smoothed) > 3
    np.testing.assert_array_equal(blocks.times, whole.times)
    settled = blocks.times > 2.0
    sigma = whole.of("velocity_sigma_m_s")[settled]
    assert (blocks.of("velocity_sigma_m_s")[settled] / sigma < 1.02).all()
    assert (np.abs(blocks.of("velocity_m_s") - whole.of("velocity_m_s"))[settled] / sigma < 0.4).all()
