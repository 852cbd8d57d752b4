"""Real clips with faults of their own: a header that lies, time stamps that step backwards.

Source: Debian's package opencv-doc, ``tree.avi`` (declares 444 frames and holds 68) and ``box.mp4.gz`` (231 time stamps
that step backwards, the first of them at the very beginning), looked for as in ``test_fixed_camera.py``.
"""

from __future__ import annotations

import gzip
import os
from pathlib import Path

import numpy as np
import pytest

from flow.errors import DataError
from flow.video import Video

_ROOTS = [Path(given) for given in (os.environ.get("GROUNDPACE_OPENCV_DOC"),) if given]
FOLDERS = [*_ROOTS, *(root.parent.parent for root in _ROOTS), Path("/usr/share/doc/opencv-doc/examples/data"),
           Path("/usr/share/doc/opencv-doc")]  # fmt: skip


def found(name: str) -> Path:
    path = next((folder / name for folder in FOLDERS if (folder / name).exists()), None)
    if path is None:
        pytest.skip(f"{name} of Debian's opencv-doc not found; install it or set GROUNDPACE_OPENCV_DOC")
    return path


def times_for(path: Path, count: int) -> Path:
    path.write_text("frame,time_s\n" + "".join(f"{k},{k / 30:.6f}\n" for k in range(count)))
    return path


def test_a_header_that_lies_about_the_frame_count(tmp_path: Path) -> None:
    clip = found("tree.avi")
    with pytest.raises(DataError, match=r"tree.avi: declares 444 frames and holds 68; .*frames.csv"):
        Video(clip)
    frames = list(Video(clip, times_for(tmp_path / "frames.csv", 68)))
    assert len(frames) == 68
    assert {frame.luma.shape for frame in frames} == {(240, 320)}


def test_time_stamps_that_step_backwards(tmp_path: Path) -> None:
    clip = tmp_path / "box.mp4"
    clip.write_bytes(gzip.decompress(found("opencv4/html/box.mp4.gz").read_bytes()))
    with pytest.raises(DataError, match=r"box.mp4: time (runs backwards|repeats) at frame \d+: .*frames.csv"):
        list(Video(clip))
    import av

    with av.open(str(clip)) as container:
        held = sum(packet.size > 0 and not packet.is_discard for packet in container.demux(video=0))
    # With true times beside it every picture that decodes is given, once each and in the order stored.
    frames = [frame.index for frame in Video(clip, times_for(tmp_path / "frames.csv", held))]
    np.testing.assert_array_equal(frames, np.arange(held))
