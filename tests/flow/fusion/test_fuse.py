"""Whole recordings through measurement and fusion: the sample flight and a rendered one, against their exact truth."""

from __future__ import annotations

import functools
import json
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from scipy.integrate import quad

import flow
from flow import scene
from flow.accuracy.reference import Reference
from flow.anchoring.sight import Sight
from flow.columns import FUSED
from flow.disk.table import read_table
from flow.error_sources import ErrorSource
from flow.errors import DataError
from flow.fusion import FusedLog, RowReader
from flow.fusion.fusedlog import STATUS
from flow.fusion.inputs import DRIFT_LASTS_S
from flow.measure import measure
from flow.recording import Recording
from flow.result import PairRow
from flow.row import LevelVelocity, NoVelocity, SpeedRow
from flow.series import Truth, read_truth
from tests.effects import NOTHING, effects_of
from tests.flow.flights import Flight, flight, inertial, module
from tests.flow.fusion.flown import Array

SAMPLE = Path(__file__).parents[3] / "sample_video" / "flight"
NUMBERS = FUSED.names[:-1]


class Log:
    """``fused.csv`` read back, the rows behind it, and what went into the summary."""

    def __init__(self, recording: Recording, truth: Truth) -> None:
        self.truth = truth
        self.rows: list[SpeedRow] = []
        self.pairs: list[PairRow | None] = []
        self.sights: list[Sight] = []
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "fused.csv"
            with FusedLog(recording, path) as log:
                for result in measure(recording):
                    log.add(result)
                    self.rows.append(result.row)
                    self.pairs.append(result.pair)
                    if result.position is not None and result.position.sight is not None:
                        self.sights.append(result.position.sight)
                self.facts = log.finish()
            parts = list(read_table(path, NUMBERS, words=["status"]))
        self.columns = {key: np.concatenate([part.columns[key] for part in parts]) for key in NUMBERS}
        self.status = [word for part in parts for word in part.words["status"]]

    def matrix(self, *keys: str) -> Array:
        """Put some columns side by side."""
        return np.column_stack([self.columns[key] for key in keys])

    @functools.cached_property
    def velocity_error(self) -> Array:
        """Fused velocity less the truth, (N, 3)."""
        t = self.columns["time_s"]
        axes = self.truth.forward_m_s, self.truth.right_m_s, self.truth.down_m_s
        true = np.column_stack([np.interp(t, self.truth.time_s, axis) for axis in axes])
        return self.matrix("forward_m_s", "right_m_s", "down_m_s") - true

    @property
    def velocity_sigma(self) -> Array:
        """Their one-sigmas."""
        return self.matrix("forward_sigma_m_s", "right_sigma_m_s", "down_sigma_m_s")

    def raw_rms(self, begin_s: float, end_s: float) -> Array:
        """RMS error (3,) of what two images alone show between two times."""
        known = Reference(self.truth)
        errors = [
            (row.velocity.vector_m_s if pair is None else pair.velocity_m_s)
            - known.mean_velocity_m_s(np.array([row.time_s]), np.array([row.interval_s]))[0]
            for row, pair in zip(self.rows, self.pairs, strict=True)
            if isinstance(row.velocity, LevelVelocity) and begin_s < row.time_s < end_s
        ]
        return np.asarray(np.sqrt(np.mean(np.square(errors), axis=0)))

    def fused_rms(self, begin_s: float, end_s: float) -> Array:
        """RMS error (3,) of the fused velocity between two times."""
        t = self.columns["time_s"]
        return np.asarray(np.sqrt(np.mean(np.square(self.velocity_error[(t > begin_s) & (t < end_s)]), axis=0)))


@functools.cache
def sample() -> Log:
    recording = flow.open_recording(SAMPLE)
    assert recording.truth_path is not None
    return Log(recording, read_truth(recording.truth_path))


@functools.cache
def rendered() -> Log:
    return of_flight(inertial())


@functools.cache
def hover_in_gusts(seed: int, ground: str) -> Log:
    """320 x 240, lossless, 5.8 s at 1 m."""
    motion = scene.straight(5.8, height_m=1.0) + scene.gusts(5.8, seed=seed)
    return of_flight(flight(motion, module=scene.preset_module("small"), seed=seed, ground=scene.make_ground(ground)))


