"""Flights out of the ordinary, and any kind of video: measured honestly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

import av
import numpy as np
import pytest

import flow
from flow import scene
from flow.recording import Recording
from flow.scene.motion import Motion
from flow.series import Truth
from flow.video import Frame
from tests.flow.flights import (
    HEIGHT_RECOVERY_S,
    Flight,
    assert_honest,
    assert_told,
    flight,
    gusty,
    measured,
    module,
)
from tests.flow.scene import grounds


def step(height_m: float, *, ahead: bool) -> scene.Patch:
    """Ground that is ``height_m`` higher from 1 m north on (or up to there), wider than any view."""
    centre = 6.0 if ahead else -4.0
    return scene.Patch(centre_m=(centre, 0.0), size_m=(10.0, 40.0), ground=grounds.gravel(), height_m=height_m)


@dataclass(frozen=True)
class Odd:
    """A flight out of the ordinary, and where it may be silent or its height late."""

    motion: Motion
    keys: dict[str, Any] = field(default_factory=dict)
    blind_s: tuple[float, float] = (0.0, 0.0)
    words: str = ""
    height_blind_s: tuple[float, float] = (0.0, 0.0)


def odd_flights() -> dict[str, Odd]:
    laser = module(beam="narrow", assumed_air_temperature_c=None)
    leaning = gusty(2.0, pitch_rad=-0.2, roll_rad=0.12)
    rising = scene.straight(2.5, height_m=0.12, climb_m_s=0.3)
    up, down = gusty(2.6, 1.5), gusty(2.6, 1.8)
    # The edge passes under the body at 1 m / 0.6 m/s; the pictures show it 0.6 m before and after.
    edge: dict[str, Any] = {"blind_s": (0.6, 2.6), "words": "contradictory uncertain", "height_blind_s": (1.6, 1.85)}
    # At half its size, depths 20 % apart are too like to tell.
    preset = {"module": scene.preset_module("small"), "frame_rate_hz": 30}
    table = scene.Patch(centre_m=(1.0, 0.0), size_m=(0.5, 0.5), ground=grounds.gravel(), height_m=0.3)
    return {
        "10 frames/s": Odd(gusty(4.0), {"frame_rate_hz": 10}),
        "120 frames/s": Odd(gusty(1.5), {"frame_rate_hz": 120}),
        "uneven frames": Odd(gusty(2.0), {"frame_jitter_s": 0.006}),
        "640 x 480": Odd(gusty(0.4), {"module": scene.preset_module("large")}),
        "leaning laser": Odd(leaning, {"module": laser}),
        "leaning laser, logged attitude": Odd(leaning, {"module": laser, "attitude": scene.AttitudeErrors()}),
        "cold air": Odd(gusty(2.0), {"range_errors": scene.RangeErrors(air_temperature_c=-5.0)}),
        "unknown air": Odd(
            gusty(2.0), {"range_errors": scene.RangeErrors(air_temperature_c=12.0, logs_temperature=False)}
        ),
        # 0.12 m to 0.3 m takes 0.6 s.
        "take-off from below the least range": Odd(
            rising, {"module": module(min_m=0.3)}, (0, 0.6 + HEIGHT_RECOVERY_S), "no_height"
        ),
        "step up": Odd(up, preset | {"patches": (step(0.3, ahead=True),)}, **edge),
        "step down": Odd(down, preset | {"patches": (step(0.3, ahead=False),)}, **edge),
        "over a table": Odd(up, preset | {"patches": (table,)}, (0.6, 2.6), "contradictory uncertain", (1.1, 2.3)),
    }


@pytest.mark.parametrize("name", odd_flights())
def test_an_odd_flight_is_measured_honestly(name: str) -> None:
    odd = odd_flights()[name]
    found = measured(flight(odd.motion, **odd.keys))
    assert_honest(found, height_blind_s=odd.height_blind_s)
    assert_told(found, odd.words, odd.blind_s)


# Files


def as_colour(path: Path, frames: Sequence[Frame]) -> None:
    """Write the frames in colour, limited range, as a webcam's software would: red gravel."""
    with av.open(str(path), "w") as container:
        stream = cast("Any", container.add_stream("libx264", rate=60))
        stream.height, stream.width = frames[0].luma.shape
        stream.pix_fmt, stream.options = "yuv420p", {"qp": "4", "bf": "0"}
        stream.time_base = stream.codec_context.time_base = Fraction(1, 10**6)
        for frame in frames:
            red = np.stack([frame.luma, frame.luma // 2, frame.luma // 2], axis=-1)
            picture = av.VideoFrame.from_ndarray(red, format="rgb24")
            picture.pts, picture.time_base = round(frame.time_s * 1e6), stream.time_base
            container.mux(stream.encode(picture))
        container.mux(stream.encode())


@dataclass(frozen=True)
class WithTruth:
    """A recording on disk and what it does not know."""

    recording: Recording
    truth: Truth

    def __getattr__(self, name: str) -> Any:
        return getattr(self.recording, name)


@pytest.mark.parametrize("video", ["lossless", "ffv1", "mjpeg", "colour"])
def test_any_video_gives_the_same_speed(video: str, tmp_path: Path) -> None:
    spec = scene.SceneSpec(motion=gusty(1.0), ground=grounds.gravel(), module=module(), seed=1)
    made = scene.synthesize(tmp_path / "rec", spec, scene.Encoding(codec="ffv1" if video == "colour" else video))
    if video == "colour":
        as_colour(tmp_path / "rec" / "video.mp4", list(made.frames()))
        (tmp_path / "rec" / "video.mkv").unlink()
        (tmp_path / "rec" / "frames.csv").unlink()
    found = measured(cast("Flight", WithTruth(flow.open_recording(tmp_path / "rec"), made.truth)))
    assert len(found.rows) == len(made) - 1
    assert_honest(found)
    assert_told(found, "")


def test_three_seconds_without_frames_leave_no_doubt_behind() -> None:
    # Exact truth. The samples of the gap come in one batch, longer than rotations are kept: taken in at once, the velocity by
    # the accelerometer was off by metres a second behind it, and every row refused.
    flown = flight(gusty(5.6), frame_rate_hz=30)
    first_s = flown.frames[0].time_s
    kept = [frame for frame in flown.frames if not 1.4 < frame.time_s - first_s < 4.6]
    found = measured(replace(flown, frames=kept))
    assert_honest(found)
    assert [status for status in found.status if status != "ok"] == ["frame_gap"]
