"""A real camera's sideways motion over a real scene, with the distance of every point published.

Source: the ``motorcycle`` pair of the Middlebury stereo set 2014 (Scharstein et al., GCPR 2014) as scikit-image's wheel
carries it: focal length 994.978 px, baseline 193.001 mm, principal points 31.086 px apart. The left camera is the first
frame, the right one, to the camera's right, the second.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage

from flow.pair.equations import PairGeometry
from flow.pair.velocity import Solution, solve
from flow.tracks import LucasKanade, Matches

DATA = Path(skimage.__file__).parent / "data"
FOCAL_PX, BASELINE_M = 994.978, 0.193001
LEFT_CENTRE = np.array([311.193, 254.877])  # skimage.data.stereo_motorcycle's docstring
OFFSET_PX = 31.086

pytestmark = pytest.mark.skipif(
    not all((DATA / f"motorcycle_{part}").exists() for part in ("left.png", "right.png", "disp.npz")),
    reason=f"scikit-image's wheel carries the stereo pair, {DATA} does not",
)


def tracked() -> tuple[Matches, np.ndarray]:
    """Our tracks between the two pictures, and the published disparity at each start, px."""
    left, right = (cv2.imread(str(DATA / f"motorcycle_{side}.png"), cv2.IMREAD_GRAYSCALE) for side in ("left", "right"))
    assert left is not None and right is not None
    height, width = left.shape
    matches = LucasKanade(width, height).match(left, right, lambda points: points - [20.0, 0.0], far=True)
    with np.load(DATA / "motorcycle_disp.npz") as stored:
        disparity = stored["arr_0"]
    column, row = np.rint(matches.first_px).astype(int).T
    return matches, disparity[row, column].astype(float)


def recovered(*, reverse: bool = False, swap_axes: bool = False, offset_px: float = OFFSET_PX) -> Solution:
    """Motion over one second by the solver, each point on a plane across the optical axis at its own distance."""
    matches, disparity = tracked()
    known = np.isfinite(disparity)
    matches, disparity = matches.only(known), disparity[known]
    first = (matches.first_px - LEFT_CENTRE) / FOCAL_PX
    second = (matches.second_px - LEFT_CENTRE - [offset_px, 0]) / FOCAL_PX
    if reverse:
        first, second = second, first
    if swap_axes:
        first, second = first[:, ::-1], second[:, ::-1]
    count = len(matches)
    nothing = np.zeros((count, 3))
    pair = PairGeometry(
        first_ray=np.column_stack([first, np.ones(count)]),
        second_ray=np.column_stack([second, np.ones(count)]),
        first_s=np.zeros(count),
        second_s=np.ones(count),  # distances belong to the first picture
        first_lever_m=nothing,
        second_lever_m=nothing,
        down=np.array([0.0, 0.0, 1.0]),
        distance_m=FOCAL_PX * BASELINE_M / (disparity + OFFSET_PX),  # type: ignore[arg-type]  # one for each point
        flow=second - first,
        covariance=matches.covariance_px2 / FOCAL_PX**2,
    )
    solution = solve(pair, None, 4.0, np.random.default_rng(0))
    assert solution is not None
    return solution


def test_tracks_are_the_published_disparity() -> None:
    # Published per-pixel truth. Two thirds of the tracks are within a pixel (the rest stand on edges of
    # depth, where a window sees two distances); their median error is below the 0.15 px that a start between
    # pixels of the disparity map and slanted surfaces leave.
    matches, disparity = tracked()
    error = (matches.first_px - matches.second_px)[:, 0] - disparity
    error = error[np.isfinite(error)]
    assert len(error) > 120
    assert np.mean(np.abs(error) < 1) > 0.6
    assert abs(np.median(error)) < 0.15
    rows = (matches.second_px - matches.first_px)[:, 1]
    assert abs(np.median(rows)) < 0.1  # rectified: no motion along the other axis


def test_the_baseline_is_recovered() -> None:
    # Published: 193.001 mm to the right, nothing down or ahead, signed. 0.1 % (0.2 mm) is what references
    # reached with Lucas-Kanade twice over; the solution's own sigma is 0.06 mm sideways and 0.25 mm ahead.
    solution = recovered()
    error = solution.velocity_m_s - [BASELINE_M, 0, 0]
    assert (np.abs(error) < [2e-4, 2e-4, 1e-3]).all(), error
    sigma = np.sqrt(np.diag(solution.covariance))
    assert (np.abs(error) < 4 * sigma).all()


@pytest.mark.parametrize(
    "slip", [{"reverse": True}, {"swap_axes": True}, {"offset_px": 0.0}, {"offset_px": -OFFSET_PX}]
)
def test_the_same_check_notices_what_it_should(slip: dict[str, float]) -> None:
    # Mutations of the test above: each is off by a tenth of the baseline or more.
    solution = recovered(**slip)  # type: ignore[arg-type]
    assert np.abs(solution.velocity_m_s - [BASELINE_M, 0, 0]).max() > 0.1 * BASELINE_M
