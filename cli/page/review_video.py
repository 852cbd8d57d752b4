"""The video of the review page: the recording's own where browsers play it, else a copy made along the way."""

from __future__ import annotations

from typing import TypeAlias

import av
import numpy as np
from numpy.typing import NDArray

from flow.disk.container import open_container
from flow.recording import Recording

Array: TypeAlias = NDArray[np.float64]

_PROFILES = ("Baseline", "Constrained Baseline", "Main", "High")  # not the lossless one: its name says 4:4:4
_LATEST_START_S = 0.1  # a player may show its first picture at 0 whatever its stamp


def own_times_s(recording: Recording) -> Array | None:
    """When a browser shows each frame of the recording's own video, s; None where browsers may not play it.

    They all play 8-bit 4:2:0 H.264 in an MP4.
    """
    times_s = recording.frames.container_times_s
    if times_s is None or not 0 <= times_s[0] <= _LATEST_START_S:
        return None
    try:
        with open_container(recording.frames.path) as container:
            codec = container.streams.video[0].codec_context
            fits = codec.name == "h264" and codec.profile in _PROFILES and codec.pix_fmt in ("yuv420p", "yuvj420p")
            return times_s if fits and "mp4" in container.format.name else None
    except (av.FFmpegError, OSError, IndexError):
        return None
