"""Offsets of a sensor's columns are found and furrows are not taken for them. Expected is what was put in."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.ndimage

from flow.faults.line_pattern import LinePattern

COLUMNS, LOOKS, LEVELS = 320, 40, 1.5


def learnt(ground: np.ndarray, offsets: np.ndarray, across_px: np.ndarray) -> np.ndarray:
    """Let furrows without an end pass, a mean level for each px across, at so many places sideways."""
    lines, columns = LinePattern(len(offsets)), np.arange(len(offsets))
    for at in across_px:
        furrows = np.interp(columns + at, np.arange(len(ground)) - 100, ground)
        lines.add(np.rint(furrows + offsets).astype(np.int16), float(at))
    return lines.offsets()


def furrows(seed: int) -> np.ndarray:
    """Ground behind a lens that blurs by 1 px, of twice the levels that the columns differ by."""
    grain = scipy.ndimage.gaussian_filter1d(np.random.default_rng(seed).normal(size=COLUMNS + 200), 1.0)
    return 2 * LEVELS * grain / grain.std()


def sway(seed: int, size_px: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return size_px * np.sin(np.arange(LOOKS) / rng.uniform(3, 6) + rng.uniform(0, 6))


@pytest.mark.parametrize("seed", range(6))
def test_offsets_are_found_once_the_ground_moves_sideways(seed: int) -> None:
    offsets = np.random.default_rng(100 + seed).normal(0, LEVELS, COLUMNS)
    left = learnt(furrows(seed), offsets, sway(seed, 25.0)) - offsets
    # The lens blurs the finer half of what furrows have (a Gaussian of 1 px passes less than 0.3 of the amplitude from a
    # quarter of the sampling frequency on): that half of the white offsets' power is found, and some of the rest.
    assert left.std() < np.sqrt(0.5) * LEVELS


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("size_px", [0.0, 0.9, 25.0])
def test_furrows_are_no_offsets(seed: int, size_px: float) -> None:
    none, seen = np.zeros(COLUMNS), 0.5  # of a grey level
    assert np.abs(learnt(furrows(seed), none, sway(seed, size_px))).max() < seen
    # Rows of a crop, 8 px apart: two lanes of a set.
    rows = 20 * np.sin(2 * np.pi * np.arange(COLUMNS + 200) / 8)
    assert np.abs(learnt(rows + furrows(seed), none, sway(seed, size_px))).max() < seen


def test_offsets_are_not_believed_before_the_ground_has_moved_sideways() -> None:
    offsets = np.random.default_rng(1).normal(0, LEVELS, COLUMNS)
    assert not learnt(furrows(0), offsets, sway(0, 0.9)).any()
