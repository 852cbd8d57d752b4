"""Lens parameters from board views, and what is left uncertain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calib.bundle import (
    PARAMETER_NAMES,
    Array,
    Model,
    State,
    View,
    better_poses,
    blocks_of,
    minimise,
    poses_under,
    project,
    squared_sum,
)

_FOCAL_STARTS = np.geomspace(0.25, 4.0, 13)  # focal length over the longer side of the picture


@dataclass(frozen=True, slots=True, kw_only=True)
class LensFit:
    """A fitted lens.

    ``parameters`` in the order of :data:`PARAMETER_NAMES` with their ``covariance`` (same units, squared);
    ``poses`` (V, 6): rotation vector and translation, board to camera, rad and m; ``residuals`` a (N, 2)
    array a view, seen minus predicted, px; ``view_disagreement`` how much wider the sigma of the focal length
    is than the scatter of single points explains (1: not wider), already contained in the covariance.
    """

    model: Model
    parameters: Array
    covariance: Array
    poses: Array
    residuals: tuple[Array, ...]
    view_disagreement: float
    converged: bool

    @property
    def sigma(self) -> Array:
        """One-sigma of the parameters."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def rms_px(self) -> float:
        """Root mean square distance between seen and predicted points, px."""
        return rms(self.residuals)

    @property
    def normals(self) -> Array:
        """(V, 3) unit normals of the boards in camera axes, on the far side."""
        normals = np.array([cv2.Rodrigues(pose[:3])[0][:, 2] for pose in self.poses])
        return np.asarray(normals * np.where(normals[:, 2:] < 0, -1.0, 1.0))


def rms(residuals: Sequence[Array]) -> float:
    """Root mean square length of (N, 2) residuals."""
    return float(np.sqrt(np.mean(np.sum(np.concatenate(list(residuals)) ** 2, axis=1))))


def fit_lens(
    views: Sequence[View],
    size_px: tuple[int, int],
    model: Model,
    *,
    start: Array | None = None,
    square_pixels: bool = False,
) -> LensFit:
    """Fit lens and poses to views.

    Parameters
    ----------
    views
        At least two, each with four points or more.
    size_px
        Width and height of the picture.
    model
        ``pinhole`` (Brown-Conrady, five terms) or ``fisheye`` (Kannala-Brandt, four terms).
    start
        Parameters to start from; found from the views when left out.
    square_pixels
        Hold fx = fy.

    Notes
    -----
    Levenberg-Marquardt on all points with OpenCV's projections and their derivatives (``projectPoints``,
    ``fisheye.projectPoints``); the poses are eliminated view by view (Schur complement, Triggs et al. 2000).
    The covariance is that of the fit, scaled by the residual. Corners of one picture share its blur, its
    board's bend and its detector's bias, so they err together; what whole views pull the lens by shows how
    much that matters (the cluster-robust covariance CR2 of Bell and McCaffrey 2002), and the covariance grows
    to it where it is more.
    """
    count = len(PARAMETER_NAMES[model])
    free = np.eye(count)
    if square_pixels:
        free = np.delete(free, 1, axis=1)
        free[1, 0] = 1.0
    state = _begin(views, size_px, model, free) if start is None else State(start, poses_under(views, model, start))
    state, converged = minimise(views, model, state, free)
    return _summary(views, model, state, free, converged)


def view_residuals(views: Sequence[View], model: Model, parameters: Array) -> tuple[Array, ...]:
    """Residuals of views that had no part in the fit: only their poses are adjusted, px."""
    state = State(parameters, poses_under(views, model, parameters))
    fixed = np.zeros((len(parameters), 0))
    out = []
    for view, pose in zip(views, state.poses, strict=True):
        one, _ = minimise([view], model, State(parameters, pose[None]), fixed)
        out.append(view.pixels - project(view.points_m, one.poses[0], model, parameters)[0])
    return tuple(out)


