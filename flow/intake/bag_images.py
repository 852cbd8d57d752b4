"""The grey picture in an image message: every raw encoding of a camera, and JPEG or PNG."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.wording import counted

Picture: TypeAlias = NDArray[np.uint8] | NDArray[np.uint16]

COMPRESSED = "sensor_msgs/msg/CompressedImage"
RAW = "sensor_msgs/msg/Image"
_DEPTHS_BITS = (8, 10, 12, 14, 16)


class PictureError(ValueError):
    """A picture whose encoding is none of ours, or whose bytes are not what it says; the message says which."""


def grey(message: Any, kind: str) -> Picture:
    """Take the grey picture out of an image message.

    Parameters
    ----------
    message
        A ``sensor_msgs`` Image or CompressedImage.
    kind
        Its type, `RAW` or `COMPRESSED`.

    Returns
    -------
    (H, W), 8 or 16 bits: as stored where it is grey; the luma of Y'CbCr, its limited range not stretched; colours
    and Bayer mosaics weighted as in ITU-R BT.601, by OpenCV.

    Raises
    ------
    PictureError
        An encoding that is not known, or too few bytes.
    """
    return _decompressed(message) if kind == COMPRESSED else _raw(message)


def depth_bits(largest: int) -> int:
    """Bits of the sensor behind 16-bit pictures, from the largest value in all of them: 8, 10, 12, 14 or 16.

    A message says how wide its numbers are and not how many bits the sensor fills.
    """
    return next(bits for bits in _DEPTHS_BITS if largest < 1 << bits)


def as_luma(picture: Picture, bits: int) -> NDArray[np.uint8]:
    """Keep the top 8 of ``bits`` bits; 8-bit pictures stay as they are."""
    luma = picture if picture.dtype == np.uint8 else (picture >> (bits - 8)).astype(np.uint8)
    return np.ascontiguousarray(luma, np.uint8)


def _decompressed(message: Any) -> Picture:
    name = str(message.format)
    if "compressedDepth" in name:
        raise PictureError(f"{name!r} holds distances, not an image")
    try:
        picture = cv2.imdecode(
            np.frombuffer(message.data, np.uint8), cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
        )
    except cv2.error:
        picture = None
    if picture is None or picture.dtype not in (np.uint8, np.uint16):
        raise PictureError(f"compressed format {name!r} cannot be decoded; JPEG or PNG is expected")
    return cast(Picture, picture)


def _raw(message: Any) -> Picture:
    name = str(message.encoding)
    if (layout := _LAYOUTS.get(name.lower())) is None:
        known = "mono8, mono16, rgb8, bgr8, bgra8, yuv422, yuyv, nv12 and the Bayer mosaics can be read"
        raise PictureError(f"encoding {name!r} is not supported; {known}")
    kind, channels, convert = layout
    dtype = np.dtype(kind).newbyteorder(">" if message.is_bigendian else "<")
    height, width, step = int(message.height), int(message.width), int(message.step)
    stored = np.frombuffer(message.data, np.uint8)
    if step < width * channels * dtype.itemsize or len(stored) < step * height or not height * width:
        said = f"{width} x {height} px of {name} in rows of {counted(step, 'byte')}"
        raise PictureError(f"{said} do not fit its {counted(len(stored), 'byte')}; is the recording cut short?")
    rows = stored[: step * height].reshape(height, step)[:, : width * channels * dtype.itemsize]
    values = np.ascontiguousarray(rows).view(dtype).astype(dtype.newbyteorder("="), copy=False)
    return np.ascontiguousarray(convert(values if channels == 1 else values.reshape(height, width, channels)))


def _colour(code: int) -> Callable[[Any], Any]:
    return lambda values: cv2.cvtColor(values, code)


def _channel(index: int) -> Callable[[Any], Any]:
    return lambda values: values[..., index]


def _same(values: Any) -> Any:
    return values


_LAYOUTS: dict[str, tuple[str, int, Callable[[Any], Any]]] = {
    "mono8": ("u1", 1, _same),
    "8uc1": ("u1", 1, _same),
    "mono16": ("u2", 1, _same),
    "16uc1": ("u2", 1, _same),
    "rgb8": ("u1", 3, _colour(cv2.COLOR_RGB2GRAY)),
    "bgr8": ("u1", 3, _colour(cv2.COLOR_BGR2GRAY)),
    "8uc3": ("u1", 3, _colour(cv2.COLOR_BGR2GRAY)),
    "rgba8": ("u1", 4, _colour(cv2.COLOR_RGBA2GRAY)),
    "bgra8": ("u1", 4, _colour(cv2.COLOR_BGRA2GRAY)),
    "8uc4": ("u1", 4, _colour(cv2.COLOR_BGRA2GRAY)),
    "rgb16": ("u2", 3, _colour(cv2.COLOR_RGB2GRAY)),
    "bgr16": ("u2", 3, _colour(cv2.COLOR_BGR2GRAY)),
    **{
        f"bayer_{pattern.lower()}{bits}": (kind, 1, _colour(getattr(cv2, f"COLOR_Bayer{pattern}2GRAY")))
        for pattern in ("RGGB", "BGGR", "GBRG", "GRBG")
        for bits, kind in ((8, "u1"), (16, "u2"))
    },
    # `yuv422` without more is U Y V Y; sensor_msgs/image_encodings.hpp says so.
    **{name: ("u1", 2, _channel(1)) for name in ("yuv422", "uyvy")},
    **{name: ("u1", 2, _channel(0)) for name in ("yuv422_yuy2", "yuyv")},
    **dict.fromkeys(("nv12", "nv21", "nv24"), ("u1", 1, _same)),  # the luma plane comes first
}
"""By encoding: stored number, numbers a pixel, and the way to grey."""
