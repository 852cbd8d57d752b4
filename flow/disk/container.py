"""Video files opened: one file, this one, and nothing that it may point to."""

from __future__ import annotations

import os
from pathlib import Path

import av

from flow.disk.regular import refuse_devices
from flow.errors import DataError

_LISTS = {"concat", "dash", "hls", "imf", "lavfi", "rtp", "rtsp", "sdp", "webm_dash_manifest"}


def open_container(path: Path) -> av.container.InputContainer:
    """Open a file with FFmpeg, for a context; what it says of itself may be in any encoding.

    Raises
    ------
    DataError
        A pipe, a device, or a list of other files or addresses, which FFmpeg would follow.
    av.FFmpegError, OSError
        No file, or none that FFmpeg knows.
    """
    refuse_devices(path)
    container = av.open(os.fspath(path), metadata_errors="replace", options={"protocol_whitelist": "file"})
    if set(container.format.name.split(",")) & _LISTS:
        container.close()
        raise DataError("is a list of other files, not a video; name the video itself", path=path)
    return container
