"""The stored luma by pixel format. Expected is the picture that the test writes into the planes."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from flow.luma import stored_luma

WIDTH, HEIGHT = 90, 50  # 90: rows carry padding
X, Y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
PICTURE: NDArray[np.uint8] = ((3 * X + 5 * Y) % 256).astype(np.uint8)


def framed(name: str, samples: NDArray[np.generic], *, step: int = 1) -> av.VideoFrame:
    """Write samples into every step-th place of the first plane; what lies between and beyond is 90."""
    frame = av.VideoFrame(WIDTH, HEIGHT, name)
    for plane in frame.planes:
        plane.update(bytes([90]) * plane.buffer_size)
    rows = np.full((HEIGHT, frame.planes[0].line_size // samples.itemsize), 90, samples.dtype)
    rows[:, : step * WIDTH : step] = samples
    frame.planes[0].update(rows.tobytes())
    return frame


def deep(bits: int, *, top: bool = False, kind: str = "<u2") -> NDArray[np.generic]:
    """Spread the picture over more bits; the low ones are set and must go."""
    wide = (PICTURE.astype(np.uint16) << (bits - 8)) | (2 ** (bits - 8) - 1)
    return ((wide << (16 - bits)) if top else wide).astype(kind)


@pytest.mark.parametrize(
    "frame",
    [
        framed("gray", PICTURE),
        framed("yuv420p", PICTURE),
        framed("yuvj420p", PICTURE),  # full range
        framed("yuvj444p", PICTURE),
        framed("nv12", PICTURE),
        framed("nv21", PICTURE),
        framed("yuyv422", PICTURE, step=2),
        framed("gray10le", deep(10)),
        framed("gray12le", deep(12)),
        framed("gray16le", deep(16)),
        framed("gray16be", deep(16, kind=">u2")),
        framed("yuv420p10le", deep(10)),
        framed("yuv422p12be", deep(12, kind=">u2")),
        framed("p010le", deep(10, top=True)),
    ],
    ids=lambda frame: str(frame.format.name),
)
def test_luma_is_taken_as_it_is(frame: av.VideoFrame) -> None:
    luma = stored_luma(frame, Path("video.mkv"))
    assert luma.dtype == np.uint8
    assert luma.flags.c_contiguous
    assert not luma.flags.writeable
    np.testing.assert_array_equal(luma, PICTURE)


@pytest.mark.parametrize("name", ["rgb24", "bgr24", "rgba", "gbrp", "ya8"])
def test_other_colours_become_grey(name: str) -> None:
    # A grey colour has its own value as grey, from black to white; rounding may move it by one level.
    source = av.VideoFrame.from_ndarray(np.repeat(PICTURE[:, :, None], 3, axis=2), format="rgb24")
    luma = stored_luma(source.reformat(format=name), Path("video.mkv"))
    assert np.abs(luma.astype(int) - PICTURE).max() <= 1


def test_green_counts_more_than_blue() -> None:
    # ITU-R BT.601: 0.299 red + 0.587 green + 0.114 blue; one level for rounding.
    for channel, weight in enumerate((0.299, 0.587, 0.114)):
        colour = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
        colour[:, :, channel] = 200
        luma = stored_luma(av.VideoFrame.from_ndarray(colour, format="rgb24"), Path("video.mkv"))
        assert np.abs(luma - 200 * weight).max() <= 1
