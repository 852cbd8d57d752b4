"""Which refinement of the corners, which views and which corners a lens is fitted to: chosen by evidence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.boards import BoardKind
from calib.bundle import Array, Model, View
from calib.frames import LeftOut
from calib.lens_fit import LensFit, fit_lens, held_out, rms
from calib.views import SeenView

_WORSE_FACTOR = 2.5  # tilt and focus change a view's residual by up to 2; a bent board or a slipped corner by more
_NEVER_WORSE_PX = 0.1
_WILD_SIGMAS = 6.0  # one corner in 10^7 under Gauss
_WILD_SHARE = 0.1
_LEAST_SHARE = 0.75  # of the views that a refinement has to reach to be compared
LEAST_VIEWS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """Views that agree on one lens, and that lens.

    ``names`` and ``views`` go together, as do ``fit.residuals``; ``scores_px`` is the held-out residual of
    each refinement on the same views; ``wild_corners`` how many single corners were taken out.
    """

    refinement: str
    scores_px: Mapping[str, float]
    names: tuple[str, ...]
    views: tuple[View, ...]
    fit: LensFit
    left_out: tuple[LeftOut, ...]
    wild_corners: int


def choose(seen: Sequence[SeenView], board: BoardKind, size_px: tuple[int, int], model: Model) -> Chosen:
    """Choose the refinement with the smallest held-out residual, then the views and corners that agree.

    The refinements are compared on the same views and the same corners. Views far off the others under the
    first refinement take no part in the comparison, so that one bent board does not decide it.
    """
    first = next(iter(seen[0].found))
    agreeing = set(_screen(seen, board, size_px, model, first).names)
    scores = _scores([view for view in seen if view.name in agreeing], board, size_px, model)
    best = min(scores, key=lambda name: scores[name])
    chosen = _screen(seen, board, size_px, model, best)
    return Chosen(
        refinement=best,
        scores_px=scores,
        names=chosen.names,
        views=chosen.views,
        fit=chosen.fit,
        left_out=chosen.left_out,
        wild_corners=chosen.wild_corners,
    )


def _scores(seen: Sequence[SeenView], board: BoardKind, size_px: tuple[int, int], model: Model) -> dict[str, float]:
    names = {name for view in seen for name in view.found}
    wide = [n for n in sorted(names) if sum(n in view.found for view in seen) >= _LEAST_SHARE * len(seen)]
    shared = [view for view in seen if all(name in view.found for name in wide)]
    if len(shared) < LEAST_VIEWS:
        wide = [name for name in wide if all(name in view.found for view in seen)]
        shared = list(seen)
    scores = {}
    for name in wide:
        views = [_view(view, board, name) for view in shared]
        start = fit_lens(views, size_px, model).parameters
        scores[name] = rms(held_out(views, size_px, model, start))
    return scores


def views_of(seen: Sequence[SeenView], board: BoardKind) -> list[View]:
    """Points of the views under their first refinement."""
    return [_view(view, board, next(iter(view.found))) for view in seen]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Screened:
    names: tuple[str, ...]
    views: tuple[View, ...]
    fit: LensFit
    left_out: tuple[LeftOut, ...]
    wild_corners: int


def _screen(seen: Sequence[SeenView], board: BoardKind, size_px: tuple[int, int], model: Model, name: str) -> _Screened:
    """Fit, take out the worst view or its wild corners, and fit again until none is far off the others."""
    views = {view.name: _view(view, board, name) for view in seen if name in view.found}
    left = [LeftOut(name=view.name, reason=f"the {name} did not find it") for view in seen if name not in view.found]
    wild_corners = 0
    while True:
        fit = fit_lens(list(views.values()), size_px, model)
        each = {n: rms([residual]) for n, residual in zip(views, fit.residuals, strict=True)}
        usual = float(np.median(list(each.values())))
        limit = max(_NEVER_WORSE_PX, _WORSE_FACTOR * usual)
        worst = max(each, key=lambda n: each[n])
        if each[worst] <= limit or len(views) <= LEAST_VIEWS - 1:
            return _Screened(
                names=tuple(views),
                views=tuple(views.values()),
                fit=fit,
                left_out=tuple(left),
                wild_corners=wild_corners,
            )
        residual = fit.residuals[list(views).index(worst)]
        tame = _tame(residual, fit)
        if 1 - _WILD_SHARE <= tame.mean() < 1 and rms([residual[tame]]) <= limit:
            wild_corners += int(np.count_nonzero(~tame))
            views[worst] = View(points_m=views[worst].points_m[tame], pixels=views[worst].pixels[tame])
            continue
        reason = f"its corners have residuals of {each[worst]:.2f} px RMS, those of the other views {usual:.2f}"
        left.append(LeftOut(name=worst, reason=f"{reason}: did the board bend or move, or is part of it hidden?"))
        del views[worst]


def _tame(residual: Array, fit: LensFit) -> NDArray[np.bool_]:
    """Corners no farther off than chance lets them be, by the median of all (Rayleigh: 1.177 sigma)."""
    sigma = float(np.median(np.linalg.norm(np.concatenate(fit.residuals), axis=1))) / 1.177
    return np.asarray(np.linalg.norm(residual, axis=1) <= max(_NEVER_WORSE_PX, _WILD_SIGMAS * sigma))


def _view(seen: SeenView, board: BoardKind, name: str) -> View:
    corners = seen.found[name]
    return View(points_m=board.points_m[corners.ids], pixels=corners.pixels)
