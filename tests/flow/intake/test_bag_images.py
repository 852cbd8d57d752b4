"""Encodings to grey.

Grey encodings must come out bit by bit. Colours follow ITU-R BT.601, grey = 0.299 R + 0.587 G + 0.114 B, within the
rounding of OpenCV's fixed point (1 level). A Bayer mosaic of a uniform colour has that colour's grey at every pixel,
whichever way it is interpolated: the four patterns must agree, which they do not when red and blue are mistaken.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from flow.intake.bag_images import COMPRESSED, RAW, PictureError, as_luma, depth_bits, grey
from tests.flow.intake.bag_files import image

RNG = np.random.default_rng(4)
GREY = RNG.integers(0, 256, (10, 14), np.uint8)
WIDE = RNG.integers(0, 65536, (10, 14), np.uint16)
COLOUR = RNG.integers(0, 256, (10, 14, 3), np.uint8)  # R G B
BT601 = COLOUR @ np.array([0.299, 0.587, 0.114])


def read(picture: Any, encoding: str, **how: Any) -> Any:
    return grey(SimpleNamespace(**image(picture, encoding, **how)), RAW)


@pytest.mark.parametrize("encoding", ["mono8", "8UC1"])
@pytest.mark.parametrize("pad", [0, 6])
def test_grey_stays_as_it_is(encoding: str, pad: int) -> None:
    assert np.array_equal(read(GREY, encoding, pad=pad), GREY)


def test_wide_grey_in_either_byte_order() -> None:
    assert np.array_equal(read(WIDE, "mono16"), WIDE)
    assert np.array_equal(read(WIDE.astype(">u2"), "mono16", big=True, pad=4), WIDE)
    assert read(WIDE.astype(">u2"), "mono16", big=True).dtype == np.uint16


@pytest.mark.parametrize(
    ("encoding", "order"),
    [("rgb8", [0, 1, 2]), ("bgr8", [2, 1, 0]), ("rgba8", [0, 1, 2, 0]), ("bgra8", [2, 1, 0, 0])],
)
def test_colours_weigh_as_in_bt601(encoding: str, order: list[int]) -> None:
    assert read(COLOUR[..., order], encoding) == pytest.approx(BT601, rel=0, abs=1)


@pytest.mark.parametrize(
    ("encoding", "place"),
    [("yuv422", 1), ("uyvy", 1), ("UYVY", 1), ("yuv422_yuy2", 0), ("yuyv", 0), ("YUYV", 0)],
)
def test_luma_of_packed_colour_differences(encoding: str, place: int) -> None:
    packed = np.full((*GREY.shape, 2), 128, np.uint8)
    packed[..., place] = GREY
    assert np.array_equal(read(packed, encoding), GREY)


def test_luma_of_planes() -> None:
    message = SimpleNamespace(**image(GREY, "nv12"))
    message.data = np.concatenate([message.data, np.full(GREY.size // 2, 77, np.uint8)])
    assert np.array_equal(grey(message, RAW), GREY)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("pattern", ["rggb", "bggr", "gbrg", "grbg"])
def test_mosaic_of_one_colour(pattern: str, bits: int) -> None:
    colour = {"r": 200, "g": 90, "b": 30}
    scale = 1 if bits == 8 else 256
    tile = np.array([colour[letter] for letter in pattern], np.uint16).reshape(2, 2) * scale
    mosaic = np.tile(tile, (6, 7)).astype(np.uint8 if bits == 8 else np.uint16)
    expected = (0.299 * 200 + 0.587 * 90 + 0.114 * 30) * scale
    assert read(mosaic, f"bayer_{pattern}{bits}") == pytest.approx(np.full((12, 14), expected), rel=0, abs=scale)


def test_compressed_pictures() -> None:
    png = cv2.imencode(".png", GREY)[1].ravel()
    assert np.array_equal(grey(SimpleNamespace(format="mono8; png compressed ", data=png), COMPRESSED), GREY)
    wide = cv2.imencode(".png", WIDE)[1].ravel()
    assert np.array_equal(grey(SimpleNamespace(format="mono16; png compressed ", data=wide), COMPRESSED), WIDE)
    smooth = cv2.resize(GREY, (64, 48), interpolation=cv2.INTER_CUBIC)
    jpeg = cv2.imencode(".jpg", smooth, [cv2.IMWRITE_JPEG_QUALITY, 98])[1].ravel()
    seen = grey(SimpleNamespace(format="bgr8; jpeg compressed bgr8", data=jpeg), COMPRESSED)
    assert np.abs(seen.astype(int) - smooth).mean() < 1.5  # JPEG at quality 98 quantises by 1 to 2 levels


def test_depth_is_the_least_that_holds_every_value() -> None:
    assert [depth_bits(largest) for largest in (0, 255, 256, 1023, 1024, 4095, 16383, 65535)] == [
        8, 8, 10, 10, 12, 12, 14, 16,
    ]  # fmt: skip
    ten = np.array([[0, 3, 4, 1023]], np.uint16)
    assert as_luma(ten, 10).tolist() == [[0, 0, 1, 255]]
    assert as_luma(GREY, 8) is GREY


@pytest.mark.parametrize(
    ("fields", "kind", "says"),
    [
        (image(GREY, "32FC1"), RAW, "encoding '32FC1' is not supported; mono8"),
        (image(GREY) | {"step": 3}, RAW, "do not fit its 140 bytes"),
        (image(GREY) | {"data": GREY.ravel()[:-1]}, RAW, "is the recording cut short"),
        (image(GREY) | {"height": 0}, RAW, "do not fit"),
        ({"format": "h264", "data": b"\0\0\0\1"}, COMPRESSED, "'h264' cannot be decoded; JPEG or PNG is expected"),
        ({"format": "jpeg", "data": b""}, COMPRESSED, "'jpeg' cannot be decoded"),
        ({"format": "16UC1; compressedDepth png", "data": b""}, COMPRESSED, "holds distances, not an image"),
    ],
)
def test_what_cannot_be_read_is_named(fields: Any, kind: str, says: str) -> None:
    with pytest.raises(PictureError, match=says):
        grey(SimpleNamespace(**fields), kind)
