"""The velocity that the matches of a pair agree on: tracks find it from afar, blocks bring it to what noise allows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.equations import PairGeometry
from flow.pair.geometry import PairView
from flow.pair.match_noise import RELIEF, MatchNoise, allowed_px2, speak_of_one_motion
from flow.pair.velocity import Solution, solve
from flow.tracks import ImageMotion, Matches, Picture

Array: TypeAlias = NDArray[np.float64]

_FEWEST_MATCHES = 12  # size: matches, four for each of the three unknowns
_FEWEST_OFFERED = 20  # size: places, with fewer the reason given is the texture
NEAR_PX = 0.7
"""A first step by blocks beyond this was read off the wrong part of the texture's slope."""
# size: px and sigmas, a step leaves a fiftieth of itself to the next: one this small, or this small against its own sigma, is
# the last.
_SETTLED_PX, _SETTLED_SIGMAS = 0.01, 10.0
_ROUNDS = 4  # size: rounds, cost only: a fiftieth of a fiftieth of half a pixel is left after two
_HELD_BACK_PX = 0.5  # prior: px, by how much a codec holds a block back before it sends it anew
HELD_SHARE = 0.03
"""Share of copied matches from which on a picture counts as held back by its codec."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Matches with their own covariance, what they were solved from and what came of it; ``noise`` learns from it.

    ``agree`` says whether the matches speak of one motion; where they do not, the solution is no velocity. ``relief`` is
    how much of the height the ground's relief had to be allowed for that; 0 where it may be a plane. ``light`` is what light
    that moves by itself may have done to it, in sigmas of the solution (:mod:`flow.faults.moving_light`).
    """

    matches: Matches
    pair: PairGeometry
    solution: Solution
    noise: MatchNoise
    agree: bool
    relief: float = 0.0
    light: float = 0.0

    @property
    def used(self) -> NDArray[np.bool_]:
        """(N,), the matches that agree with the velocity."""
        return self.solution.used


@dataclass(frozen=True, slots=True, kw_only=True)
class NotFound:
    """Why there is nothing to solve; no match is ``used``."""

    matches: Matches
    reason: str
    used: None = None


class Search:
    """Finds the velocity of a pair.

    Parameters
    ----------
    coarse
        Finds the motion from afar.
    fine
        Finds it exactly from close by, step by step; without it the motion stays as ``coarse`` finds it.
    focal_px
        Focal length.
    scout
        Finds it as ``fine`` does, from fewer matches and so much faster: a start for the first step where the pairs before
        began too far off to be done with one.
    """

    def __init__(
        self, coarse: ImageMotion, fine: ImageMotion | None, focal_px: float, scout: ImageMotion | None = None
    ) -> None:
        self._coarse = coarse, MatchNoise()
        self._fine = None if fine is None else (fine, MatchNoise())
        self._scout = None if self._fine is None or scout is None else (scout, self._fine[1])
        self._astray = True
        self._focal_px = focal_px
        self._rng = np.random.default_rng(0)
        self.coded = False
        """Whether a codec makes matches err together: see :func:`flow.pair.velocity.solve`, ``held``."""

    def find(self, first: Picture, second: Picture, view: PairView, guess_m_s: Array | None) -> Found | NotFound:
        """Find the velocity between two pictures.

        Parameters
        ----------
        first, second
            The pictures.
        view
            Their rotation and ground plane.
        guess_m_s
            (3,) velocity of the body expected, camera axes; None without history.
        """
        if guess_m_s is not None:
            near = self._settle(first, second, view, guess_m_s)
            if near is not None and near.noise.explains(near.matches, near.solution.used):
                return near
        found = self._once(self._coarse, first, second, view, guess_m_s)
        if isinstance(found, NotFound) or not found.agree:
            return found
        return self._settle(first, second, view, found.solution.velocity_m_s) or found

    def near(self, first: Picture, second: Picture, view: PairView, start_m_s: Array) -> Found | None:
        """Find the velocity from less than half a pixel off alone; None where that does not lead to one that agrees."""
        return self._settle(first, second, view, start_m_s)

    def _settle(self, first: Picture, second: Picture, view: PairView, start_m_s: Array) -> Found | None:
        """Step by step from close by; None where that leads nowhere."""
        if self._fine is None:
            return None
        px_per_m_s = self._focal_px * (view.second_s - view.first_s) / view.plane.distance_m
        velocity = self._scouted(first, second, view, start_m_s, px_per_m_s) if self._astray else start_m_s
        self._astray = True
        for _ in range(_ROUNDS):
            found = self._once(self._fine, first, second, view, velocity)
            if isinstance(found, NotFound) or not found.agree:
                return None
            solution = found.solution
            step_px, all_px = (px_per_m_s * _length(solution.velocity_m_s - at) for at in (velocity, start_m_s))
            sigma_px = float(np.sqrt(solution.covariance.diagonal().min())) * px_per_m_s
            settled_px = max(_SETTLED_PX, _SETTLED_SIGMAS * sigma_px)
            if step_px < settled_px:
                self._astray = all_px >= settled_px
                return found
            if step_px > NEAR_PX:
                return None
            velocity = solution.velocity_m_s
        return None

    def _scouted(self, first: Picture, second: Picture, view: PairView, start_m_s: Array, px_per_m_s: float) -> Array:
        """Move the start (3,) to where a few matches see it, if they are sure."""
        if self._scout is None:
            return start_m_s
        found = self._once(self._scout, first, second, view, start_m_s)
        if isinstance(found, NotFound) or not found.agree:
            return start_m_s
        velocity = found.solution.velocity_m_s
        return velocity if px_per_m_s * _length(velocity - start_m_s) < NEAR_PX else start_m_s

    def _once(
        self,
        matcher: tuple[ImageMotion, MatchNoise],
        first: Picture,
        second: Picture,
        view: PairView,
        guess_m_s: Array | None,
    ) -> Found | NotFound:
        motion, noise = matcher
        start = np.zeros(3) if guess_m_s is None else guess_m_s
        matches = motion.match(first, second, lambda points: view.predict(points, start), far=guess_m_s is None)
        pair, good = view.geometry(noise.applied(matches))
        matches = matches.only(good)
        if len(matches) < _FEWEST_MATCHES:
            reason = "no_texture" if matches.offered < _FEWEST_OFFERED else "few_tracks"
            return NotFound(matches=matches, reason=reason)
        plane = self._solved(pair, matches, noise, guess_m_s, noise.scale)
        if plane is not None and plane.agree:
            return plane
        # Matches that do not agree on one motion over a plane may do so over ground with relief.
        allowed = allowed_px2(pair.apparent * self._focal_px) / self._focal_px**2
        rough = self._solved(pair.loosened(noise.scale, allowed), matches, noise, guess_m_s, 1.0)
        if rough is not None and rough.agree:
            return replace(rough, relief=RELIEF)
        return plane or NotFound(matches=matches, reason="contradictory")

    def _solved(
        self, pair: PairGeometry, matches: Matches, noise: MatchNoise, guess_m_s: Array | None, scale: float
    ) -> Found | None:
        near, held = _HELD_BACK_PX / self._focal_px, matches.held > HELD_SHARE or self.coded
        solution = solve(pair, guess_m_s, scale, self._rng, near=near, held=held)
        if solution is None:
            return None
        residual_px, moved_px = solution.miss * self._focal_px, pair.apparent * self._focal_px
        agree = speak_of_one_motion(solution.used, residual_px, moved_px)
        return Found(matches=matches, pair=pair, solution=solution, noise=noise, agree=agree)


def _length(vector: Array) -> float:
    return float(np.sqrt(vector @ vector))
