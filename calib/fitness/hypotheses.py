"""Fault hypotheses: which figure of the module file, freed, explains the matches that it contradicts as it stands.

Each hypothesis frees one figure and holds the others at the module file's. All are fitted to the same matches and compared
by the likelihood that a common scatter gives them. The best one is kept free, and the best of the rest is tried beside it
(forward selection), as long as the likelihood ratio is significant. Matches of a pair err together, and so do pairs that
share frames: the ratio is divided by the factor by which that widens the covariance (Kent 1982; Satorra and Bentler 1994).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from calib.alignment_fit import AlignmentFit, fit_alignment
from calib.alignment_sigma import tracker_sigma
from calib.fitness.judging import SURE
from calib.fitness.posed import filed, looseness
from calib.fitness.priors import FIGURES, prior_sigma, stated_sigma
from calib.fitness.stretches import Stretch
from calib.turn_model import TurnModel, Unknowns
from calib.turn_pairs import TurnPairs
from flow.module import Module

Array: TypeAlias = NDArray[np.float64]

FALSE_ALARM = 1e-4
"""Chance that a figure which is right is named, for each of them and where matches err as their scatter says."""

_TILTS = (7, 8)  # of the ground: free in every hypothesis
_MOST_CAUSES = 2
_PAIRS, _TRACKS, _FEWEST = 80, 30, 20  # more would say the same more exactly
_LOSS2 = 5.7  # Cauchy's constant, squared: 95 % efficiency on Gaussian scatter (Holland and Welsch 1977)
_CHI2_MEDIAN = 2 * np.log(2)  # of two degrees of freedom


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A figure of the module file that the flight contradicts.

    ``figure`` is its key in ``calib.fitness.priors.FIGURES``; ``difference`` and ``sigma`` (k,) are what the flight finds
    less what the file says, in the order and units of ``calib.turn_model.UNKNOWNS``; ``ratio`` is twice the logarithm of the
    likelihood ratio, ``chance`` how often it would be as large if the file were right. ``alike`` are other figures that
    explain the matches as well, and cannot be told apart from this one.
    """

    figure: str
    difference: Array
    sigma: Array
    ratio: float
    chance: float
    alike: tuple[str, ...]
    unknowns: Unknowns


def find_causes(stretches: Sequence[Stretch], module: Module, clock_s: float) -> tuple[Cause, ...]:
    """Name the figures that explain the matches, the most likely one first; none where no figure does.

    Parameters
    ----------
    stretches
        With the gyro's axes as they are; the one that turns most is looked at.
    module
        What the file says.
    clock_s
        Where to start the search for another clock offset, less the module file's.
    """
    stretch = max(stretches, key=lambda s: float(s.gyro.rate_rad_s.std(axis=0).sum()), default=None)
    if stretch is None or len(stretch.pairs) < _FEWEST:
        return ()
    some = np.linspace(0, len(stretch.pairs) - 1, min(_PAIRS, len(stretch.pairs))).astype(np.intp)
    hypotheses = _Hypotheses(stretch.pairs.only(some, _TRACKS), stretch, module, clock_s)
    steps: list[_Step] = []
    while len(steps) < _MOST_CAUSES and (step := hypotheses.best_beside([step.figure for step in steps])) is not None:
        steps.append(step)
    # A second wrong figure hides the size of the first; one that is merely chance is not plain beside it.
    for count in range(len(steps), 0, -1):
        if causes := hypotheses.plain(steps[:count]):
            return causes
    return ()


@dataclass(frozen=True, slots=True)
class _Step:
    """A figure added to those that are free, as in :class:`Cause`."""

    figure: str
    ratio: float
    chance: float
    alike: tuple[str, ...]


