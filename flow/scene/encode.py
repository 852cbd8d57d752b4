"""Writing a video whose time stamps are the true frame times."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Literal, TypeAlias

import av
import numpy as np

from flow.errors import DataError
from flow.video import Frame

Codec: TypeAlias = Literal["lossless", "ffv1", "mjpeg", "h264"]
CODECS: tuple[Codec, ...] = ("lossless", "ffv1", "mjpeg", "h264")
"""Lossless H.264, FFV1, MJPEG and H.264."""

_TICK = Fraction(1, 1_000_000)
_NEUTRAL = 128
_FULL_RANGE = 2  # AVCOL_RANGE_JPEG: black is 0, white is 255


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoding:
    """How frames are stored.

    ``quality`` is the constant rate factor of H.264 (0 best to 51, default 23) or the quantiser scale of
    MJPEG (2 best to 31, default 3). ``frames_csv`` asks for a table of times and exposures although the
    container holds the times already. ``b_frames`` is how many frames in a row H.264 may code from both sides;
    encoders inside cameras use none, as they send each frame at once (common practice).
    """

    codec: Codec = "lossless"
    quality: int | None = None
    frames_csv: bool = False
    b_frames: int = 0

    @property
    def file_name(self) -> str:
        """Name of the video in its folder."""
        return {"lossless": "video.mp4", "ffv1": "video.mkv", "mjpeg": "video.mov", "h264": "video.mp4"}[self.codec]

    @property
    def needs_frames_csv(self) -> bool:
        """Whether a table must hold the times: Matroska rounds its own to a millisecond."""
        return self.frames_csv or self.codec == "ffv1"


def write_video(path: Path, frames: Iterable[Frame], encoding: Encoding, frame_rate_hz: float) -> None:
    """Encode frames; the same frames give the same bytes on one machine.

    Parameters
    ----------
    path
        Where to write; its suffix chooses the container.
    frames
        Pictures whose ``time_s`` is not negative and increases.
    encoding
        Codec and quality.
    frame_rate_hz
        Nominal rate, a hint to the encoder only.

    Raises
    ------
    DataError
        A picture size that the codec cannot store.
    """
    name, pixel_format, options = _codec(encoding)
    with av.open(str(path), "w", options=_container(path)) as container:
        stream = container.add_stream(name, rate=Fraction(frame_rate_hz).limit_denominator(1000))
        assert isinstance(stream, av.VideoStream)
        stream.pix_fmt, stream.options = pixel_format, options
        stream.time_base = stream.codec_context.time_base = _TICK
        stream.codec_context.thread_count = 1
        stream.codec_context.flags |= 1 << 23  # AV_CODEC_FLAG_BITEXACT: no version in the stream
        stream.codec_context.color_range = _FULL_RANGE
        for frame in frames:
            if frame.index == 0:
                stream.height, stream.width = frame.luma.shape
            container.mux(stream.encode(_picture(frame, pixel_format, path)))
        container.mux(stream.encode())


def _container(path: Path) -> dict[str, str]:
    """Give options of the container: no dates or versions, and a start that is not rounded to a millisecond."""
    exact = {} if path.suffix == ".mkv" else {"movie_timescale": str(_TICK.denominator)}
    return {"fflags": "+bitexact", **exact}


def _codec(encoding: Encoding) -> tuple[str, str, dict[str, object]]:
    """Name encoder, pixel format and options."""
    if encoding.codec == "ffv1":
        return "ffv1", "gray", {"level": "3", "g": "1"}
    if encoding.codec == "mjpeg":
        scale = str(3 if encoding.quality is None else encoding.quality)
        return "mjpeg", "yuvj420p", {"qmin": scale, "qmax": scale}
    if encoding.codec == "lossless":
        return "libx264", "gray", {"qp": "0", "preset": "veryfast", "bf": "0"}
    factor = str(23 if encoding.quality is None else encoding.quality)
    return "libx264", "yuv420p", {"crf": factor, "preset": "medium", "bf": str(encoding.b_frames), "g": "60"}


def _picture(frame: Frame, pixel_format: str, path: Path) -> av.VideoFrame:
    height, width = frame.luma.shape
    if pixel_format == "gray":
        picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(frame.luma), format="gray")
    else:
        if height % 2 or width % 2:
            raise DataError(f"{width} x {height} px: this codec stores even sizes only; use ffv1", path=path)
        chroma = np.full((height // 2, width), _NEUTRAL, np.uint8)
        picture = av.VideoFrame.from_ndarray(np.vstack([frame.luma, chroma]), format=pixel_format)
    picture.pts, picture.time_base = round(frame.time_s * _TICK.denominator), _TICK
    return picture
