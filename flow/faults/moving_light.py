"""Light that moves by itself over the ground: shadows of leaves that sway, lamps that flicker from row to row.

A shadow's edge is wide, since the sun has a size; the ground's own grain is finer. So pictures freed of all that is wide,
each pixel against the mean of those around it, show the ground alone, and only in part as sharply. As long as both kinds
of pictures show the same velocity the plain ones are right and finer; where they differ by more than noise the light
moves, and the ground's grain is to be believed. A difference alone is no proof: relief, aliasing and a sensor's own pattern
leave one as well. The brightness must change along the motion of the ground, too (:mod:`flow.faults.light_change`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.faults.light_change import light_change
from flow.faults.standing_grain import StandingGrain
from flow.numerics.middle import upper_median
from flow.pair.geometry import PairView
from flow.pair.match_noise import PATCHES, RELIEF
from flow.pair.search import Found, NotFound, Search
from flow.tracks import Picture

Array: TypeAlias = NDArray[np.float64]

_AROUND_PX = 1.5  # size: px one-sigma, of the mean that a pixel is held against, wider than a lens blurs
_DARKEST = 8.0  # grey levels; what is darker holds more noise than ground
_EARLY, _EVERY = 24, 8  # size: pairs, that are all held against each other, and every which later one: cost only
_FEWEST, _MEMORY = 4, 6.0  # size: comparisons, before a verdict, and how many count
_OFTEN = 0.5  # of the pairs
_FLOOR_PX = 0.03  # prior: px one-sigma, that sharp grain, lens and codec leave between the two
_MOVES, _CALM = 3.0, 1.0  # mean square of the difference in sigmas from which on light moves, and up to which it rests
_LIT = 4.0  # mean square of the light's own change, in units of what leaves it in steady light: twice as much as noise does
_FARTHEST_PX = 2.0  # light shifts what is seen by less
_GRAIN_PX = (
    1.5  # size: px, as wide as _AROUND_PX: ground that has moved by it has next to no grain in common with itself
)
# prior: share and images, that ground may leave in their mean: where it moves by little more than its grain is wide, neighbours
# have a third in common, and twice a third of 1 / 12 is 0.05.
_SOME_PATTERN, _ENOUGH_PICTURES = 0.05, 12
_MOST_PATTERN = 0.25  # share of it that stands: the sensor's own, which has nothing to do with light
# Of the difference, what may be left in the grain (measured: 0.05-0.15 of shadows on ground rich in grain, up to 1 on smooth soil)
_LEFT = 1.0


class MovingLight:
    """Finds the velocity of a pair, by the ground's grain alone where the light moves.

    False alarms: none in 3,327 rows of a real camera (``python -m tests.benchmarks.carried_table``), where the difference
    alone alarmed in 42 to 91 %.

    Parameters
    ----------
    plain, even
        What searches pictures as they are, and freed of the light.
    focal_px
        Focal length.
    grain
        What is known of the grain that stands.

    Attributes
    ----------
    moves
        Whether it does.
    """

    def __init__(
        self, plain: Search, even: Search, focal_px: float, grain: StandingGrain, *, moves: bool = False
    ) -> None:
        self._plain, self._even, self._focal_px = plain, even, focal_px
        self._evened: list[tuple[Picture, Picture]] = []  # the last two, before and after
        self._pairs, self._moving, self._compared, self._agreed = 0, 0, 0, False
        self._empty = 0  # pairs running in which plain pictures hold nothing to match and freed ones do
        # Running means: the difference in units of its variance, the difference itself and its variance, the light's change.
        self._surprise, self._apart_m2_s2, self._variance_m2_s2, self._light = 0.0, 0.0, 0.0, 0.0
        self._grain = grain
        self.moves = moves

    @property
    def often_moves(self) -> bool:
        """Whether it has moved in a good part of the pairs so far: a moment of it says nothing for those before."""
        return self._moving > _OFTEN * self._pairs

    def find(self, first: Picture, second: Picture, view: PairView, guess_m_s: Array | None) -> Found | NotFound:
        """Find the velocity between two pictures; see :meth:`flow.pair.search.Search.find`."""
        found = self._found(first, second, view, guess_m_s)
        self._moving += self.moves
        return found

    def _found(self, first: Picture, second: Picture, view: PairView, guess_m_s: Array | None) -> Found | NotFound:
        plain = self._plain.find(first, second, view, guess_m_s)
        if guess_m_s is not None and (isinstance(plain, NotFound) or not plain.agree):
            # The guess may be what is wrong, one period of tiles off, say: the grain must not be sought from there either.
            afar = self._plain.find(first, second, view, None)
            if isinstance(afar, Found) and afar.agree:
                plain, guess_m_s = afar, afar.solution.velocity_m_s
        agrees = isinstance(plain, Found) and plain.agree
        self._pairs, self._agreed = self._pairs + 1, self._agreed or agrees
        if agrees and not self.moves and self._pairs > _EARLY and self._pairs % _EVERY:
            return self._doubted(plain)
        even = self._even.find(self._freed(first), self._freed(second), view, guess_m_s)
        if isinstance(even, NotFound) or not even.agree or not self._comparable(plain, even, view):
            return replace(plain, agree=False) if isinstance(plain, Found) and self.moves else self._doubted(plain)
        if isinstance(plain, Found):
            self._compare(first, second, plain, even, view)
            self._empty = 0
        else:
            self._empty += plain.reason != "contradictory"
            # Plain pictures show nothing, or have never shown anything: bands of a lamp, say, that no ground goes along with.
            self.moves |= self._empty >= _FEWEST or (not self._agreed and self._pairs > _EARLY)
        if not self.moves:
            if agrees:
                miss_px = self._focal_px * even.solution.miss
                even.noise.learn(even.matches, even.solution.used, miss_px, even.solution.scale)
            return self._doubted(plain)
        return _with_error(even, _LEFT**2 * self._apart_m2_s2)

    def _doubted(self, plain: Found | NotFound) -> Found | NotFound:
        """State what a sensor's own pattern may do to plain images, where light rests.

        Grain that stands, a share of its variance, holds the velocity of freed images back by that share, and of plain ones by
        as much less as the two differ. And what they differ by beyond its variance is an error of the one or the other.
        """
        if isinstance(plain, NotFound):
            return plain
        apart_m_s, share = float(np.sqrt(self._apart_m2_s2)), self._grain.share
        stands = share > _SOME_PATTERN and self._grain.count >= _ENOUGH_PICTURES
        held_m_s = share * float(np.linalg.norm(plain.solution.velocity_m_s)) if stands else 0.0
        variance = max(self._apart_m2_s2 - self._variance_m2_s2, 0.0) + max(held_m_s - apart_m_s, 0.0) ** 2
        return _with_error(plain, variance) if variance > 0 else plain

    def _comparable(self, plain: Found | NotFound, even: Found, view: PairView) -> bool:
        """Whether what differs may be the light's doing, and not a period of tiles or the sensor's own pattern."""
        if isinstance(plain, NotFound):
            return True
        m_s_per_px = view.plane.distance_m / (self._focal_px * (view.second_s - view.first_s))
        apart_px = np.linalg.norm((plain.solution.velocity_m_s - even.solution.velocity_m_s)[:2]) / m_s_per_px
        plain_px, even_px = (
            upper_median(np.linalg.norm(m.second_px - m.first_px, axis=1)) for m in (plain.matches, even.matches)
        )
        if max(plain_px, even_px) > _GRAIN_PX:
            self._grain.add(self._evened[-1][1])
        # A pattern holds the grain back. (Shadows that sway about a place leave grain there too.)
        if self._grain.share > _MOST_PATTERN and even_px < plain_px:
            self.moves = False
            return False
        return bool(apart_px < _FARTHEST_PX)

    def _compare(self, first: Picture, second: Picture, plain: Found, even: Found, view: PairView) -> None:
        """Light moves where the two velocities differ by more than noise, and the brightness shows it to."""
        apart = (plain.solution.velocity_m_s - even.solution.velocity_m_s)[:2]
        m_s_per_px = view.plane.distance_m / (self._focal_px * (view.second_s - view.first_s))
        # The two weigh blocks differently, so that relief leaves a difference as well.
        relief_m_s = RELIEF * float(np.linalg.norm(plain.solution.velocity_m_s)) / np.sqrt(PATCHES)
        own = np.diag(plain.solution.covariance + even.solution.covariance)[:2]
        variance = own + (_FLOOR_PX * m_s_per_px) ** 2 + relief_m_s**2
        self._compared += 1
        share = 1 / min(self._compared, _MEMORY)
        self._surprise += share * (float(np.mean(apart**2 / variance)) - self._surprise)
        self._apart_m2_s2 += share * (float(apart @ apart) - self._apart_m2_s2)
        self._variance_m2_s2 += share * (float(variance.sum()) - self._variance_m2_s2)
        # Along the motion of the grain: strong shadows carry the other velocity along, and would leave no change at it.
        change = light_change(first, second, view, even.solution.velocity_m_s, plain.matches.noise_levels)
        self._light += share * (change**2 - self._light)
        if self._compared >= _FEWEST:
            begun = self._surprise > _MOVES and self._light > _LIT
            self.moves = begun or (self.moves and (self._surprise > _CALM or self._light > _LIT))

    def _freed(self, picture: Picture) -> Picture:
        for before, after in self._evened:
            if before is picture:
                return after
        levels = picture.astype(np.float32)
        around = cv2.GaussianBlur(levels, (0, 0), _AROUND_PX)
        ratio = levels / np.maximum(around, _DARKEST)
        after = np.clip(np.rint(128 + float(levels.mean()) * (ratio - 1)), 0, 255).astype(np.uint8)
        self._evened = [*self._evened[-1:], (picture, after)]
        return after


def _with_error(found: Found, variance_m2_s2: float) -> Found:
    """State an error of this variance, level axes together, in units of the solution's: along the vertical alike."""
    sigma_m_s = float(np.sqrt(np.trace(found.solution.covariance[:2, :2])))
    return replace(found, light=float(np.sqrt(variance_m2_s2)) / max(sigma_m_s, 1e-9))
