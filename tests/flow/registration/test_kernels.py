"""The compiled loops against NumPy and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import correlate1d

from flow.registration import equations, filters, kernels
from flow.registration.comparison import compare

RNG = np.random.default_rng(2)


def test_own_sums_are_numpys() -> None:
    value, gx, gy = RNG.normal(size=(3, 40, 50)).astype(np.float32)
    (found,) = kernels.own_sums(value, gx, gy, np.array([[7, 11]]), 16)
    part = np.s_[11:27, 7:23]
    t, x, y = (a[part].astype(float) for a in (value - value[11, 7], gx, gy))
    expected = [np.full_like(t, value[11, 7]), t, t * t, x, y, x * x, x * y, y * y, x * t, y * t]
    assert found == pytest.approx([a.sum() for a in expected], abs=1e-3)  # sums of 256 numbers in single precision


def test_a_picture_made_ready_strip_by_strip() -> None:
    # Source: SciPy's correlation with the same filter, over the whole picture at once. Blocks overlap, along and down.
    picture = RNG.normal(100, 20, size=(60, 70)).astype(np.float32)
    corners = np.array([[x, y] for y in (5, 19, 33) for x in (5, 20, 41)])
    slope_x, slope_y = np.zeros((2, 60, 70), np.float32)
    half = filters.slope()[5:].astype(np.float32)
    sums = kernels.made_ready(picture, half, corners, 16, slope_x, slope_y)
    whole = [correlate1d(picture.astype(float), filters.slope(), axis=axis).astype(np.float32) for axis in (1, 0)]
    inside = np.s_[5:49, 5:57]
    for found, expected in zip((slope_x, slope_y), whole, strict=True):
        np.testing.assert_allclose(found[inside], expected[inside], atol=1e-4)  # single precision
    np.testing.assert_allclose(sums, kernels.own_sums(picture, *whole, corners, 16), rtol=1e-4, atol=0.5)


def test_a_map_of_second_degree_is_differentiated_exactly() -> None:
    # Central differences are exact for a quadratic on any spacing, at the border too; the mixed term has no part in the
    # sum of second derivatives.
    rows, columns = np.array([8.0, 24, 40, 57, 73]), np.array([8.0, 24, 41, 57, 73, 90])
    x, y = (a.ravel() for a in np.meshgrid(columns, rows))
    place = np.column_stack(
        [x + 1e-4 * x * x + 2e-5 * x * y - 3e-5 * y * y, y - 1e-4 * y * y + 1e-5 * x * y + 2e-5 * x * x]
    )
    stretch, bend = kernels.sheet(place, rows, columns)
    by_x = np.column_stack([1 + 2e-4 * x + 2e-5 * y, 1e-5 * y + 4e-5 * x])
    by_y = np.column_stack([2e-5 * x - 6e-5 * y, 1 - 2e-4 * y + 1e-5 * x])
    assert stretch[:, :, 0] == pytest.approx(by_x, abs=1e-12)
    assert stretch[:, :, 1] == pytest.approx(by_y, abs=1e-12)
    assert bend == pytest.approx(np.tile([2e-4 - 6e-5, -2e-4 + 4e-5], (len(x), 1)), abs=1e-14)


@pytest.mark.parametrize(
    "stretch",
    [np.eye(2), np.array([[1.002, 0.02], [-0.02, 0.997]]), np.array([[1.0, 0.0], [0.19, 1.0]])],
    ids=["shift", "turned", "columns begin rows apart"],
)
def test_a_picture_is_read_where_it_is_expected(stretch: np.ndarray) -> None:
    # A wave whose value anywhere is known: the difference from what the block would be there is that of interpolation,
    # a hundredth of its amplitude of 20, and of Taylor's first order.
    x, y = np.meshgrid(np.arange(80.0), np.arange(70.0))

    def wave(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 100 + 20 * np.sin(2 * np.pi * (0.06 * x + 0.04 * y))

    corner, size = np.array([[30, 24]]), 16
    middle = corner[0] + 0.5 * (size - 1)
    place = middle + np.array([2.3, -1.7])
    inner = np.stack([x, y], axis=-1) - middle
    at = place + inner @ stretch.T
    mine = wave(at[..., 0], at[..., 1]).astype(np.float32)  # what the block must be for the difference to vanish
    gy, gx = np.gradient(mine.astype(float))
    found = compare(
        mine, gx.astype(np.float32), gy.astype(np.float32), corner, size, wave(x, y).astype(np.float32), place[None],
        stretch[None], filters.interpolation(),
    )  # fmt: skip
    assert found[0, 0] / size**2 == pytest.approx(0.0, abs=0.05)
    assert np.sqrt(found[0, 1]) / size < 0.25
    elsewhere = compare(
        mine, gx.astype(np.float32), gy.astype(np.float32), corner, size, wave(x, y).astype(np.float32),
        place[None] + 0.5, stretch[None], filters.interpolation(),
    )  # fmt: skip
    assert np.sqrt(elsewhere[0, 1]) / size > 2.0


def test_a_block_that_leaves_the_picture_is_not_read() -> None:
    flat = np.full((60, 60), 9, np.float32)
    for place in ([3.0, 30.0], [30.0, 58.0], [np.nan, 30.0]):
        found = compare(
            flat,
            flat,
            flat,
            np.array([[20, 20]]),
            16,
            flat,
            np.array([place]),
            np.eye(2)[None],
            filters.interpolation(),
        )
        assert np.isnan(found).all()


def test_gain_and_offset_do_not_move_a_block() -> None:
    # Closed form: the other picture is gain x ours + offset - slope x step, all in one block of noise.
    size, step = 24, np.array([0.03, -0.05])
    value, gx, gy = RNG.normal(size=(3, size, size))
    miss = 0.2 * (value - value[0, 0]) + 3.0 - gx * step[0] - gy * step[1]
    own = kernels.own_sums(*(a.astype(np.float32) for a in (value, gx, gy)), np.array([[0, 0]]), size)
    t = value - value[0, 0]
    compared = np.array([[(m * miss).sum() for m in (np.ones_like(t), miss, gx, gy, t)]])
    free = np.zeros((1, 3)), np.zeros((1, 2))
    found, _, _, _ = equations.solved(*equations.steps(own, compared, size**2, 0.0, *free), 0.0, 0.0, 1.0)
    assert found[0] == pytest.approx(step, abs=1e-5)
    assert equations.unexplained(own, compared, size**2)[0] == pytest.approx(0.0, abs=1e-4)


def test_change_is_the_mean_absolute_difference() -> None:
    first, second = RNG.integers(0, 256, (2, 40, 40)).astype(np.uint8)
    part = np.s_[5:21:2, 9:25]
    expected = np.abs(first[part].astype(int) - second[part]).mean()
    assert kernels.change(first, second, np.array([[9, 5]]), 16)[0] == pytest.approx(expected, rel=1e-12)
