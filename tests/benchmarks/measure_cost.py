"""Cost of ``measure`` against the bare loop that no tracker can do without; run it, it is not a test.

    python -m tests.benchmarks.measure_cost [RECORDING] [--rounds 5]

The bare loop decodes the luma plane, detects 200 corners every fifth frame and tracks them with Lucas-Kanade, all by
OpenCV at its defaults (21 px window, 4 levels). Both run in turn in one process; the ratio is what counts. Without
RECORDING a 640 x 480 flight of 5 s is synthesised first.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

import flow
from flow import scene

H264 = scene.Encoding(codec="h264")


def bare_loop(recording: flow.Recording) -> float:
    """Seconds a frame of decoding, detection every fifth frame and Lucas-Kanade on 200 points."""
    before, points = None, None
    began, count = time.perf_counter(), 0
    for frame in recording.video():
        if before is not None and points is not None:
            cv2.calcOpticalFlowPyrLK(before, frame.luma, points, None)
        if frame.index % 5 == 0:
            points = cv2.goodFeaturesToTrack(frame.luma, 200, 0.01, 8)
        before, count = frame.luma, count + 1
    return (time.perf_counter() - began) / count


def whole_measurement(recording: flow.Recording) -> float:
    """Seconds a frame of the measurement."""
    began = time.perf_counter()
    count = sum(1 for _ in flow.measure(recording))
    return (time.perf_counter() - began) / count


def main() -> None:
    """Print both costs and their ratio, median of the rounds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("recording", type=Path, nargs="?")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--threads", type=int, default=0, help="OpenCV threads; 0 leaves its default")
    given = parser.parse_args()
    if given.threads:
        cv2.setNumThreads(given.threads)
    with tempfile.TemporaryDirectory() as made:
        folder = given.recording or synthesised(Path(made) / "flight")
        recording = flow.open_recording(folder)
        pairs = [(whole_measurement(recording), bare_loop(recording)) for _ in range(given.rounds)]
    ours, bare = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratio = statistics.median(a / b for a, b in pairs)
    size = f"{recording.frames.width_px} x {recording.frames.height_px}"
    print(f"{size}: measure {1e3 * ours:.2f} ms a frame, bare loop {1e3 * bare:.2f} ms, ratio {ratio:.2f}")


def synthesised(folder: Path) -> Path:
    """Synthesise a 640 x 480 hover in gusts."""
    motion = scene.straight(5.0, height_m=1.0) + scene.gusts(5.0, seed=1)
    scene.synthesize(folder, scene.SceneSpec(motion=motion, module=scene.preset_module("large"), seed=1), H264)
    return folder


if __name__ == "__main__":
    np.seterr(all="raise", under="ignore")
    main()
