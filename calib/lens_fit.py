"""Lens parameters from board views: least squares over the lens and every view's pose, and what is left uncertain."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Model: TypeAlias = Literal["pinhole", "fisheye"]

PARAMETER_NAMES = {
    "pinhole": ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"),
    "fisheye": ("fx", "fy", "cx", "cy", "k1", "k2", "k3", "k4"),
}
_FOCAL_STARTS = np.geomspace(0.25, 4.0, 13)  # focal length over the longer side of the picture
_STEPS = 200
_CONVERGED = 1e-12  # relative fall of the squared sum; far below what a parameter's sigma can feel


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One picture of the board: points on it (N, 3), m, and where they were seen (N, 2), px."""

    points_m: Array
    pixels: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class LensFit:
    """A fitted lens.

    ``parameters`` in the order of :data:`PARAMETER_NAMES` with their ``covariance`` (same units, squared);
    ``poses`` (V, 6): rotation vector and translation, board to camera, rad and m; ``residuals`` a (N, 2) array a
    view, seen minus predicted, px; ``view_disagreement`` how much wider the sigma of the focal length is than the
    scatter of single points explains (1: not wider), already contained in the covariance.
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
    views: Sequence[View], size_px: tuple[int, int], model: Model, *, start: Array | None = None,
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
    The covariance is that of the fit, scaled by the residual. Corners of one picture share its blur, its board's
    bend and its detector's bias, so they err together; what whole views pull the lens by shows how much that matters
    (the cluster-robust covariance CR2 of Bell and McCaffrey 2002), and the covariance grows to it where it is more.
    """
    count = len(PARAMETER_NAMES[model])
    free = np.eye(count)
    if square_pixels:
        free = np.delete(free, 1, axis=1)
        free[1, 0] = 1.0
    state = _begin(views, size_px, model, free) if start is None else _State(start, _poses(views, model, start))
    state, converged = _minimise(views, model, state, free)
    return _summary(views, model, state, free, converged)


def view_residuals(views: Sequence[View], model: Model, parameters: Array) -> tuple[Array, ...]:
    """Residuals of views that had no part in the fit: only their poses are adjusted, px."""
    state = _State(parameters, _poses(views, model, parameters))
    fixed = np.zeros((len(parameters), 0))
    out = []
    for view, pose in zip(views, state.poses, strict=True):
        one, _ = _minimise([view], model, _State(parameters, pose[None]), fixed)
        out.append(view.pixels - project(view.points_m, one.poses[0], model, parameters)[0])
    return tuple(out)


def held_out(views: Sequence[View], size_px: tuple[int, int], model: Model, start: Array, folds: int = 5) -> tuple[Array, ...]:
    """Residuals of every view under the lens fitted without it, px; ``folds`` views groups are left out in turn."""
    groups = np.arange(len(views)) % min(folds, len(views))
    out: list[Array] = [np.empty((0, 2))] * len(views)
    for group in np.unique(groups):
        kept = [view for view, g in zip(views, groups, strict=True) if g != group]
        left = np.flatnonzero(groups == group)
        fit = fit_lens(kept, size_px, model, start=start)
        for i, residual in zip(left, view_residuals([views[i] for i in left], model, fit.parameters), strict=True):
            out[i] = residual
    return tuple(out)


def project(points_m: Array, pose: Array, model: Model, parameters: Array) -> tuple[Array, Array, Array]:
    """Pixels (N, 2) of board points, their derivatives by the lens (2N, P) and by the pose (2N, 6)."""
    K = np.array([[parameters[0], 0, parameters[2]], [0, parameters[1], parameters[3]], [0, 0, 1.0]])
    if model == "fisheye":
        pixels, J = cv2.fisheye.projectPoints(points_m[:, None], pose[:3], pose[3:], K, parameters[4:])
        return np.asarray(pixels, float).reshape(-1, 2), J[:, :8], J[:, 8:14]
    pixels, J = cv2.projectPoints(points_m, pose[:3], pose[3:], K, parameters[4:])
    return np.asarray(pixels, float).reshape(-1, 2), J[:, 6:15], J[:, :6]


@dataclass(frozen=True, slots=True)
class _State:
    parameters: Array
    poses: Array


@dataclass(frozen=True, slots=True)
class _Block:
    """One view's residual and derivatives, and its share of the normal equations."""

    residual: Array
    J_lens: Array
    J_pose: Array


def _blocks(views: Sequence[View], model: Model, state: _State, free: Array) -> Iterator[_Block]:
    for view, pose in zip(views, state.poses, strict=True):
        pixels, J_lens, J_pose = project(view.points_m, pose, model, state.parameters)
        yield _Block((view.pixels - pixels).ravel(), J_lens @ free, J_pose)


def _minimise(views: Sequence[View], model: Model, state: _State, free: Array) -> tuple[_State, bool]:
    blocks = list(_blocks(views, model, state, free))
    cost = _cost(blocks)
    damping = 1e-3
    for _ in range(_STEPS):
        trial = _step(blocks, state, free, damping)
        new = list(_blocks(views, model, trial, free))
        new_cost = _cost(new)
        if new_cost < cost:
            done = cost - new_cost <= _CONVERGED * cost
            state, blocks, cost, damping = trial, new, new_cost, max(damping / 10, 1e-12)
            if done:
                return state, True
        elif damping > 1e8:
            return state, np.isfinite(cost)
        else:
            damping *= 5
    return state, False


def _cost(blocks: Sequence[_Block]) -> float:
    cost = float(sum(block.residual @ block.residual for block in blocks))
    return cost if np.isfinite(cost) else np.inf