class _Hypotheses:
    """Fits of one stretch, each with some figures freed."""

    def __init__(self, pairs: TurnPairs, stretch: Stretch, module: Module, clock_s: float) -> None:
        self._pairs, self._gyro, self._module, self._clock_s = pairs, stretch.gyro, module, clock_s
        self._model = TurnModel(pairs, stretch.gyro, module.camera)
        self._fits: dict[tuple[str, ...], AlignmentFit | None] = {}

    def best_beside(self, freed: Sequence[str]) -> _Step | None:
        """Give the figure that explains most of what is left with ``freed`` free; None where none does significantly."""
        base = self._fit(tuple(freed))
        found = {name: self._fit((*freed, name)) for name in FIGURES if name not in freed}
        fits = {name: fit for name, fit in found.items() if fit is not None}
        if base is None or not fits:
            return None
        scale = min(_scatter(fit) for fit in (base, *fits.values()))
        drops = {name: max(_loss(base, scale) - _loss(fit, scale), 0.0) for name, fit in fits.items()}
        # The information criterion of Schwarz (1978), each pair of frames counting once.
        cost = {name: len(FIGURES[name].places) * float(np.log(len(self._pairs))) for name in fits}
        widened = {name: self._widened(fit, (*freed, name)) for name, fit in fits.items()}
        best = max(fits, key=lambda name: drops[name] / widened[name] - cost[name])
        ratio = drops[best] / widened[best]
        chance = float(chi2.sf(ratio, len(FIGURES[best].places)))
        if chance > FALSE_ALARM:
            return None
        close = float(chi2.isf(FALSE_ALARM, 1))
        behind = {name: ratio - cost[best] - drops[name] / widened[best] + cost[name] for name in fits if name != best}
        alike = sorted((name for name in behind if behind[name] < close), key=lambda name: behind[name])
        return _Step(best, ratio, chance, tuple(alike))

    def plain(self, steps: Sequence[_Step]) -> tuple[Cause, ...]:
        """Give the figures as they are found together; none unless each is off by more than its sigma leaves open."""
        freed = tuple(step.figure for step in steps)
        fit = self._fit(freed)
        causes: list[Cause] = []
        for step in steps if fit is not None else ():
            assert fit is not None
            difference, sigma = self._found(fit, freed, step.figure)
            stated = stated_sigma(self._module)[list(FIGURES[step.figure].places)]
            if not (np.abs(difference) > SURE * np.hypot(sigma, stated)).any():
                return ()
            causes.append(
                Cause(
                    figure=step.figure, difference=difference, sigma=sigma, ratio=step.ratio, chance=step.chance,
                    alike=step.alike, unknowns=fit.unknowns,
                )
            )  # fmt: skip
        return tuple(causes)

    def _fit(self, freed: tuple[str, ...]) -> AlignmentFit | None:
        key = tuple(sorted(freed))
        if key not in self._fits:
            start = filed(self._model, self._module, self._clock_s if "clock offset" in freed else 0.0)
            try:
                fit = fit_alignment(
                    self._pairs, self._gyro, self._module.camera, start, free=_places(freed), prior=prior_sigma()
                )
            except (np.linalg.LinAlgError, ValueError):  # it led where the matches say nothing
                fit = None
            self._fits[key] = fit if fit is not None and np.isfinite(fit.sigma).all() else None
        return self._fits[key]

    def _widened(self, fit: AlignmentFit, freed: Sequence[str]) -> float:
        """Give the factor by which errors that hang together widen the covariance of the figure freed last; at least 1."""
        free, last = _places(freed), FIGURES[freed[-1]].places
        rows = [free.index(place) for place in last]
        alone = np.linalg.inv(fit.information)[np.ix_(rows, rows)]
        return max(float(np.trace(np.linalg.solve(alone, fit.covariance[np.ix_(rows, rows)]))) / len(rows), 1.0)

    def _found(self, fit: AlignmentFit, freed: Sequence[str], figure: str) -> tuple[Array, Array]:
        """Difference (k,) of a figure from the module file, and its sigma, which no residual shows all of."""
        free, places = _places(freed), list(FIGURES[figure].places)
        by_residual = fit.sigma[[free.index(place) for place in places]]
        by_tracker = tracker_sigma(self._module, self._pairs, fit)[places]
        sigma = np.hypot(by_residual, by_tracker) * looseness(fit.residual_px)
        return _difference(fit.unknowns, self._module)[places], np.asarray(sigma)


def _places(freed: Sequence[str]) -> list[int]:
    return sorted([*_TILTS, *(place for name in freed for place in FIGURES[name].places)])


def _difference(at: Unknowns, module: Module) -> Array:
    alignment = module.alignment
    return np.concatenate(
        [
            (at.R_body_camera * alignment.R_body_camera.inv()).as_rotvec(),
            [at.time_offset_s - alignment.time_offset_s],
            at.bias_rad_s - module.gyro.bias_rad_s,
            [0.0, 0.0, at.readout_s - module.camera.readout_s],
            at.lens,
        ]
    )


def _scatter(fit: AlignmentFit) -> float:
    return max(float(np.median(fit.squares[fit.known]) / _CHI2_MEDIAN), 1e-12)


def _loss(fit: AlignmentFit, scale: float) -> float:
    """Twice the negative logarithm of the likelihood, by Cauchy's loss: what moves by itself says little."""
    return float(np.sum(_LOSS2 * np.log1p(fit.squares[fit.known] / (scale * _LOSS2))))
