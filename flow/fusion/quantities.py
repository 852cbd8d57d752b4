"""The filter's vectors as quantities: level axes, angles, sigmas."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from flow.fusion import layout as at
from flow.tilt import Tilt

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FusedStates:
    """States at N times.

    ``velocity_m_s`` (N, 3) is that of the body origin over the ground in level axes (forward, right, down) with its
    ``velocity_m2_s2`` (N, 3, 3); ``tilt_rad`` (N, 2) roll and pitch; ``height_m`` (N,) of the body origin above the
    ground; ``gyro_bias_rad_s`` and ``accel_bias_m_s2`` (N, 3) in body axes. Each
    ``..._sigma_...`` is the one-sigma of its namesake.

    Examples
    --------
    >>> import numpy as np
    >>> from flow.fusion import FusedStates
    >>> three, two = np.zeros((1, 3)), np.zeros((1, 2))
    >>> states = FusedStates(time_s=np.array([0.5]), velocity_m_s=np.array([[1.2, 0.0, 0.0]]),
    ...                      velocity_m2_s2=np.diag([1e-4, 1e-4, 4e-4])[None], tilt_rad=two, tilt_sigma_rad=two,
    ...                      height_m=np.array([1.5]), height_sigma_m=np.array([0.01]), gyro_bias_rad_s=three,
    ...                      gyro_bias_sigma_rad_s=three, accel_bias_m_s2=three, accel_bias_sigma_m_s2=three)
    >>> states.velocity_sigma_m_s
    array([[0.01, 0.01, 0.02]])
    """

    time_s: Array
    velocity_m_s: Array
    velocity_m2_s2: Array
    tilt_rad: Array
    tilt_sigma_rad: Array
    height_m: Array
    height_sigma_m: Array
    gyro_bias_rad_s: Array
    gyro_bias_sigma_rad_s: Array
    accel_bias_m_s2: Array
    accel_bias_sigma_m_s2: Array

    @property
    def velocity_sigma_m_s(self) -> Array:
        """One-sigma of the velocity, (N, 3)."""
        return np.asarray(np.sqrt(np.einsum("nii->ni", self.velocity_m2_s2)))


def fused_states(time_s: Array, values: Array, covariance: Array, considered: Array, lasting_m_s: Array) -> FusedStates:
    """Turn values (N, 35) and covariances (N, 28, 28) into quantities.

    ``considered`` (N, 12, C) are the errors :data:`flow.fusion.layout.SHOWN` by one sigma of each constant figure,
    ``lasting_m_s`` (N, 3) the one-sigma of what the flight has found beside them, level axes: they come on top.
    """
    covariance = covariance.copy()
    covariance[:, at.SHOWN, at.SHOWN] += considered @ considered.transpose(0, 2, 1)
    R, turn = values[:, at.V_ROTATION].reshape(-1, 3, 3), level_turns(values)
    velocity = np.einsum("nij,ni->nj", turn, values[:, at.V_VELOCITY])
    spread = np.einsum("nji,njk,nkl->nil", turn, covariance[:, at.VELOCITY, at.VELOCITY], turn)
    spread += np.eye(3) * np.square(lasting_m_s)[:, :, None]
    tilt = np.einsum("nji,njk,nkl->nil", turn[:, :2, :2], covariance[:, at.TILT, at.TILT], turn[:, :2, :2])
    pitch = np.arcsin(np.clip(-R[:, 2, 0], -1, 1))
    tilt_sigma = np.sqrt(np.einsum("nii->ni", tilt))
    tilt_sigma[:, 0] /= np.maximum(np.cos(pitch), 0.1)
    variance = np.einsum("nii->ni", covariance)
    return FusedStates(
        time_s=time_s,
        velocity_m_s=velocity,
        velocity_m2_s2=spread,
        tilt_rad=np.column_stack([np.arctan2(R[:, 2, 1], R[:, 2, 2]), pitch]),
        tilt_sigma_rad=tilt_sigma,
        height_m=values[:, at.V_HEIGHT],
        height_sigma_m=np.sqrt(variance[:, at.HEIGHT]),
        gyro_bias_rad_s=values[:, at.V_GYRO_BIAS],
        gyro_bias_sigma_rad_s=np.sqrt(variance[:, at.GYRO_BIAS]),
        accel_bias_m_s2=values[:, at.V_ACCEL_BIAS],
        accel_bias_sigma_m_s2=np.sqrt(variance[:, at.ACCEL_BIAS]),
    )


def level_turns(values: Array) -> Array:
    """Give what turns level axes into the track frame, (N, 3, 3), of values (N, 35)."""
    R = values[:, at.V_ROTATION].reshape(-1, 3, 3)
    size = np.hypot(R[:, 0, 0], R[:, 1, 0])
    cos, sin = R[:, 0, 0] / size, R[:, 1, 0] / size
    turn = np.zeros((len(R), 3, 3))
    turn[:, 0, 0] = turn[:, 1, 1] = cos
    turn[:, 0, 1], turn[:, 1, 0], turn[:, 2, 2] = -sin, sin, 1.0
    return turn


def correct_values(values: Array, errors: Array) -> None:
    """Add errors (28,) to values (35,), in place."""
    for error, value in at.PLAIN:
        values[value] += errors[error]
    turn = Rotation.from_rotvec([*errors[at.TILT], 0.0]).as_matrix()
    values[at.V_ROTATION] = (turn @ values[at.V_ROTATION].reshape(3, 3)).ravel()


def corrected(values: Array, errors: Array) -> Array:
    """Give values (N, 35) with errors (N, 28) added."""
    out = values.copy()
    for error, value in at.PLAIN:
        out[:, value] += errors[:, error]
    turns = Rotation.from_rotvec(np.column_stack([errors[:, at.TILT], np.zeros(len(errors))])).as_matrix()
    out[:, at.V_ROTATION] = (turns @ values[:, at.V_ROTATION].reshape(-1, 3, 3)).reshape(-1, 9)
    return out


def level_rotation(force_body: Array) -> Array:
    """Rotation ``R_track_body`` of a craft at rest that feels this specific force: heading 0."""
    return Tilt(down_body=-force_body / np.linalg.norm(force_body), sigma_rad=0.0).R_level_body


def heading_rad(values: Array) -> float:
    """Heading of level forward in the track frame."""
    return float(np.arctan2(values[9], values[6]))


def turned_about_down(angle_rad: float) -> Array:
    """Rotation (3, 3) that turns forward toward right."""
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