def held_out(
    views: Sequence[View], size_px: tuple[int, int], model: Model, start: Array, folds: int = 5
) -> tuple[Array, ...]:
    """Residuals of every view under a lens fitted without it, px; ``folds`` groups are left out in turn."""
    groups = np.arange(len(views)) % min(folds, len(views))
    out: list[Array] = [np.empty((0, 2))] * len(views)
    for group in np.unique(groups):
        kept = [view for view, g in zip(views, groups, strict=True) if g != group]
        left = np.flatnonzero(groups == group)
        fit = fit_lens(kept, size_px, model, start=start)
        for i, residual in zip(left, view_residuals([views[int(i)] for i in left], model, fit.parameters), strict=True):
            out[i] = residual
    return tuple(out)


def _summary(views: Sequence[View], model: Model, state: State, free: Array, converged: bool) -> LensFit:
    blocks = list(blocks_of(views, model, state, free))
    # What a view says about the lens once its own pose is taken out.
    reduced = [b.J_lens - b.J_pose @ np.linalg.lstsq(b.J_pose, b.J_lens, rcond=None)[0] for b in blocks]
    spare = sum(len(b.residual) for b in blocks) - free.shape[1] - 6 * len(blocks)
    whiten = _whitener(np.sum([J.T @ J for J in reduced], axis=0))
    pulls = np.array([_pull(J @ whiten, b.residual) for J, b in zip(reduced, blocks, strict=True)])
    single = squared_sum(blocks) / max(spare, 1) * whiten @ whiten.T
    grouped = np.sum((pulls @ whiten.T) ** 2, axis=0) / np.diag(single)
    # One parameter's own figure is rough with few views, that of all together is firm: the larger of the two.
    pooled = np.sum(pulls**2) / (squared_sum(blocks) / max(spare, 1)) / free.shape[1]
    wider = np.sqrt(np.maximum(np.maximum(grouped, pooled), 1.0))
    return LensFit(
        model=model,
        parameters=state.parameters,
        covariance=free @ (wider[:, None] * single * wider) @ free.T,
        poses=state.poses,
        residuals=tuple(b.residual.reshape(-1, 2) for b in blocks),
        view_disagreement=float(wider[0]),
        converged=converged,
    )


def _pull(J: Array, residual: Array) -> Array:
    """How far one view pulls the whitened lens, scaled to be unbiased where points err singly (CR2)."""
    values, vectors = np.linalg.eigh(np.eye(J.shape[1]) - J.T @ J)
    return np.asarray(vectors @ (vectors.T @ (J.T @ residual) / np.sqrt(np.maximum(values, 1e-9))))


def _whitener(S: Array) -> Array:
    """W with W W.T the inverse of a badly scaled S; a direction that the views do not fix counts as vast."""
    scale = 1 / np.sqrt(np.maximum(np.diag(S), 1e-300))
    values, vectors = np.linalg.eigh(S * scale[:, None] * scale)
    return np.asarray(scale[:, None] * vectors / np.sqrt(np.maximum(values, 1e-15 * values[-1])))


def _begin(views: Sequence[View], size_px: tuple[int, int], model: Model, free: Array) -> State:
    """Start from the best of several focal lengths, then free the parameters in the order of their weight."""
    count = len(PARAMETER_NAMES[model])
    best, best_cost = None, np.inf
    both = np.zeros((count, 1))
    both[:2] = 1.0
    for ratio in _FOCAL_STARTS:
        parameters = np.zeros(count)
        parameters[:2] = ratio * max(size_px)
        parameters[2:4] = (size_px[0] - 1) / 2, (size_px[1] - 1) / 2
        state = State(parameters, poses_under(views, model, parameters))
        cost = squared_sum(list(blocks_of(views, model, state, both)))
        if cost < best_cost:
            best, best_cost = state, cost
    assert best is not None
    k1 = np.eye(count)[:, [4]]
    for stage in (both, np.hstack([both, k1]), np.hstack([free[:, : -(count - 4)], k1])):
        best, _ = minimise(views, model, best, stage)
        # A far board tilted either way looks nearly alike; the better lens may know the better pose.
        best = better_poses(
            views, model, best, State(best.parameters, poses_under(views, model, best.parameters)), free
        )
    return best
