"""Least squares over a lens and the poses of the boards it saw."""

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
_STEPS = 200
_CONVERGED = 1e-12  # relative fall of the squared sum; far below what a parameter's sigma can feel
_WIDEST_RAD = np.radians(80.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One picture of the board: points on it (N, 3), m, and where they were seen (N, 2), px."""

    points_m: Array
    pixels: Array


@dataclass(frozen=True, slots=True)
class State:
    """Lens parameters (P,) and poses (V, 6): rotation vector and translation, board to camera, rad and m."""

    parameters: Array
    poses: Array


@dataclass(frozen=True, slots=True)
class Block:
    """One view's residuals, seen minus predicted, and their derivatives by lens and pose."""

    residual: Array
    J_lens: Array
    J_pose: Array


def minimise(views: Sequence[View], model: Model, state: State, free: Array) -> tuple[State, bool]:
    """Move lens and poses to the smallest squared sum.

    Parameters
    ----------
    views, model, state
        What was seen, the lens model, and where to begin.
    free
        (P, F): the directions in which the P parameters may move; no column (F = 0) moves the poses only.

    Returns
    -------
    Where it ended, and whether it came to rest there.

    Notes
    -----
    Levenberg-Marquardt with OpenCV's projections and their derivatives; the poses are eliminated view by view
    (Schur complement, Triggs et al. 2000).
    """
    blocks = list(blocks_of(views, model, state, free))
    cost = squared_sum(blocks)
    damping = 1e-3
    for _ in range(_STEPS):
        trial = _step(blocks, state, free, damping)
        new = list(blocks_of(views, model, trial, free))
        new_cost = squared_sum(new)
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


def blocks_of(views: Sequence[View], model: Model, state: State, free: Array) -> Iterator[Block]:
    """Residuals and derivatives of every view."""
    for view, pose in zip(views, state.poses, strict=True):
        pixels, J_lens, J_pose = project(view.points_m, pose, model, state.parameters)
        yield Block((view.pixels - pixels).ravel(), J_lens @ free, J_pose)


def squared_sum(blocks: Sequence[Block]) -> float:
    """Squared sum of the residuals, infinite where a projection has failed."""
    cost = float(sum(block.residual @ block.residual for block in blocks))
    return cost if np.isfinite(cost) else np.inf


def project(points_m: Array, pose: Array, model: Model, parameters: Array) -> tuple[Array, Array, Array]:
    """Pixels (N, 2) of board points, their derivatives by the lens (2N, P) and by the pose (2N, 6)."""
    K = np.array([[parameters[0], 0, parameters[2]], [0, parameters[1], parameters[3]], [0, 0, 1.0]])
    if model == "fisheye":
        pixels, J = cv2.fisheye.projectPoints(points_m[:, None], pose[:3], pose[3:], K, parameters[4:])
        lens, turn = slice(0, 8), slice(8, 14)
    else:
        pixels, J = cv2.projectPoints(points_m, pose[:3], pose[3:], K, parameters[4:])
        lens, turn = slice(6, 15), slice(0, 6)
    derivatives = np.asarray(J, float)
    return np.asarray(pixels, float).reshape(-1, 2), derivatives[:, lens], derivatives[:, turn]


def poses_under(views: Sequence[View], model: Model, parameters: Array) -> Array:
    """Poses of the boards under a given lens, from undistorted corners (IPPE, Collins and Bartoli 2014)."""
    return np.array([_pose(view, model, parameters) for view in views])


def _step(blocks: Sequence[Block], state: State, free: Array, damping: float) -> State:
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
    return State(state.parameters + free @ lens, poses)


def _damped(A: Array, damping: float) -> Array:
    return A + np.diag(damping * np.diag(A) + 1e-30)


def better_poses(views: Sequence[View], model: Model, a: State, b: State, free: Array) -> State:
    """Take the lens of ``a`` and, view by view, the pose that fits it better."""
    pairs = zip(blocks_of(views, model, a, free), blocks_of(views, model, b, free), strict=True)
    first = np.array([squared_sum([in_a]) <= squared_sum([in_b]) for in_a, in_b in pairs])
    return State(a.parameters, np.where(first[:, None], a.poses, b.poses))


def _pose(view: View, model: Model, parameters: Array) -> Array:
    K = np.array([[parameters[0], 0, parameters[2]], [0, parameters[1], parameters[3]], [0, 0, 1.0]])
    given = np.ascontiguousarray(view.pixels[:, None])
    if model == "fisheye":
        rays = np.asarray(cv2.fisheye.undistortPoints(given, K, parameters[4:]), float)[:, 0]
    else:
        rays = np.asarray(cv2.undistortPoints(given, K, parameters[4:]), float)[:, 0]
    usable = np.hypot(rays[:, 0], rays[:, 1]) < np.tan(_WIDEST_RAD)
    if usable.sum() >= 4:
        ok, turn, move = cv2.solvePnP(
            view.points_m[usable], rays[usable], np.eye(3), np.zeros(5), flags=cv2.SOLVEPNP_IPPE
        )
        pose = np.concatenate([np.ravel(turn), np.ravel(move)]) if ok else np.zeros(0)
        if pose.shape == (6,) and np.isfinite(pose).all():
            return pose
    # A lens so far off that no pose fits: the board ahead of the camera, square to it, at its own width.
    width = float(np.ptp(view.points_m, axis=0).max())
    return np.concatenate([np.zeros(3), [0.0, 0.0, width] - view.points_m.mean(axis=0)])
