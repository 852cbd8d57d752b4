"""Mounting, clock, bias, readout and turn scale of a flight, each with its sigma, from the stretches of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.alignment_fit import AlignmentFit, fit_alignment
from calib.alignment_sigma import tracker_sigma
from calib.fitness.motion import pair_motions
from calib.fitness.posed import MOST_PX, Posed, chosen_pairs, filed, looseness
from calib.fitness.priors import LENS_PX
from calib.fitness.slopes import slope
from calib.fitness.stretches import Stretch
from calib.turn_model import TurnModel
from flow.module import Module

Array: TypeAlias = NDArray[np.float64]

_LEAST_SCENE = 0.5  # as in calib.alignment_checks


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed(Posed):
    """A stretch under the figures that were fitted to it."""

    fit: AlignmentFit


@dataclass(frozen=True, slots=True, kw_only=True)
class Placing:
    """What all stretches say, as differences from the module file.

    ``difference`` (10,) and ``sigma`` (10,): small turn of the mounting about body x, y, z (rad), clock (s), bias about
    x, y, z (rad/s), two of the plane's tilt (no meaning here), readout (s). ``turn_ratio`` (3,) and its sigma: turn by
    the picture over that by the gyro, less 1, about camera x, y, z. ``spread`` (10,) by how many sigmas the stretches
    differ from their mean at most (zeros for a single one).
    """

    parts: tuple[Placed, ...]
    difference: Array
    sigma: Array
    turn_ratio: Array
    turn_ratio_sigma: Array
    spread: Array


def place(stretches: Sequence[Stretch], module: Module, clock_s: float) -> Placing | None:
    """Fit each stretch and join them.

    Parameters
    ----------
    stretches
        With the gyro's axes put right.
    module
        Where to start from, and what to hold against.
    clock_s
        Clock offset to start from, less the module file's.

    Returns
    -------
    None where no stretch can be fitted.
    """
    found = [placed for stretch in stretches if (placed := _fitted(stretch, module, clock_s)) is not None]
    if not found:
        return None
    differences = np.array([_difference(one.fit, module) for one in found])
    sigmas = np.array([_sigma(one, module) for one in found])
    mean, sigma, spread = _joined(differences, sigmas)
    ratios = [_turn_ratio(one, module) for one in found]
    ratio, ratio_sigma, _ = _joined(np.array([r for r, _ in ratios]), np.array([s for _, s in ratios]))
    return Placing(
        parts=tuple(found),
        difference=mean,
        sigma=sigma,
        turn_ratio=ratio,
        turn_ratio_sigma=ratio_sigma,
        spread=spread,
    )


def _fitted(stretch: Stretch, module: Module, clock_s: float) -> Placed | None:
    pairs = chosen_pairs(stretch)
    if pairs is None:
        return None
    model = TurnModel(pairs, stretch.gyro, module.camera)
    try:
        fit = fit_alignment(pairs, stretch.gyro, module.camera, filed(model, module, clock_s), readout=True)
    except np.linalg.LinAlgError:
        return None
    scene = float(fit.used.sum() / max(fit.known.sum(), 1))
    if not (np.isfinite(fit.sigma).all() and fit.typical_px < MOST_PX and scene > _LEAST_SCENE):
        return None
    return Placed(
        stretch=stretch,
        pairs=pairs,
        model=model,
        unknowns=fit.unknowns,
        gyro_turn_rad=fit.gyro_turn_rad,
        looseness=looseness(fit.residual_px),
        fit=fit,
    )


def _difference(fit: AlignmentFit, module: Module) -> Array:
    at, alignment = fit.unknowns, module.alignment
    turn = (at.R_body_camera * alignment.R_body_camera.inv()).as_rotvec()
    clock, readout = at.time_offset_s - alignment.time_offset_s, at.readout_s - module.camera.readout_s
    return np.concatenate([turn, [clock], at.bias_rad_s - module.gyro.bias_rad_s, [0.0, 0.0, readout]])


def _sigma(placed: Placed, module: Module) -> Array:
    sigma = np.hypot(placed.fit.sigma, tracker_sigma(module, placed.pairs, placed.fit)[:10])
    noise = module.gyro.noise_per_axis / np.sqrt(np.ptp(placed.pairs.middle_s))
    sigma[4:7] = np.hypot(sigma[4:7], noise)
    # What a lens leaves passes for a turn of the mounting.
    sigma[:3] = np.hypot(sigma[:3], LENS_PX / np.sqrt(module.camera.fx_px * module.camera.fy_px))
    return np.asarray(sigma * placed.looseness)


def _turn_ratio(placed: Placed, module: Module) -> tuple[Array, Array]:
    fit, middle_s = placed.fit, placed.pairs.middle_s
    left = pair_motions(placed.model.equations(fit.unknowns), placed.model.covariance, placed.model.known)
    found = np.array([slope(left.turn_rad[:, k], fit.gyro_turn_rad[:, k], middle_s) for k in range(3)])
    systematic = tracker_sigma(module, placed.pairs, fit)[0]
    return found[:, 0], np.hypot(found[:, 1], systematic) * placed.looseness


def _joined(values: Array, sigmas: Array) -> tuple[Array, Array, Array]:
    """Weighted mean of stretches (N, K), its sigma widened where they differ by more than theirs, and by how many."""
    weight = 1 / np.square(np.maximum(sigmas, 1e-12))
    mean = np.sum(weight * values, axis=0) / weight.sum(axis=0)
    away = np.abs(values - mean) / np.maximum(sigmas, 1e-12)
    widened = np.sqrt(np.maximum(np.sum(away**2, axis=0) / max(len(values) - 1, 1), 1.0))
    return mean, widened / np.sqrt(weight.sum(axis=0)), away.max(axis=0) if len(values) > 1 else np.zeros_like(mean)
