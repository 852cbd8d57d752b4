"""The video of the review page: the recording's own where browsers play it, else a copy made along the way."""

from __future__ import annotations

from typing import TypeAlias

import av
import numpy as np
from numpy.typing import NDArray

from flow.container import open_container
from flow.recording import Recording

Array: TypeAlias = NDArray[np.float64]

_PROFILES = ("Baseline", "Constrained Baseline", "Main", "High")  # not the lossless one: its name says 4:4:4
_LATEST_START_S = 0.1  # a player may show its first picture at 0 whatever its stamp


def own_times_s(recording: Recording) -> Array | None:
    """When a browser shows each frame of the recording's own video, s; None where browsers may not play it.

    They all play 8-bit 4:2:0 H.264 in an MP4. Its packets are listed, not decoded.
    """
    try:
        with open_container(recording.frames.path) as container:
            stream = container.streams.video[0]
            codec = stream.codec_context
            fits = codec.name == "h264" and codec.profile in _PROFILES and codec.pix_fmt in ("yuv420p", "yuvj420p")
            if not fits or "mp4" not in container.format.name or stream.time_base is None:
                return None
            stamps = [packet.pts for packet in container.demux(stream) if packet.size and not packet.is_discard]
            base = float(stream.time_base)
    except (av.FFmpegError, OSError, IndexError):
        return None
    known = sorted(stamp for stamp in stamps if stamp is not None)
    if len(known) != recording.frame_count or len(known) != len(stamps):
        return None
    times = np.array(known) * base
    return times if 0 <= times[0] <= _LATEST_START_S else None


def copied_times_s(recording: Recording) -> Array:
    """When a browser shows each frame of a copy made at the recording's own frame times, s."""
    times = recording.frames.times_s
    return np.asarray(times - times[0])
