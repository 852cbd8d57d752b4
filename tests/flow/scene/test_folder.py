"""Recordings on disk: whole, repeatable, and read back exactly."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pandas as pd
import pytest
from av.video.frame import PictureType

import flow.scene.folder as under_test
from flow.errors import DataError
from flow.module import Alignment, Module, Range, read_module
from flow.scene import CODECS, AttitudeErrors, Encoding, RangeErrors, SceneSpec, flight, render, synthesize
from flow.series import read_attitude, read_gyro, read_range, read_truth
from flow.video import Video
from tests.flow.scene.grounds import gravel, pinhole

MODULE = Module(
    name="bench",
    camera=pinhole(64, 48, 50, readout_s=0.01),
    alignment=Alignment(time_offset_s=0.0125),
    range=Range(time_offset_s=0.2, noise_m=0.01),
)
SPEC = SceneSpec(
    motion=flight("hover", 1.0, seed=2), ground=gravel(), module=MODULE, frame_jitter_s=0.001,
    attitude=AttitudeErrors(), range_errors=RangeErrors(dropout_share=0.3), seed=2,
)  # fmt: skip


@pytest.mark.parametrize("codec", CODECS)
def test_same_spec_same_bytes(tmp_path: Path, codec: str) -> None:
    encoding = Encoding(codec=codec)  # type: ignore[arg-type]
    for name in ("one", "two"):
        synthesize(tmp_path / name, SPEC, encoding)
    files = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert files == sorted(path.name for path in (tmp_path / "two").iterdir())
    for name in files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name
    assert not [path.name for path in tmp_path.iterdir() if path.name.startswith(".")]


@pytest.mark.parametrize("codec", CODECS)
def test_video_reads_back(tmp_path: Path, codec: str) -> None:
    encoding = Encoding(codec=codec, quality=2 if codec == "mjpeg" else None)  # type: ignore[arg-type]
    made = synthesize(tmp_path / "r", SPEC, encoding)
    table = tmp_path / "r" / "frames.csv"
    assert table.exists() == (codec == "ffv1")  # Matroska keeps milliseconds only
    video = Video(tmp_path / "r" / encoding.file_name, table if table.exists() else None)
    assert len(video) == len(made)
    for read, true in zip(video, made.frames(), strict=True):
        assert read.time_s == pytest.approx(true.time_s, abs=1e-9)
        difference = np.abs(read.luma.astype(int) - true.luma)
        if codec in ("lossless", "ffv1"):
            assert difference.max() == 0
        else:
            # Noisy gravel at usual quality: a few levels; a picture of another time is off by tens.
            assert 0 < difference.mean() < (3 if codec == "mjpeg" else 8)


@pytest.mark.parametrize("b_frames", [0, 3])
def test_b_frames_are_stored_out_of_order_and_read_back_in_order(tmp_path: Path, b_frames: int) -> None:
    encoding = Encoding(codec="h264", b_frames=b_frames)
    made = synthesize(tmp_path / "r", SPEC, encoding)
    with av.open(str(tmp_path / "r" / encoding.file_name)) as container:
        types = {frame.pict_type for frame in container.decode(video=0)}
    assert (PictureType.B in types) == (b_frames > 0)
    for read, true in zip(Video(tmp_path / "r" / encoding.file_name), made.frames(), strict=True):
        assert read.time_s == pytest.approx(true.time_s, abs=1e-9)
        assert np.abs(read.luma.astype(int) - true.luma).mean() < 8  # as above: a frame of another time is off by tens


def test_logs_read_back(tmp_path: Path) -> None:
    made = synthesize(tmp_path / "r", SPEC, Encoding(frames_csv=True))
    folder = tmp_path / "r"
    gyro = next(read_gyro(folder / "gyro.csv"))
    # Files keep nine decimals.
    np.testing.assert_allclose(gyro.rate_rad_s, made.gyro.rate_rad_s, atol=1e-9)
    assert gyro.accel_m_s2 is not None
    assert made.gyro.accel_m_s2 is not None
    np.testing.assert_allclose(gyro.accel_m_s2, made.gyro.accel_m_s2, atol=1e-9)
    heights = next(read_range(folder / "range.csv"))
    known = ~np.isnan(made.range.range_m)
    assert 0 < known.sum() < len(known)
    np.testing.assert_allclose(heights.range_m, made.range.range_m[known], atol=1e-9)
    np.testing.assert_allclose(heights.time_s, made.range.time_s[known], atol=1e-9)
    assert ",," in (folder / "range.csv").read_text()  # no reading is an empty cell, never zero
    attitude = next(read_attitude(folder / "attitude.csv"))
    assert made.attitude is not None
    np.testing.assert_allclose(attitude.pitch_rad, made.attitude.pitch_rad, atol=1e-9)
    truth = read_truth(folder / "truth.csv")
    np.testing.assert_allclose(truth.right_m_s, made.truth.right_m_s, atol=1e-9)
    np.testing.assert_allclose(truth.height_m, made.truth.height_m, atol=1e-9)
    frames = pd.read_csv(folder / "frames.csv")
    np.testing.assert_allclose(frames["time_s"], made.frame_times_s, atol=1e-9)
    np.testing.assert_allclose(frames["exposure_s"], SPEC.exposure_s)
    read = read_module(folder / "module.yaml")
    assert (read.camera, read.alignment, read.range) == (MODULE.camera, MODULE.alignment, MODULE.range)


def test_no_attitude_log_unless_asked(tmp_path: Path) -> None:
    synthesize(tmp_path / "r", replace(SPEC, attitude=None))
    assert not (tmp_path / "r" / "attitude.csv").exists()


def test_a_taken_folder_is_left_alone(tmp_path: Path) -> None:
    target = tmp_path / "r"
    target.mkdir()
    synthesize(target, SPEC)  # an empty folder may be filled
    before = (target / "gyro.csv").read_bytes()
    with pytest.raises(DataError, match=r"is not empty; .*--force"):
        synthesize(target, replace(SPEC, seed=5))
    assert (target / "gyro.csv").read_bytes() == before
    synthesize(target, replace(SPEC, seed=5), force=True)
    assert (target / "gyro.csv").read_bytes() != before
    (target / "notes.txt").write_text("mine")
    with pytest.raises(DataError, match=r"holds notes\.txt"):
        synthesize(target, SPEC, force=True)
    assert (target / "notes.txt").read_text() == "mine"
    with pytest.raises(DataError, match="is a file"):
        synthesize(target / "notes.txt", SPEC)


def test_a_failure_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synthesize(tmp_path / "r", SPEC)
    before = {path.name: path.read_bytes() for path in (tmp_path / "r").iterdir()}

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(under_test, "write_module", full)  # the last file
    with pytest.raises(DataError, match=r"cannot be written \(No space left"):
        synthesize(tmp_path / "new", SPEC)
    with pytest.raises(DataError, match="No space left"):
        synthesize(tmp_path / "r", replace(SPEC, seed=9), force=True)
    assert [path.name for path in tmp_path.iterdir()] == ["r"]
    assert {path.name: path.read_bytes() for path in (tmp_path / "r").iterdir()} == before


def test_odd_sizes_need_ffv1(tmp_path: Path) -> None:
    odd = replace(SPEC, module=Module(camera=pinhole(63, 47, 50)))
    with pytest.raises(DataError, match=r"63 x 47 px: .*ffv1"):
        synthesize(tmp_path / "r", odd, Encoding(codec="h264"))
    assert not (tmp_path / "r").exists()
    synthesize(tmp_path / "r", odd, Encoding(codec="ffv1"))
    video = Video(tmp_path / "r" / "video.mkv", tmp_path / "r" / "frames.csv")
    np.testing.assert_array_equal(next(iter(video)).luma, render(odd).frame(0).luma)


def test_progress_counts_every_frame(tmp_path: Path) -> None:
    calls: list[int] = []
    made = synthesize(tmp_path / "r", SPEC, progress=lambda: calls.append(1))
    assert len(calls) == len(made)
