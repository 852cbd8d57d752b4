"""What is seen of pictures over time: every half second is looked at, and nothing is no copy of nothing."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calib.fitness.picture import BIN_S, PictureSeries, PictureWatch, flat, picture_findings
from flow.video import Frame

Picture = NDArray[np.uint8]


def watched(pictures: list[Picture], rate_hz: float) -> PictureSeries:
    watch = PictureWatch()
    for k, luma in enumerate(pictures):
        watch.add(Frame(index=k, time_s=k / rate_hz, luma=luma, exposure_s=None))
    return watch.series()


def gravel(count: int) -> list[Picture]:
    rng = np.random.default_rng(1)
    blocks = np.kron(rng.integers(40, 200, (count, 30, 40)), np.ones((1, 4, 4)))
    return list(np.clip(blocks + rng.normal(0, 1, blocks.shape), 0, 255).astype(np.uint8))


@pytest.mark.parametrize("count", [16, 17, 31, 33])
def test_a_last_line_of_few_frames_is_looked_at_too(count: int) -> None:
    """At 30 frames a second 15 make a line: the last one holds a frame or two, and a tenth of a second is not over."""
    series = watched(gravel(count), 30.0)
    assert len(series.begin_s) == -(-count // round(30 * BIN_S))
    assert not flat(series).any()
    assert not [finding for finding in picture_findings(series, 0.0) if "no texture" in finding.what]


def test_black_pictures_are_no_copies() -> None:
    """A lens cap on a camera without noise: every picture is alike, and no recorder has stalled."""
    series = watched([np.full((120, 160), 16, np.uint8)] * 60, 30.0)
    (finding,) = picture_findings(series, 0.5)
    assert "black" in finding.what
    assert series.copies.sum() == 0
