"""Bad pixels and dirt: what is learnt of them, and what the log then holds.

Expected is exact: the marks and levels that were drawn, and the truth of synthetic flights. Where a pattern pulled rows
off before it was taken out is said beside each flight.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import cast

import cv2
import numpy as np
import pytest

from flow.faults.sensor_pattern import SensorPattern
from flow.measure import measure
from flow.pair.geometry import PairView
from flow.tracks import Matches
from tests.flow import flights
from tests.flow.fault_flights import clean, steady
from tests.flow.flights import Flight
from tests.flow.patterns import both, dimmed, hot, spots, straight_on, stuck_pixels, uneven_lines
from tests.flow.spoils import Spoil
from tests.flow.test_faults import off, usable

Grey = np.ndarray
SIZE = 160, 120
PICTURES = 160
LOOKS = 26  # at every other picture 16 times, then at one in 12
GRAIN = cv2.GaussianBlur(np.random.default_rng(1).normal(110, 90, (900, 900)), (0, 0), 1.3).astype(np.float32)
NOWHERE = cast("PairView", None)  # matches show how the ground moved


def learnt(
    draw: Callable[[Grey], Grey], step_px: tuple[int, int], ground: Grey = GRAIN, *, turning: bool = False
) -> tuple[SensorPattern, Grey]:
    """Let one learn from pictures of ground that moves by so many px, along x and y, and give the last of them.

    ``turning`` swaps the two every third picture, so that the way is no straight line.
    """
    pattern, at = SensorPattern(*SIZE), np.array([700, 700])
    rng = np.random.default_rng(3)
    picture = np.zeros((SIZE[1], SIZE[0]), np.uint8)
    for k in range(PICTURES):
        seen = ground[at[1] : at[1] + SIZE[1], at[0] : at[0] + SIZE[0]] + rng.normal(0, 1.5, SIZE[::-1])
        picture = np.clip(np.rint(draw(seen)), 0, 255).astype(np.uint8)
        pattern.clean(picture)
        step = np.array([step_px, step_px[::-1]][k // 3 % 2 if turning else 0])
        pattern.learn(NOWHERE, moved(step if k else np.zeros(2)), np.ones(50, bool), hidden=False)
        at -= np.array([step_px, step_px[::-1]][(k + 1) // 3 % 2 if turning else 0])
    return pattern, picture


def moved(step_px: np.ndarray) -> Matches:
    places = np.random.default_rng(2).uniform(0, 120, (50, 2))
    return Matches(
        first_px=places, second_px=places + step_px, covariance_px2=np.tile(np.eye(2), (50, 1, 1)), offered=50
    )


def test_ground_alone_leaves_pictures_as_they_are() -> None:
    pattern, picture = learnt(lambda seen: seen, (3, 2))
    assert not pattern.found
    assert pattern.clean(picture) is picture


def test_bad_pixels_are_replaced_and_no_others() -> None:
    bad = np.random.default_rng(4).random(SIZE[::-1]) < 0.01
    pattern, picture = learnt(lambda seen: np.where(bad, 250.0, seen), (3, 2))
    changed = pattern.clean(picture) != picture
    # Next to each other two of them hide each other from a median of nine: one in a dozen has a neighbour.
    assert (changed & bad).sum() > 0.95 * bad.sum()
    assert (changed & ~bad).sum() <= 1


def test_dirt_is_taken_off() -> None:
    # Closed form: the mean of n looks at different ground leaves of its detail one sigma over the root of n, and nobody needs
    # to take off worse than that. 15 %: two sigma of a mean square over some 85 windows of 15 px. To take nothing off leaves
    # twice as much.
    shade = np.zeros(SIZE[::-1], np.float32)
    for x, y in ((40, 30), (110, 50), (70, 90)):
        cv2.circle(shade, (x, y), 8, 60.0, -1)
    shade, ground = cv2.GaussianBlur(shade, (0, 0), 2.0), 0.5 * GRAIN + 55
    pattern, picture = learnt(lambda seen: seen - shade, (4, 1), ground, turning=True)
    taken = picture.astype(float) - pattern.clean(picture)
    detail = cv2.blur(shade, (15, 15)) - shade  # what is wider disturbs no block
    chance = np.std(ground - cv2.blur(ground, (15, 15))) / np.sqrt(LOOKS)
    assert np.sqrt(np.mean((taken - detail) ** 2)) < 1.15 * chance


def test_ground_that_stays_is_not_taken_for_dirt() -> None:
    # To and fro over the same two places: a hover.
    pattern, at = SensorPattern(*SIZE), GRAIN[400:520, 400:560]
    other = GRAIN[400:520, 410:570]
    for k in range(PICTURES):
        picture = np.clip(np.rint(other if k % 2 else at), 0, 255).astype(np.uint8)
        pattern.clean(picture)
        pattern.learn(NOWHERE, moved(np.array([-10.0 if k % 2 else 10.0, 0.0])), np.ones(50, bool), hidden=False)
    assert not pattern.found


def test_furrows_along_the_way_are_ground() -> None:
    furrows = GRAIN + 40 * (np.sin(np.arange(900) / 3) > 0.8).astype(np.float32)[:, None]
    assert not learnt(lambda seen: seen, (4, 0), furrows)[0].found
    across = furrows.T.copy()
    assert not learnt(lambda seen: seen, (0, 4), across)[0].found


@pytest.mark.parametrize(
    ("source", "spoil", "least"),
    [
        (clean, both(stuck_pixels(0.01)), 1.0),  # 8 of 79 rows were off
        (clean, both(hot(0.01)), 1.0),  # 22 of 79
        (steady, both(hot(0.01)), 1.0),  # 17 of 77
        (clean, both(spots(3, (10, 18), (0.6, 0.95), 3)), 1.0),
        (clean, both(spots(60, (2, 7), (0.3, 0.8), 1.2)), 0.95),  # 2 of 41, the rest contradictory
        (clean, both(dimmed(0.5), uneven_lines(1.5)), 1.0),  # 36 of 79
        (clean, both(dimmed(0.3), uneven_lines(1.5)), 0.0),  # too uneven to be taken out: the grain that stands says so
        (straight_on, both(dimmed(0.2), hot(0.01)), 0.95),  # 92 of 92: the log stood still at 1 m/s
        (straight_on, both(dimmed(0.2), spots(25, (1.5, 5), (0.3, 0.8), 1.2)), 0.0),  # 92 of 92
    ],
    ids=[
        "stuck",
        "hot",
        "hot in gusts",
        "thick dirt",
        "dirt all over",
        "uneven lines",
        "uneven lines over a dim floor",
        "hot over a dim floor",
        "dirt over a dim floor",
    ],
)
def test_no_row_is_off(
    source: Callable[[], Flight], spoil: Spoil, least: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flights, "measure", functools.partial(measure, positions=False))
    rows = flights.measured(spoil(source()))
    assert usable(rows).mean() >= least
    assert not off(rows).any()
