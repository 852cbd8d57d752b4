"""Pairs of a stretch under figures of the module: those that the flight gave, or those of the file where it gives none.

On a steady flight the turns tell nothing, but speed over the ground, climb and height are there all the same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.fitness.motion import pair_motions
from calib.fitness.stretches import Stretch
from calib.turn_model import TurnModel, Unknowns
from calib.turn_pairs import TurnPairs
from flow.module import Gyro, Module
from flow.rotation import RotationLog
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

MOST_PX = 2.0
"""Scatter of matches, px, beyond which they do not agree on one plane (as in :mod:`calib.alignment_checks`)."""

_MOST_PAIRS, _MOST_TRACKS = 150, 40  # more would not narrow what the tracker itself leaves
_FEWEST_PAIRS = 20
_USUAL_PX = 0.08  # scatter of matches on sharp pictures, H.264 included
# One-sigma of the ground's normal, rad, by the picture and by the mean force on the craft.
_FITTED_LEAN, _FILED_LEAN = 0.01, 0.03
_LEAST_FORCE = 0.9  # of the samples have one


@dataclass(frozen=True, slots=True, kw_only=True)
class Posed:
    """A stretch's chosen pairs, their equations, and the figures they are taken under.

    ``gyro_turn_rad`` (P, 3) is the turn by the gyro, camera axes; ``looseness`` how many times farther than on a sharp
    picture the matches scatter (1 at least): what no model explains grows with it. ``lean_sigma_rad`` is how well the
    ground's normal is known.
    """

    stretch: Stretch
    pairs: TurnPairs
    model: TurnModel
    unknowns: Unknowns
    gyro_turn_rad: Array
    looseness: float
    lean_sigma_rad: float = _FITTED_LEAN


def chosen_pairs(stretch: Stretch) -> TurnPairs | None:
    """Give pairs enough of a stretch, evenly spread; None where there are too few."""
    some = np.arange(len(stretch.pairs), dtype=np.intp)[:: -(-len(stretch.pairs) // _MOST_PAIRS)]
    pairs = stretch.pairs.only(some, _MOST_TRACKS)
    return pairs if len(pairs) >= _FEWEST_PAIRS else None


def filed(model: TurnModel, module: Module, clock_s: float) -> Unknowns:
    """Give the figures of the module file, its clock offset moved by ``clock_s``, over ground that is level on average."""
    start = Unknowns(
        R_body_camera=module.alignment.R_body_camera,
        time_offset_s=module.alignment.time_offset_s + clock_s,
        bias_rad_s=np.array(module.gyro.bias_rad_s),
        readout_s=module.camera.readout_s,
        normal=np.array([0.0, 0.0, 1.0]),
    )
    down = start.R_body_camera.as_matrix().T[:, 2]
    plane = (model.camera_turns(start, model.pairs.middle_s) @ down).mean(axis=0)
    return replace(start, normal=plane / np.linalg.norm(plane))


def looseness(residual_px: Array) -> float:
    """Tell how loose matches are by their residuals, NaN left out."""
    return max(float(np.nanmedian(residual_px)) / _USUAL_PX, 1.0)


def as_filed(stretch: Stretch, module: Module) -> Posed | None:
    """Take a stretch as the module file says; None where its matches do not agree then."""
    pairs = chosen_pairs(stretch)
    if pairs is None:
        return None
    model = TurnModel(pairs, stretch.gyro, module.camera)
    at = filed(model, module, 0.0)
    if (pushed := still_force(stretch.gyro, at.bias_rad_s)) is not None:
        force = pushed[1].mean(axis=0)
        at = replace(at, normal=-force / np.linalg.norm(force))
    equations = model.equations(at)
    shift = pair_motions(equations, model.covariance, model.known, turning=False).displacement
    left = equations.target - (equations.rows @ shift[:, None, :, None])[..., 0]
    left_px = np.linalg.norm((model.px_per_ray @ left[..., None])[..., 0], axis=-1)[model.known]
    if not (len(left_px) and np.median(left_px) < MOST_PX):
        return None
    turns = model.camera_turns(at, np.stack([pairs.first_s, pairs.second_s], axis=1))
    return Posed(
        stretch=stretch,
        pairs=pairs,
        model=model,
        unknowns=at,
        gyro_turn_rad=Rotation.from_matrix(turns[:, 0].transpose(0, 2, 1) @ turns[:, 1]).as_rotvec(),
        looseness=looseness(left_px),
        lean_sigma_rad=_FILED_LEAN,
    )


def still_force(gyro: GyroSamples, bias_rad_s: Array) -> tuple[Array, Array] | None:
    """Give times (S,) and specific force (S, 3) in the frame that does not rotate; None where next to none is logged."""
    if gyro.accel_m_s2 is None:
        return None
    known = np.isfinite(gyro.accel_m_s2).all(axis=1)
    if not known.mean() > _LEAST_FORCE:
        return None
    log = RotationLog(Gyro(), keep_s=np.inf)
    log.append(GyroSamples(time_s=gyro.time_s, rate_rad_s=gyro.rate_rad_s - bias_rad_s, accel_m_s2=None))
    return gyro.time_s[known], (log.matrices(gyro.time_s[known]) @ gyro.accel_m_s2[known][:, :, None])[:, :, 0]
