"""Decoded pictures and their times. Expected are the pictures and time stamps that the test encodes."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from flow.errors import DataError
from flow.video import Video

WIDTH, HEIGHT = 96, 64
STAMPS_MS = [0, 33, 70, 99, 200, 233, 266, 301]
Encode = Callable[..., Path]


def ramp(index: int, width: int = WIDTH, height: int = HEIGHT) -> NDArray[np.uint8]:
    """Draw a picture unlike its neighbours and its mirror images, with every grey level."""
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    return np.asarray((3 * x + 5 * y + 40 * index) % 256, np.uint8)


@pytest.fixture
def encode(tmp_path: Path) -> Encode:
    def write(
        name: str = "video.mkv",
        *,
        codec: str = "ffv1",
        pix_fmt: str = "gray",
        stored: Callable[[NDArray[np.uint8]], av.VideoFrame] = lambda p: av.VideoFrame.from_ndarray(p, format="gray"),
        stamps_ms: Sequence[int] = STAMPS_MS,
        options: dict[str, str] | None = None,
        container_options: dict[str, str] | None = None,
        size: tuple[int, int] = (WIDTH, HEIGHT),
    ) -> Path:
        path = tmp_path / name
        with av.open(str(path), "w", options=container_options or {}) as container:
            stream: Any = container.add_stream(codec, rate=30, options=options or {})
            stream.width, stream.height, stream.pix_fmt = *size, pix_fmt
            stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
            for i, stamp in enumerate(stamps_ms):
                picture = (stored or grey)(ramp(i, *size))
                picture.pts, picture.time_base = stamp, Fraction(1, 1000)
                container.mux(stream.encode(picture))
            container.mux(stream.encode())
        return path

    return write


def grey(picture: NDArray[np.uint8]) -> av.VideoFrame:
    return av.VideoFrame.from_ndarray(picture, format="gray")


def coloured(name: str) -> Callable[[NDArray[np.uint8]], av.VideoFrame]:
    """Put the picture into the luma plane, whatever the colours."""

    def stored(picture: NDArray[np.uint8]) -> av.VideoFrame:
        frame = av.VideoFrame(picture.shape[1], picture.shape[0], name)
        for plane in frame.planes:
            plane.update(bytes([90]) * plane.buffer_size)
        luma = np.full((picture.shape[0], frame.planes[0].line_size), 7, np.uint8)
        luma[:, : picture.shape[1]] = picture
        frame.planes[0].update(luma.tobytes())
        return frame

    return stored


@pytest.mark.parametrize(
    ("codec", "pix_fmt", "stored"),
    [
        ("ffv1", "gray", grey),
        ("ffv1", "yuv420p", coloured("yuv420p")),
        ("rawvideo", "nv12", coloured("nv12")),
    ],
)
def test_luma_is_what_was_stored(
    encode: Encode, codec: str, pix_fmt: str, stored: Callable[..., av.VideoFrame]
) -> None:
    video = Video(encode("video.nut", codec=codec, pix_fmt=pix_fmt, stored=stored))
    frames = list(video)
    assert (video.width_px, video.height_px, video.frame_count) == (WIDTH, HEIGHT, len(STAMPS_MS))
    assert [frame.index for frame in frames] == list(range(len(STAMPS_MS)))
    for i, frame in enumerate(frames):
        np.testing.assert_array_equal(frame.luma, ramp(i))


def test_rows_with_padding_are_cut(encode: Encode) -> None:
    video = Video(encode(size=(90, 50)))
    assert (next(iter(video)).luma == ramp(0, 90, 50)).all()


def test_times_are_the_time_stamps_to_the_last_bit(encode: Encode) -> None:
    # Matroska stores milliseconds; pts * time_base is exact, so each time is the nearest double to n/1000.
    video = Video(encode())
    expected = [ms / 1000 for ms in STAMPS_MS]
    assert [frame.time_s for frame in video] == expected
    assert list(video.times_s) == expected
    assert [frame.time_s for frame in video] == expected  # and again: a video may be read twice


def test_pictures_stored_out_of_order_come_in_order(encode: Encode) -> None:
    stamps = [40 * i for i in range(30)]
    options = {"bf": "3", "b_strategy": "0", "g": "12"}
    video = Video(
        encode(codec="mpeg4", pix_fmt="yuv420p", stored=coloured("yuv420p"), stamps_ms=stamps, options=options)
    )
    with av.open(str(video.path)) as container:
        order = [packet.pts for packet in container.demux(video=0) if packet.size]
    assert order != sorted(order)  # the test would be empty without reordering
    assert [frame.time_s for frame in video] == [s / 1000 for s in stamps]


def test_frames_csv_counts_instead_of_the_container(encode: Encode, tmp_path: Path) -> None:
    times = tmp_path / "frames.csv"
    times.write_text(
        "frame,time_s,exposure_s\n" + "".join(f"{i},{100 + i / 7},{'' if i == 2 else 0.004}\n" for i in range(8))
    )
    frames = list(Video(encode(), times))
    assert [frame.time_s for frame in frames] == [100 + i / 7 for i in range(8)]
    assert [frame.exposure_s for frame in frames] == [0.004, 0.004, None] + 5 * [0.004]
    times.write_text("frame,time_s\n" + "".join(f"{i},{i / 7}\n" for i in range(8)))
    assert next(iter(Video(encode(), times))).exposure_s is None


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("0,0\n1,1\n", "frames.csv: 2 rows for the 8 frames of video.mkv"),
        ("".join(f"{i},{i}\n" for i in range(9)), "frames.csv: 9 rows for the 8 frames of video.mkv"),
        ("", "frames.csv: 0 rows for the 8 frames of video.mkv"),
        ("0,0\n1,1\n2,1\n", "frames.csv:4: time_s: time repeats: 1 s after 1 s"),
        ("0,0\n1,1\n2,0.5\n", "frames.csv:4: time_s: time runs backwards: 0.5 s after 1 s"),
        ("0,0\n1,1\n3,2\n", "frames.csv:4: frame: 3 does not follow"),
        ("0,0\n1,\n", "frames.csv:3: time_s: empty"),
        ("0,0\n1,x\n", "frames.csv:3: time_s: 'x' is not a finite number"),
    ],
)
def test_frames_csv_that_does_not_fit(encode: Encode, tmp_path: Path, rows: str, message: str) -> None:
    times = tmp_path / "frames.csv"
    times.write_text("frame,time_s\n" + rows)
    with pytest.raises(DataError) as caught:
        Video(encode(), times)
    assert message in str(caught.value)


def test_exposures_in_another_unit(encode: Encode, tmp_path: Path) -> None:
    times = tmp_path / "frames.csv"
    times.write_text("frame,time_s,exposure_s\n" + "".join(f"{i},{i},4000\n" for i in range(8)))
    with pytest.raises(DataError, match=r"frames.csv:2: exposure_s: 4000 s is no exposure time"):
        Video(encode(), times)


def cut(path: Path, share: float) -> Path:
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
    return path


def test_a_file_cut_short_is_refused_before_any_picture(encode: Encode, tmp_path: Path) -> None:
    many = [33 * i for i in range(60)]
    mp4 = encode("video.mp4", codec="mpeg4", pix_fmt="yuv420p", stored=coloured("yuv420p"), stamps_ms=many,
                 container_options={"movflags": "faststart"})  # fmt: skip
    assert Video(mp4).frame_count == 60
    with pytest.raises(DataError, match=r"video.mp4: declares 60 frames and holds \d+; is it cut short\?"):
        Video(cut(mp4, 0.6))
    mkv = encode(stamps_ms=many)
    with pytest.raises(DataError, match=r"video.mkv: declares 1\.9\d+ s and ends after [01]\.\d+ s"):
        Video(cut(mkv, 0.6))
    tail = encode("video.mp4", codec="mpeg4", pix_fmt="yuv420p", stored=coloured("yuv420p"), stamps_ms=many)
    with pytest.raises(DataError, match=r"video.mp4: cannot be read as a video \(.+\); is it cut short or damaged\?"):
        Video(cut(tail, 0.6))


def test_a_slot_left_empty_in_an_avi_is_told(encode: Encode, tmp_path: Path) -> None:
    # At time base 1 ms the AVI declares a slot a millisecond; eight of them hold a picture.
    avi = encode("video.avi", codec="mjpeg", pix_fmt="yuvj420p", stored=coloured("yuvj420p"))
    with pytest.raises(DataError, match=r"video.avi: declares \d\d\d frames and holds 8; .*frames.csv"):
        Video(avi)
    times = tmp_path / "frames.csv"
    times.write_text("frame,time_s\n" + "".join(f"{i},{i / 10}\n" for i in range(8)))
    assert [frame.time_s for frame in Video(avi, times)] == [i / 10 for i in range(8)]


def test_damage_inside_is_refused_at_its_frame(encode: Encode) -> None:
    path = encode(codec="mpeg4", pix_fmt="yuv420p", stored=coloured("yuv420p"), stamps_ms=[33 * i for i in range(40)])
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 400] = bytes(range(200, 240)) * 10
    path.write_bytes(data)
    with pytest.raises(DataError, match=r"video.mkv: .*(damaged|cut short|incomplete)"):
        list(Video(path))


@pytest.mark.parametrize(
    ("stamps", "message"),
    [
        ([0, 33, 33, 66], "time repeats at frame 2: 0.033000 s after 0.033000 s"),
        ([0, 66, 33, 99], "time runs backwards at frame 2: 0.033000 s after 0.066000 s"),
    ],
)
def test_times_that_do_not_increase(encode: Encode, stamps: list[int], message: str) -> None:
    path = encode()
    broken = path.with_name("broken.mkv")
    with av.open(str(path)) as source, av.open(str(broken), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        for i, (packet, stamp) in enumerate(zip(source.demux(video=0), stamps, strict=False)):
            packet.pts, packet.dts, packet.stream = stamp, i, stream
            target.mux(packet)
    with pytest.raises(DataError, match=message):
        Video(broken)


def test_a_bare_stream_has_no_times(encode: Encode, tmp_path: Path) -> None:
    path = encode("video.mjpeg", codec="mjpeg", pix_fmt="yuvj420p", stored=coloured("yuvj420p"))
    with pytest.raises(DataError, match=r"carries no time stamps; put them into frames.csv"):
        Video(path)
    times = tmp_path / "frames.csv"
    times.write_text("frame,time_s\n" + "".join(f"{i},{i / 10}\n" for i in range(8)))
    assert [frame.time_s for frame in Video(path, times)] == [i / 10 for i in range(8)]


def test_the_picture_size_must_stay(encode: Encode, tmp_path: Path) -> None:
    def jpegs(name: str, size: tuple[int, int]) -> bytes:
        path = encode(name, codec="mjpeg", pix_fmt="yuvj420p", stored=coloured("yuvj420p"), size=size)
        return path.read_bytes()

    both = tmp_path / "both.mjpeg"
    both.write_bytes(jpegs("a.mjpeg", (96, 64)) + jpegs("b.mjpeg", (64, 48)))
    times = tmp_path / "frames.csv"
    times.write_text("frame,time_s\n" + "".join(f"{i},{i / 10}\n" for i in range(16)))
    with pytest.raises(DataError, match=r"size changes from 96 x 64 to 64 x 48 px at frame 8"):
        list(Video(both, times))


def test_what_is_no_video(tmp_path: Path, encode: Encode) -> None:
    with pytest.raises(DataError, match="no such file"):
        Video(tmp_path / "video.mp4")
    text = tmp_path / "video.mp4"
    text.write_text("time_s,range_m\n" * 100)
    with pytest.raises(DataError, match="cannot be read as a video"):
        Video(text)
    text.write_bytes(b"")
    with pytest.raises(DataError, match="cannot be read as a video"):
        Video(text)
    sound = tmp_path / "video.wav"
    with av.open(str(sound), "w") as container:
        stream = container.add_stream("pcm_s16le", rate=8000, layout="mono")
        tone = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), format="s16", layout="mono")
        tone.rate = 8000
        container.mux(stream.encode(tone))
    with pytest.raises(DataError, match="holds no video"):
        Video(sound)


def test_the_file_may_be_left_half_read(encode: Encode, tmp_path: Path) -> None:
    path = encode()
    frames = iter(Video(path))
    first = next(frames)
    del frames
    shutil.move(path, tmp_path / "moved.mkv")
    assert (first.luma == ramp(0)).all()  # the picture outlives its decoder
