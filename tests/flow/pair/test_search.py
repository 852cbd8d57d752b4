"""The search for a pair's velocity on exactly shifted ground."""

from __future__ import annotations

import numpy as np
import pytest

from flow.pair.search import Found, Search
from flow.registration.blocks import BlockMatcher
from flow.tracks import ImageMotion, LucasKanade, Matches
from tests.outside.bound_trials import NOISE, Pair, Shifted, texture

SIZE = 320, 240


class Counted:
    """Image motion that counts how often it is asked."""

    def __init__(self, motion: ImageMotion) -> None:
        self._motion, self.asked = motion, 0

    def match(self, *args: object, **known: object) -> Matches:
        """Ask it."""
        self.asked += 1
        return self._motion.match(*args, **known)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def pairs() -> list[Pair]:
    places = np.cumsum(np.random.default_rng(3).uniform(-1, 1, (6, 2)), axis=0)
    shifted = Shifted(texture("chelsea"), SIZE)
    return list(shifted.pairs(places, NOISE, np.random.default_rng(1)))


def found_from(pairs: list[Pair], off_px: float, *, scouted: bool) -> tuple[list[np.ndarray], Counted, Counted]:
    """Velocities less the truth in units of their sigma, and what was asked of all blocks and of the scout."""
    blocks = BlockMatcher(*SIZE)
    fine, scout = Counted(blocks), Counted(blocks.thinned())
    search = Search(LucasKanade(*SIZE), fine, 260.0, scout if scouted else None)
    missed = []
    for pair in pairs:
        px_per_m_s = 260.0 * (pair.view.second_s - pair.view.first_s)
        start = pair.velocity_m_s + np.array([off_px, -off_px, 0.0]) / px_per_m_s
        found = search.find(pair.first, pair.second, pair.view, start)
        assert isinstance(found, Found)
        solution = found.solution
        missed.append((solution.velocity_m_s - pair.velocity_m_s) / np.sqrt(solution.covariance.diagonal()))
    return missed, fine, scout


def test_a_scout_saves_a_step_of_all_blocks(pairs: list[Pair]) -> None:
    # From 0.3 px off two steps are needed at least, since one leaves a fiftieth; a quarter of the blocks can do the first.
    alone, fine_alone, _ = found_from(pairs, 0.3, scouted=False)
    helped, fine, scout = found_from(pairs, 0.3, scouted=True)
    assert (fine_alone.asked, fine.asked, scout.asked) == (2 * len(pairs), len(pairs), len(pairs))
    # The same matches, from another start that is as close: a tenth of what they know.
    np.testing.assert_allclose(helped, alone, atol=0.1)


def test_no_scout_where_the_pair_before_began_close(pairs: list[Pair]) -> None:
    _, fine, scout = found_from(pairs, 0.0, scouted=True)
    assert fine.asked == len(pairs)
    assert scout.asked == 1  # for the very first, before anything is known


def test_from_afar_tracks_give_the_start_all_the_same(pairs: list[Pair]) -> None:
    # 1.5 px off is the wrong part of the texture's slope, for few blocks as for all.
    alone, _, _ = found_from(pairs, 1.5, scouted=False)
    helped, _, _ = found_from(pairs, 1.5, scouted=True)
    np.testing.assert_allclose(helped, alone, atol=0.1)