def of_flight(flight: Flight) -> Log:
    return Log(cast("Recording", flight), flight.truth)


def test_hover_of_the_sample_flight_is_known_four_times_as_well() -> None:
    # H.264 video from 1.5 m, exact truth: it hovers in gusts for the first 3 s and the last. Measured: six times.
    for begin_s, end_s in ((0.5, 2.9), (9.8, 11.9)):
        assert (sample().fused_rms(begin_s, end_s)[:2] <= sample().raw_rms(begin_s, end_s)[:2] / 4).all()
    assert (sample().fused_rms(0.5, 11.9) < 0.25 * sample().raw_rms(0.5, 11.9)).all()


@pytest.mark.parametrize("log", [sample, rendered])
def test_the_band_holds(log: Any) -> None:
    # 95 % of the errors within 1.96 sigma: errors last for a tenth of a second and longer, so a flight of some seconds has
    # 50 or so independent ones: 90 % at least. And nowhere beyond 4.5.
    found = log()
    known = np.isfinite(found.velocity_error).all(axis=1)
    share = np.abs(found.velocity_error[known]) / found.velocity_sigma[known]
    assert ((share < 1.96).mean(axis=0) > 0.9).all(), (share < 1.96).mean(axis=0)
    assert (share.max(axis=0) < 4.5).all(), share.max(axis=0)
    t, height = found.columns["time_s"][known], found.columns["height_m"][known]
    high = (
        np.abs(height - np.interp(t, found.truth.time_s, found.truth.height_m)) / found.columns["height_sigma_m"][known]
    )
    assert (high < 1.96).mean() > 0.9 and high.max() < 4.5


def test_every_sample_has_its_row() -> None:
    recording = flow.open_recording(SAMPLE)
    times = np.concatenate([part.time_s for part in recording.gyro()])
    np.testing.assert_allclose(sample().columns["time_s"], times, atol=1e-6)
    assert set(sample().status) <= set(STATUS)
    first = sample().status.index("ok")
    assert set(sample().status[:first]) == {"no_state"}
    empty = np.isnan(sample().matrix(*NUMBERS[1:])).all(axis=1)
    np.testing.assert_array_equal(empty, np.array(sample().status) == "no_state")
    assert not np.isnan(sample().matrix(*NUMBERS)[~empty]).any()


def least_error_m_s(accel: float, gyro: float, height_m: float, turn: float) -> float:
    """RMS error of the best smoother of a hover, by densities: accelerometer, gyro, turn as pictures show it (rad/rtHz).

    A place x whose acceleration is white but for what the accelerometer says, S_x = q^2 / w^4, is seen in pictures that
    show x + h a, a the turn that the gyro has missed, S_a = N^2 / w^2, and a in white noise p^2 besides. What is left of a is
    S_a p^2 / (S_a + p^2), of x likewise (Wiener smoother: Anderson and Moore 1979).
    """

    def density(w: float) -> float:
        x, turned = accel**2 / w**4, gyro**2 / w**2
        noise = height_m**2 * turned * turn**2 / (turned + turn**2)
        return w**2 * x * noise / (x + noise) / np.pi

    return float(np.sqrt(quad(density, 1e-3, 3e3, limit=500)[0]))


def test_a_hover_is_known_as_well_as_its_sensors_allow() -> None:
    # Lossless, 320 x 240: pictures have next to no noise of their own (0.2 of a row's 0.9 mm/s), what is left is the gyro's,
    # less what anchors show of the turn. 20 %: 5 s and two axes hold 100 independent errors, 7 % of a sigma, picture and
    # height add 5 %, and what pictures are told to show of the turn is a third too cautious.
    preset, found = scene.preset_module("small"), hover_in_gusts(5, "gravel")
    rms = np.sqrt(np.mean(found.fused_rms(0.7, 5.6)[:2] ** 2))
    turn_rad2 = np.median([np.trace(s.covariance[3:5, 3:5]) / 2 for s in found.sights])
    step_s = np.median(np.diff([sight.time_s for sight in found.sights]))
    q, r = scene.ImuErrors().accel_noise_m_s2_rthz, float(preset.gyro.noise_per_axis[0])
    least = least_error_m_s(q, r, 1.0, float(np.sqrt(turn_rad2 * step_s)))
    assert 0.8 < rms / least < 1.2
    # Rows alone cannot do that.
    assert least_error_m_s(q, r, 1.0, 1.0) == pytest.approx(np.sqrt(q * r / 2), rel=0.01) and least < 0.9 * np.sqrt(
        q * r / 2
    )


