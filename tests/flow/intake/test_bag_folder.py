"""The sample flight, wrapped into a bag, becomes a recording that measures as the original does.

Pictures are stored without loss, and turn rates as doubles, so that only the ranges (single precision in the message,
1e-7 of the height) and the last digit of a time (1e-9 s of 1/60 s) differ: the speeds must agree to 1e-4 of their
one-sigma or so; 1 % of it is asked.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest

import flow
from flow.intake.bags import read_bag
from flow.intake.gathered import write_recording
from flow.outlet.time_base import original_zero_ns
from flow.series import read_truth
from tests.flow.intake.bag_files import ZERO_NS, bag, camera_info, image, vector

SAMPLE = Path(__file__).parents[3] / "sample_video" / "flight"
FLIPPED = np.array([1.0, -1.0, -1.0])  # body axes to REP 103
LENGTH_S = 1.6


def wrap(path: Path, length_s: float = LENGTH_S) -> None:
    """Put the sample flight into a bag, on a clock that counts from 1970; every message arrives late."""
    recording = flow.open_recording(SAMPLE)
    info = camera_info(recording.module.camera, path.suffix == ".bag")
    with bag(path) as sink:

        def put(topic: str, kind: str, time_s: float, late_ns: int, **fields: object) -> bool:
            if time_s <= length_s:
                sink(topic, f"sensor_msgs/msg/{kind}", ZERO_NS + round(time_s * 1e9), late_ns, **fields)
            return bool(time_s <= length_s)

        for frame in recording.video():
            put("/down/camera_info", "CameraInfo", frame.time_s, 0, **info)
            if not put("/down/image_raw", "Image", frame.time_s, 9_000_000, **image(frame.luma, pad=8)):
                break
        for gyro in recording.gyro():
            assert gyro.accel_m_s2 is not None
            for time_s, rate, accel in zip(gyro.time_s, gyro.rate_rad_s, gyro.accel_m_s2, strict=True):
                turn, force = vector(rate * FLIPPED), vector(accel * FLIPPED)
                put("/imu", "Imu", time_s, 1_000_000, angular_velocity=turn, linear_acceleration=force)
        for heights in recording.range():
            for time_s, read in zip(heights.time_s, heights.range_m, strict=True):
                put("/sonar", "Range", time_s, 30_000_000, range=read, min_range=0.1, max_range=10.0)


def test_a_module_that_only_the_bag_describes_has_an_honest_band(tmp_path: Path) -> None:
    """Clock, lever arm, gyro bias and shutter of the flight are all off what the bag's module says.

    The exact truth is the sample's own. All axes and rows err alike here, so that no share of 95 % can be asked: most
    errors must lie inside three one-sigmas, which are 8 and more of the sigmas that a careful calibration has.
    """
    wrap(tmp_path / "flight.mcap")
    write_recording(tmp_path / "flight", read_bag(tmp_path / "flight.mcap"))
    truth = read_truth(SAMPLE / "truth.csv")
    errors = []
    for result in flow.measure(flow.open_recording(tmp_path / "flight")):
        if isinstance(result.row.velocity, flow.LevelVelocity):
            true = [np.interp(result.row.time_s, truth.time_s, axis) for axis in (truth.forward_m_s, truth.right_m_s)]
            errors.append((result.row.velocity.vector_m_s[:2] - true) / result.row.velocity.sigma_m_s[:2])
    assert len(errors) > 70
    assert np.mean(np.abs(errors) < 3) > 0.95


def test_the_sample_flight_in_a_bag_measures_the_same(tmp_path: Path) -> None:
    wrap(tmp_path / "flight.bag")
    write_recording(tmp_path / "flight", read_bag(tmp_path / "flight.bag"))
    lens = flow.read_module(tmp_path / "flight" / "module.yaml").camera
    whole = flow.open_recording(SAMPLE)
    unlike = {"sigma", "provenance", "readout_s"}
    assert lens.model_dump(exclude=unlike) == whole.module.camera.model_dump(exclude=unlike)
    again = flow.open_recording(tmp_path / "flight", SAMPLE / "module.yaml")
    pairs = list(zip(flow.measure(again), itertools.islice(flow.measure(whole), again.frame_count - 1), strict=True))
    # The original goes on after the copy's last samples: the last rows may lack a range or gyro to come.
    usable = 0
    for ours, theirs in pairs[:-10]:
        assert ours.row.time_s == pytest.approx(theirs.row.time_s, rel=0, abs=2e-9)
        assert ours.row.status == theirs.row.status
        if isinstance(ours.row.velocity, flow.LevelVelocity) and isinstance(theirs.row.velocity, flow.LevelVelocity):
            usable += 1
            apart = ours.row.velocity.vector_m_s - theirs.row.velocity.vector_m_s
            assert np.abs(apart / theirs.row.velocity.sigma_m_s).max() < 0.01
    assert usable > 70
    measured = tmp_path / "flight" / "measured"
    measured.mkdir()
    (measured / "summary.json").write_text('{"recording": "flight"}')
    assert original_zero_ns(measured) == ZERO_NS
