"""Videos and pictures of other people, and where their frame times come from."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from flow.errors import DataError
from flow.intake.frames import read_frames
from flow.intake.gather import pictures
from flow.intake.mapping import Columns, FramesSource
from flow.scene.encode import Encoding, write_video
from flow.video import Frame

UNEVEN_S = np.cumsum([0.0, 0.033, 0.034, 0.050, 0.020, 0.033, 0.033])


def grey(index):
    picture = np.zeros((48, 64), np.uint8)
    picture[:, : 4 * index + 4] = 20 * index + 20
    return picture


def video(tmp_path, times_s=UNEVEN_S):
    path = tmp_path / "clip.mp4"
    frames = [Frame(index=k, time_s=float(t), luma=grey(k), exposure_s=None) for k, t in enumerate(times_s)]
    write_video(path, frames, Encoding(), 30.0)
    return path


def folder(tmp_path, names):
    place = tmp_path / "pictures"
    place.mkdir()
    for k, name in enumerate(names):
        cv2.imwrite(str(place / name), grey(k))
    return place


def test_a_video_of_uneven_rate_keeps_its_own_times(tmp_path):
    found = read_frames(FramesSource(video=video(tmp_path)))
    np.testing.assert_allclose(found.frames.times_s, UNEVEN_S, rtol=0, atol=1e-6)  # its ticks are microseconds
    assert found.size_px == (64, 48)
    assert any("frames: 7 of 64 x 48 px" in remark for remark in found.remarks)


def test_a_nominal_rate_takes_the_place_of_its_times(tmp_path):
    found = read_frames(FramesSource(video=video(tmp_path), rate_hz=29.97))
    np.testing.assert_allclose(found.frames.times_s, np.arange(7) / 29.97, rtol=1e-15)


def test_pictures_come_in_the_order_of_their_numbers(tmp_path):
    place = folder(tmp_path, [f"frame{k}.png" for k in range(12)])  # frame10 after frame9, not after frame1
    found = read_frames(FramesSource(pictures=place, rate_hz=10.0))
    for k, picture in enumerate(pictures(found.frames)):
        np.testing.assert_array_equal(picture, grey(k))
    np.testing.assert_allclose(found.frames.times_s, 0.1 * np.arange(12), rtol=0, atol=1e-15)


def test_names_may_be_the_times(tmp_path):
    stamps = 1_403_636_579_763_555_584 + 50_000_000 * np.arange(5)
    place = folder(tmp_path, [f"{stamp}.png" for stamp in stamps])
    (tmp_path / "ms").mkdir()
    short = folder(tmp_path / "ms", [f"{980 + 10 * k}.jpg" for k in range(5)])  # 1000 comes after 990
    milliseconds = FramesSource(pictures=short, times=Path("names"), time=Columns(columns=("names",), unit="ms"))
    np.testing.assert_allclose(read_frames(milliseconds).frames.times_s, 0.98 + 0.01 * np.arange(5), rtol=0, atol=1e-12)
    time = Columns(columns=("names",), unit="ns")
    found = read_frames(FramesSource(pictures=place, times=Path("names"), time=time))
    assert found.time_zero_ns == 1_403_636_579_000_000_000
    np.testing.assert_allclose(found.frames.times_s, 0.763555584 + 0.05 * np.arange(5), rtol=0, atol=1e-12)


def test_a_table_of_times_and_exposures(tmp_path):
    times = tmp_path / "times.csv"
    rows = [f"{k},{round(1e6 * t)},{2000 + k}" for k, t in enumerate(UNEVEN_S)]
    times.write_text("\n".join(["n,stamp,shutter", *rows]))
    source = FramesSource(
        video=video(tmp_path),
        times=times,
        time=Columns(columns=("stamp",), unit="us"),
        exposure=Columns(columns=("shutter",), unit="us"),
    )
    found = read_frames(source)
    np.testing.assert_allclose(found.frames.times_s, UNEVEN_S, rtol=0, atol=1e-9)
    np.testing.assert_allclose(found.frames.exposure_s, 1e-6 * (2000 + np.arange(7)), rtol=1e-14)


def test_a_list_of_numbers_is_a_table_too(tmp_path):
    times = tmp_path / "times.txt"
    times.write_text("".join(f"{1000 * t:.3f}\n" for t in UNEVEN_S))
    place = folder(tmp_path, [f"{k}.png" for k in range(7)])
    time = Columns(columns=("any",), unit="ms")
    found = read_frames(FramesSource(pictures=place, times=times, time=time))
    np.testing.assert_allclose(found.frames.times_s, UNEVEN_S, rtol=0, atol=1e-9)


def refused(problem, **source):
    with pytest.raises(DataError, match=problem) as caught:
        found = read_frames(FramesSource(**source))
        list(pictures(found.frames))
    assert "\n" not in str(caught.value)


def test_times_that_do_not_count_out_are_refused(tmp_path):
    times = tmp_path / "times.txt"
    times.write_text("0\n33\n66\n")
    time = Columns(columns=("any",), unit="ms")
    refused("3 times for the 7 frames of clip.mp4; one for each", video=video(tmp_path), times=times, time=time)
    place = folder(tmp_path, ["0.png", "1.png"])
    refused("3 times for the 2 images of pictures", pictures=place, times=times, time=time)


def test_pictures_without_times_are_refused(tmp_path):
    place = folder(tmp_path, ["0.png", "1.png"])
    refused("images carry no times; give --times FILE, --times names, or --rate HZ", pictures=place)


def test_a_picture_of_another_size_is_named(tmp_path):
    place = folder(tmp_path, ["0.png", "1.png", "2.png"])
    cv2.imwrite(str(place / "1.png"), np.zeros((10, 20), np.uint8))
    refused(r"1.png: is 20 x 10 px, the first 64 x 48 px", pictures=place, rate_hz=10.0)


def test_what_is_no_video_is_refused(tmp_path):
    path = tmp_path / "clip.mp4"
    path.write_bytes(b"\x00\x01" * 500)
    refused("clip.mp4: cannot be read as a video", video=path)
    refused("clip.mp4: cannot be read as a video", video=path, rate_hz=30.0)