def test_a_hover_in_gusts_is_known_three_times_as_well_as_by_rows() -> None:
    raw, fused = [], []
    for found in (hover_in_gusts(5, "gravel"), hover_in_gusts(6, "soil")):
        raw.append(found.raw_rms(0.7, 5.6)[:2])
        fused.append(found.fused_rms(0.7, 5.6)[:2])
    assert np.sqrt(np.mean(np.square(fused)) / np.mean(np.square(raw))) < 1 / 3


def test_biases_and_tilt_of_the_sample_flight() -> None:
    # Truth: the module that made it (its gyro bias is exact), an accelerometer without bias, and the pitch that its
    # specific force and velocity leave: a tilt is checked on flights of known attitude; here biases, within 4 sigma.
    bias = sample().matrix(*(f"gyro_bias_{axis}_rad_s" for axis in "xyz"))[-1]
    sigma = sample().matrix(*(f"gyro_bias_{axis}_sigma_rad_s" for axis in "xyz"))[-1]
    true = np.array(flow.open_recording(SAMPLE).module.gyro.bias_rad_s)
    assert (np.abs(bias - true) < 4 * sigma + 1e-7).all()
    assert (sigma[:2] < 1e-4).all()  # 0.2 mrad/s before the flight
    accel = sample().matrix(*(f"accel_bias_{axis}_m_s2" for axis in "xyz"))[-1]
    accel_sigma = sample().matrix(*(f"accel_bias_{axis}_sigma_m_s2" for axis in "xyz"))[-1]
    assert (np.abs(accel) < 4 * accel_sigma).all() and (accel_sigma < 0.02).all()


def test_what_the_summary_says() -> None:
    facts = json.loads(json.dumps(sample().facts))
    assert facts["fused"]["rows"] == len(sample().status)
    assert sum(held["rows"] for held in facts["fused"]["status"].values()) == facts["fused"]["rows"]
    assert facts["fused"]["gravity_m_s2"] == 9.80665
    # The rows' sigma against the truth's: what lasts is in the rows' errors and not in here, half a mm/s.
    raw = sample().raw_rms(0.0, 12.0)
    for axis, true in zip(("forward", "right"), raw, strict=False):
        assert facts["raw_speed"]["sigma_m_s"][axis] == pytest.approx(true, rel=0.15)
        assert -0.6 < facts["raw_speed"]["correlation_of_rows"][axis][0] < 0.3
    assert facts["raw_speed"]["of"].startswith("single pairs of frames")
    # 60 frames a second and 14 ms of readout.
    assert facts["raw_speed"]["delay_s"] == pytest.approx(0.5 / 60 + 0.007, abs=1e-4)


def test_a_camera_that_goes_black_is_bridged() -> None:
    flight = inertial()
    black = [replace(f, luma=np.full_like(f.luma, 16)) if 2.0 < f.time_s < 3.0 else f for f in flight.frames]
    found = of_flight(replace(flight, frames=black))
    t = found.columns["time_s"]
    gap = (t > 2.0) & (t < 3.0)
    assert np.abs(found.velocity_error[gap]).max() < 0.03
    assert (np.abs(found.velocity_error[gap]) < 4.5 * found.velocity_sigma[gap]).all()
    assert {found.status[k] for k in np.flatnonzero(gap & (t > 2.2) & (t < 2.9))} == {"bridged"}
    assert any(isinstance(row.velocity, NoVelocity) for row in found.rows)