def _step(blocks: Sequence[_Block], state: _State, free: Array, damping: float) -> _State:
    size = free.shape[1]
    S, g = np.zeros((size, size)), np.zeros(size)
    kept = []
    for block in blocks:
        A, B = block.J_lens.T @ block.J_lens, block.J_pose.T @ block.J_lens
        C = _damped(block.J_pose.T @ block.J_pose, damping)
        b = block.J_pose.T @ block.residual
        C_B, C_b = np.linalg.solve(C, B), np.linalg.solve(C, b)
        S += _damped(A, damping) - B.T @ C_B
        g += block.J_lens.T @ block.residual - B.T @ C_b
        kept.append((C_B, C_b))
    scale = 1 / np.sqrt(np.diag(S))
    lens = scale * np.linalg.lstsq(S * scale[:, None] * scale, g * scale, rcond=1e-14)[0]
    poses = np.array([pose + C_b - C_B @ lens for pose, (C_B, C_b) in zip(state.poses, kept, strict=True)])
    return _State(state.parameters + free @ lens, poses)


def _damped(A: Array, damping: float) -> Array:
    return A + np.diag(damping * np.diag(A) + 1e-30)


def _summary(views: Sequence[View], model: Model, state: _State, free: Array, converged: bool) -> LensFit:
    blocks = list(_blocks(views, model, state, free))
    # What a view says about the lens once its own pose is taken out.
    reduced = [b.J_lens - b.J_pose @ np.linalg.lstsq(b.J_pose, b.J_lens, rcond=None)[0] for b in blocks]
    spare = sum(len(b.residual) for b in blocks) - free.shape[1] - 6 * len(blocks)
    whiten = _whitener(sum(J.T @ J for J in reduced))
    pulls = np.array([_pull(J @ whiten, b.residual) for J, b in zip(reduced, blocks, strict=True)])
    single = _cost(blocks) / max(spare, 1) * whiten @ whiten.T
    grouped = np.sum((pulls @ whiten.T) ** 2, axis=0) / np.diag(single)
    # One parameter's own figure is rough with few views, that of all together is firm: the larger of the two.
    pooled = np.sum(pulls**2) / (_cost(blocks) / max(spare, 1)) / free.shape[1]
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
    """How far one view pulls the (whitened) lens; scaled so that its square is unbiased if points err singly (CR2)."""
    values, vectors = np.linalg.eigh(np.eye(J.shape[1]) - J.T @ J)
    return np.asarray(vectors @ (vectors.T @ (J.T @ residual) / np.sqrt(np.maximum(values, 1e-9))))


def _whitener(S: Array) -> Array:
    """W with W W.T the inverse of a badly scaled symmetric S; a direction the views do not fix counts as vast."""
    scale = 1 / np.sqrt(np.maximum(np.diag(S), 1e-300))
    values, vectors = np.linalg.eigh(S * scale[:, None] * scale)
    return np.asarray(scale[:, None] * vectors / np.sqrt(np.maximum(values, 1e-15 * values[-1])))


def _begin(views: Sequence[View], size_px: tuple[int, int], model: Model, free: Array) -> _State:
    """Start from the best of several focal lengths, then free the parameters in the order of their weight."""
    count = len(PARAMETER_NAMES[model])
    best, best_cost = None, np.inf
    both = np.zeros((count, 1))
    both[:2] = 1.0
    for ratio in _FOCAL_STARTS:
        parameters = np.zeros(count)
        parameters[:2] = ratio * max(size_px)
        parameters[2:4] = (size_px[0] - 1) / 2, (size_px[1] - 1) / 2
        state = _State(parameters, _poses(views, model, parameters))
        cost = _cost(list(_blocks(views, model, state, both)))
        if cost < best_cost:
            best, best_cost = state, cost
    assert best is not None
    k1 = np.eye(count)[:, [4]]
    for stage in (both, np.hstack([both, k1]), np.hstack([free[:, : -(count - 4)], k1])):
        best, _ = _minimise(views, model, best, stage)
        # A far board tilted either way looks nearly alike; the better lens may know the better pose.
        best = _better(views, model, best, _State(best.parameters, _poses(views, model, best.parameters)), free)
    return best


def _better(views: Sequence[View], model: Model, a: _State, b: _State, free: Array) -> _State:
    pairs = zip(_blocks(views, model, a, free), _blocks(views, model, b, free), strict=True)
    first = np.array([_cost([in_a]) <= _cost([in_b]) for in_a, in_b in pairs])
    return _State(a.parameters, np.where(first[:, None], a.poses, b.poses))


def _poses(views: Sequence[View], model: Model, parameters: Array) -> Array:
    """Poses of the boards under a given lens, from their undistorted corners (IPPE, Collins and Bartoli 2014)."""
    return np.array([_pose(view, model, parameters) for view in views])


def _pose(view: View, model: Model, parameters: Array) -> Array:
    K = np.array([[parameters[0], 0, parameters[2]], [0, parameters[1], parameters[3]], [0, 0, 1.0]])
    given = np.ascontiguousarray(view.pixels[:, None])
    if model == "fisheye":
        rays = np.asarray(cv2.fisheye.undistortPoints(given, K, parameters[4:]), float)[:, 0]
    else:
        rays = np.asarray(cv2.undistortPoints(given, K, parameters[4:]), float)[:, 0]
    usable = np.hypot(rays[:, 0], rays[:, 1]) < np.tan(np.radians(80.0))
    if usable.sum() < 4:
        usable[:] = True
        rays = np.clip(np.nan_to_num(rays), -5, 5)
    _, turn, move = cv2.solvePnP(
        view.points_m[usable], rays[usable], np.eye(3), np.zeros(5), flags=cv2.SOLVEPNP_IPPE
    )
    return np.concatenate([np.ravel(turn), np.ravel(move)])
