"""Pictures stored twice, through a video codec as well; synthetic flights with exact truth."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from flow.faults.copies import Copies
from flow.scene.encode import Codec, Encoding, write_video
from flow.video import Video
from tests.flow.flights import Flight, assert_honest, inertial, measured

FRAMES, EVERY = 80, 5


def stored(flown: Flight, encoding: Encoding, folder: Path) -> Flight:
    path = folder / encoding.file_name
    write_video(path, flown.frames, encoding, 30)
    return replace(flown, frames=list(Video(path)))


def halved() -> Flight:
    """Fly at 30 frames a second: a copy then takes half of a motion of 2 px."""
    frames = [replace(frame, index=k) for k, frame in enumerate(inertial().frames[: 2 * FRAMES : 2])]
    return replace(inertial(), frames=frames)


@pytest.mark.parametrize(("codec", "quality"), [("lossless", None), ("mjpeg", 4), ("h264", 20), ("h264", 26)])
def test_copies_are_named_and_the_rest_is_measured(codec: Codec, quality: int | None, tmp_path: Path) -> None:
    flown = halved()
    frames = list(flown.frames)
    copies = range(EVERY, FRAMES, EVERY)
    for k in copies:
        frames[k] = replace(frames[k], luma=frames[k - 1].luma)
    found = measured(stored(replace(flown, frames=frames), Encoding(codec=codec, quality=quality), tmp_path))
    assert_honest(found)
    assert [k + 1 for k, word in enumerate(found.status) if word == "repeated_frame"] == list(copies)
    assert found.status.count("ok") == FRAMES - 1 - len(copies)


def test_a_craft_at_rest_is_no_copy_for_long() -> None:
    # Noise through a codec, a hundredth of the change in flight: on a craft that has landed that is all there is.
    rng = np.random.default_rng(1)
    flying = [rng.integers(0, 255, (60, 80)).astype(np.uint8) for _ in range(20)]
    resting = [flying[-1].copy() for _ in range(40)]
    for k, picture in enumerate(resting):
        picture[k % 60, k % 80] ^= 64
    copies = Copies()
    pictures = flying + resting
    named = [copies.holds(first, second) for first, second in itertools.pairwise(pictures)]
    assert not any(named[:19])
    assert all(named[19:31])
    assert not any(named[35:])


def test_slow_ground_is_no_copy() -> None:
    # A picture that changes by a level or two shows ground that creeps, whatever it did before.
    rng = np.random.default_rng(2)
    ground = rng.integers(0, 255, (60, 80))
    pictures = [np.clip(ground + rng.integers(-1, 2, ground.shape), 0, 255).astype(np.uint8) for _ in range(20)]
    pictures[10] = pictures[9].copy()
    pictures[10][::6, ::6] ^= 1
    copies = Copies()
    assert not any(copies.holds(first, second) for first, second in itertools.pairwise(pictures))


def test_pictures_of_nothing_are_no_copies() -> None:
    """No light is no stall: black pictures are alike to the last digit, and say nothing of the recorder."""
    copies = Copies()
    black, grey = np.full((48, 64), 16, np.uint8), np.random.default_rng(1).integers(0, 255, (48, 64)).astype(np.uint8)
    assert not any(copies.holds(black, black.copy()) for _ in range(20))
    assert not copies.likely
    assert copies.holds(grey, grey.copy())


def test_a_black_stretch_is_no_texture() -> None:
    frames = list(halved().frames)
    for k in range(30, 40):
        frames[k] = replace(frames[k], luma=np.full_like(frames[k].luma, 16))
    found = measured(replace(halved(), frames=frames))
    # Rows 30 to 38 have black at both ends; at 29 and 39 it is at one.
    assert {row.status for row in found.rows[30:39]} == {"no_texture"}
    assert_honest(found)