def test_without_accelerations_nothing_is_written(tmp_path: Path) -> None:
    flight = inertial()
    silent = cast("Recording", replace(flight, gyro_log=replace(flight.gyro_log, accel_m_s2=None)))
    with FusedLog(silent, tmp_path / "fused.csv") as log:
        for result in measure(cast("Recording", replace(flight, frames=flight.frames[:10]))):
            log.add(result)
        assert log.finish() == {} and not log.active
    assert list(tmp_path.iterdir()) == []


def test_a_failure_leaves_nothing(tmp_path: Path) -> None:
    flight = cast("Recording", inertial())
    with pytest.raises(DataError, match="later"), FusedLog(flight, tmp_path / "fused.csv"):
        raise DataError("later")
    assert list(tmp_path.iterdir()) == []


def test_a_row_after_copied_pictures_is_a_mean_since_the_first() -> None:
    # The estimator measures it against the last picture that was new; the speed log says the interval of the last frame.
    reader = RowReader(module())

    def result(end: int, velocity: LevelVelocity | NoVelocity) -> Any:
        row = SpeedRow(
            time_s=(end - 0.5) / 50, interval_s=1 / 50, velocity=velocity, height_m=1.0, height_sigma_m=0.01, tracks=0,
            inlier_share=None,
        )  # fmt: skip
        return flow.FrameResult(row=row, matches=None, used=None, effects_m_s=NOTHING, position=None)

    known = LevelVelocity(forward_m_s=1.0, right_m_s=0.0, down_m_s=0.0, covariance_m2_s2=np.eye(3))
    copied = NoVelocity(reason="repeated_frame")
    spans = []
    for end, velocity in ((1, known), (2, copied), (3, copied), (4, known), (5, known)):
        row = reader.row(result(end, velocity))
        spans.append(None if row is None else (round(row.start_s * 50, 6), round(row.end_s * 50, 6)))
    assert spans == [(0, 1), None, None, (1, 4), (4, 5)]


def test_what_leaps_back_had_crept() -> None:
    # Closed form: a leap of 0.25 mm at every 60th picture is a row's variance of (0.25 mm x 60 Hz)^2 / 60 on one axis, and
    # undoes a walk of 0.25 mm in a second: white velocity of density 0.25 mm/s/rtHz, as which a variance P that lasts T
    # counts by 2 P T.
    interval_s, own, leap = 1 / 60, 3.7e-3, 2.5e-4
    image = np.array([own, np.hypot(own, leap / interval_s / np.sqrt(60)), 7e-3])
    velocity = LevelVelocity(forward_m_s=0.1, right_m_s=0.0, down_m_s=0.0, covariance_m2_s2=np.eye(3))
    seen = SpeedRow(
        time_s=1.0,
        interval_s=interval_s,
        velocity=velocity,
        height_m=1.0,
        height_sigma_m=0.01,
        tracks=0,
        inlier_share=None,
    )
    result = flow.FrameResult(
        row=seen, matches=None, used=None, effects_m_s=effects_of({ErrorSource.IMAGE: image}), position=None
    )
    row = RowReader(module()).row(result)
    assert row is not None
    crept = row.drift_m2_s2 - row.drift_m2_s2[0] * np.square(image / image[0])  # less the share that every axis has
    assert np.sqrt(2 * crept[1] * DRIFT_LASTS_S) == pytest.approx(leap, rel=0.05)
    assert crept[[0, 2]] == pytest.approx([0.0, 0.0], abs=1e-12)


def test_every_other_picture_a_copy_costs_little() -> None:
    flight = inertial()
    frames = list(flight.frames[:150])
    for k in range(1, 150, 2):
        frames[k] = replace(frames[k], luma=frames[k - 1].luma)
    found = of_flight(replace(flight, frames=frames))
    t = found.columns["time_s"]
    assert sum(isinstance(row.velocity, NoVelocity) for row in found.rows) == 75
    inside = (t > 1.0) & (t < 2.3)
    assert {found.status[k] for k in np.flatnonzero(inside)} == {"ok"}
    assert (np.abs(found.velocity_error[inside]) < 4.5 * found.velocity_sigma[inside]).all()
    # Half the pictures, and the estimator never learns how little noise they have (its rows are interrupted each time).
    assert (found.fused_rms(1.0, 2.3) < 3 * rendered().fused_rms(1.0, 2.3)).all()
