"""The grey picture that a video stores, without a conversion where none is needed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import av
import numpy as np
from av.video.reformatter import VideoReformatter
from numpy.typing import NDArray

from flow.errors import DataError

_REFORMATTER = VideoReformatter()


def stored_luma(picture: av.VideoFrame, path: Path) -> NDArray[np.uint8]:
    """Take the luma of a decoded picture, (H, W), C-contiguous and read-only.

    It is a view of the decoder's own buffer where its rows have no padding. Limited range is not stretched;
    of more than 8 bits the top 8 are kept; pictures that are not Y'CbCr become grey.

    Raises
    ------
    DataError
        A pixel format that cannot be made grey; ``path`` is named.
    """
    plan = _plan(picture.format.name)
    if plan.convert_to is not None:
        try:
            picture = _REFORMATTER.reformat(picture, format=plan.convert_to)
        except (av.FFmpegError, ValueError) as error:
            problem = f"pixel format {picture.format.name} cannot be made grey ({error})"
            raise DataError(problem, path=path) from None
    plane = picture.planes[0]
    stored = np.frombuffer(memoryview(plane), plan.dtype).reshape(plane.height, -1)[:, : picture.width]
    luma = np.ascontiguousarray(stored if plan.shift == 0 else (stored >> plan.shift).astype(np.uint8))
    luma.flags.writeable = False
    return luma


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """How luma is had from a pixel format: after a conversion or not, as which integer, shifted how far."""

    convert_to: str | None = None
    dtype: str = "u1"
    shift: int = 0


@cache
def _plan(name: str) -> _Plan:
    kind = av.VideoFormat(name)
    if kind.is_rgb or kind.has_palette or kind.is_bit_stream or name.startswith(("grayf", "ya")):
        return _Plan(convert_to="gray")
    if not kind.is_planar and not name.startswith("gray"):
        return _Plan(convert_to="yuv444p")  # packed Y'CbCr: sorted into planes, luma untouched
    bits = kind.components[0].bits
    if bits == 8:
        return _Plan()
    # p010 and its kin keep their bits at the top of 16, all others at the bottom.
    top = name.startswith(("p0", "p2", "p4"))
    return _Plan(dtype=">u2" if kind.is_big_endian else "<u2", shift=8 if top else bits - 8)
