"""Pictures warped by the homography of a known motion over a plane: every axis of motion alone and all together.

Source: the plane-induced homography H = K (R - t n^T / d) K^-1 (Hartley and Zisserman, Multiple View Geometry, 2nd ed.,
13.1), with x' = R x + t from the first camera to the second and the plane n.x + d = 0; ground toward ``down`` at
distance D is n = down, d = -D. The ground is scikit-image's gravel (CC0). Both pictures are rendered through one chain
from a fourfold enlargement (SciPy's Fourier resampling), drawn four times as large and averaged down, so that the
warp's 1/32 px steps are 1/128 px or less and alike in both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
import scipy.signal
from scipy.spatial.transform import Rotation

from flow.estimator import Estimator
from flow.module import Module
from flow.row import LevelVelocity
from flow.series import AttitudeSamples
from tests.streams import FOCAL_PX, FRAME_S, HEIGHT, WIDTH, Picture, faded, gyro, photograph, plain_module, ranges

SCALE = 4
HEIGHT_M = 1.2
PER_PX = HEIGHT_M / FOCAL_PX / FRAME_S  # m/s for a pixel a frame
MOUNTING = Rotation.from_euler("z", 90, degrees=True)  # camera to body, nominal


def enlarged() -> np.ndarray:
    ground = faded(photograph("gravel"))
    for axis in (0, 1):
        ground = scipy.signal.resample(ground, SCALE * ground.shape[axis], axis=axis)
    return ground.astype(np.float32)


GROUND = enlarged()
INTRINSIC = plain_module().camera.matrix
# Pixel (0, 0) of the picture is at (96, 136) of the photograph; sample k of the enlargement lies at k /
# SCALE.
FROM_PICTURE = np.diag([SCALE, SCALE, 1.0]) @ np.array([[1, 0, 96.0], [0, 1, 136.0], [0, 0, 1]])
# Pixel k of the large drawing covers 1 / SCALE of a pixel.
FROM_DRAWING = np.array([[1 / SCALE, 0, 0.5 / SCALE - 0.5], [0, 1 / SCALE, 0.5 / SCALE - 0.5], [0, 0, 1]])


def drawn(first_from_this: np.ndarray) -> Picture:
    """Picture of a view whose pixels come from the first view's by a homography."""
    to_ground = FROM_PICTURE @ first_from_this @ FROM_DRAWING
    size = (SCALE * WIDTH, SCALE * HEIGHT)
    large = cv2.warpPerspective(GROUND, to_ground, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return np.clip(np.rint(cv2.resize(large, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)), 0, 255).astype(np.uint8)


@dataclass(frozen=True, kw_only=True)
class Motion:
    """Steady velocity in level axes and a turn about body axes between two frames; ``tilt`` is roll, pitch midway."""

    velocity_m_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn_rad: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tilt: tuple[float, float] = (0.0, 0.0)

    def level_from_body(self, share: float) -> Rotation:
        """Attitude at a share of the turn, -0.5 at the first frame, 0.5 at the second; heading is the middle's."""
        middle = Rotation.from_euler("ZYX", [0.0, self.tilt[1], self.tilt[0]])
        return middle * Rotation.from_rotvec(share * np.array(self.turn_rad))

    def pictures(self) -> tuple[Picture, Picture]:
        """Both frames."""
        cameras = [self.level_from_body(share) * MOUNTING for share in (-0.5, 0.5)]
        R = (cameras[1].inv() * cameras[0]).as_matrix()
        moved = np.array(self.velocity_m_s) * FRAME_S
        t = -cameras[1].inv().apply(moved)
        down = cameras[0].inv().apply([0, 0, 1.0])
        distance = HEIGHT_M + 0.5 * moved[2]  # HEIGHT_M at the middle
        second_from_first = INTRINSIC @ (R + np.outer(t, down) / distance) @ np.linalg.inv(INTRINSIC)
        return drawn(np.eye(3)), drawn(np.linalg.inv(second_from_first))


@dataclass(frozen=True, kw_only=True)
class Slip:
    """A mistake to be noticed."""

    gyro_sign: float = 1.0
    gyro_axes: tuple[int, int, int] = (0, 1, 2)
    clock_frames: int = 0
    swap_pictures: bool = False
    mounting_wxyz: tuple[float, float, float, float] | None = None
    range_factor: float = 1.0


def measured(motion: Motion, slip: Slip | None = None) -> np.ndarray | None:
    """Velocity of the pair; the turn is a swing that begins and ends with the interval, so that the clock matters."""
    slip = slip or Slip()
    pictures = motion.pictures()
    if slip.swap_pictures:
        pictures = pictures[::-1]
    sections: dict = {"range": {"noise_m": 0.001}}
    if slip.mounting_wxyz is not None:
        sections["alignment"] = {"camera_to_body_wxyz": slip.mounting_wxyz}
    module: Module = plain_module(**sections)
    estimator = Estimator(module, attitude="logged")
    times = np.arange(-0.1, 0.2, 5e-4)
    phase = np.clip(times / FRAME_S, 0, 1)
    rate = np.outer((1 - np.cos(2 * np.pi * phase)) / FRAME_S, motion.turn_rad)
    share = phase - np.sin(2 * np.pi * phase) / (2 * np.pi) - 0.5
    angles = np.array([motion.level_from_body(s).as_euler("ZYX") for s in share])
    estimator.add_gyro(gyro(times + slip.clock_frames * FRAME_S, slip.gyro_sign * rate[:, slip.gyro_axes]))
    estimator.add_attitude(AttitudeSamples(time_s=times, roll_rad=angles[:, 2], pitch_rad=angles[:, 1]))
    heard = np.arange(-0.1, 0.2, 0.004)
    height = HEIGHT_M - motion.velocity_m_s[2] * (heard - FRAME_S / 2)
    estimator.add_range(ranges(heard, slip.range_factor * height))
    assert estimator.add_frame(0.0, pictures[0]) is None
    result = estimator.add_frame(FRAME_S, pictures[1])
    assert result is not None
    velocity = result.row.velocity
    return velocity.vector_m_s if isinstance(velocity, LevelVelocity) else None


# 12 mpx sideways and 40 mpx of expansion (a lever of a third of the focal length): half of what bilinear
# interpolation pulls a track by (26 mpx, references), as the mean of 190 tracks with spread starts.
TOLERANCE = np.array([0.012, 0.012, 0.04]) * PER_PX

ALONE = {
    "forward": Motion(velocity_m_s=(0.9, 0, 0)),
    "backward": Motion(velocity_m_s=(-0.9, 0, 0)),
    "right": Motion(velocity_m_s=(0, 0.9, 0)),
    "left": Motion(velocity_m_s=(0, -0.9, 0)),
    "down": Motion(velocity_m_s=(0, 0, 0.9)),
    "up": Motion(velocity_m_s=(0, 0, -0.9)),
    "roll rate": Motion(turn_rad=(0.02, 0, 0)),
    "pitch rate": Motion(turn_rad=(0, 0.02, 0)),
    "yaw rate": Motion(turn_rad=(0, 0, 0.03)),
    "roll rate, other way": Motion(turn_rad=(-0.02, 0, 0)),
    "pitch rate, other way": Motion(turn_rad=(0, -0.02, 0)),
    "yaw rate, other way": Motion(turn_rad=(0, 0, -0.03)),
}
TOGETHER = {
    "all at once": Motion(velocity_m_s=(1.3, -0.7, 0.4), turn_rad=(0.02, -0.03, 0.025)),
    "all at once and tilted": Motion(velocity_m_s=(-0.8, 1.1, -0.3), turn_rad=(-0.02, 0.01, -0.03), tilt=(0.15, -0.12)),
    "forward, nose down": Motion(velocity_m_s=(1.5, 0, 0), tilt=(0.0, -0.2)),
    "right, leaning right": Motion(velocity_m_s=(0, 1.5, 0), tilt=(0.2, 0.0)),
}


@pytest.mark.parametrize("name", [*ALONE, *TOGETHER])
def test_the_motion_is_recovered(name: str) -> None:
    # Exact truth, signed. A turn with no velocity must give no speed.
    motion = (ALONE | TOGETHER)[name]
    found = measured(motion)
    assert found is not None
    assert (np.abs(found - motion.velocity_m_s) < TOLERANCE).all(), found - motion.velocity_m_s


TURN_SLIPS = {
    "gyro sign": Slip(gyro_sign=-1.0),
    "gyro axes x and y swapped": Slip(gyro_axes=(1, 0, 2)),
    "gyro axes y and z swapped": Slip(gyro_axes=(0, 2, 1)),
    "clock a frame late": Slip(clock_frames=1),
    "clock a frame early": Slip(clock_frames=-1),
}
MOTION_SLIPS = {
    "pictures in reverse": Slip(swap_pictures=True),
    "camera axes taken for body axes": Slip(mounting_wxyz=(1.0, 0.0, 0.0, 0.0)),
    "picture upside down": Slip(mounting_wxyz=(np.sqrt(0.5), 0.0, 0.0, -np.sqrt(0.5))),
    "range twice as far": Slip(range_factor=2.0),
}
CASES = [
    *((name, slip) for name in ALONE if "rate" in name for slip in TURN_SLIPS),
    *((name, slip) for name in ALONE if "rate" not in name for slip in MOTION_SLIPS),
    *((name, slip) for name in TOGETHER if "all" in name for slip in TURN_SLIPS | MOTION_SLIPS),
]
# What cannot matter: a turn about an axis that the swap leaves alone, the mounting's turn about the axis of
# descent.
BLIND = {
    ("roll rate", "gyro axes y and z swapped"),
    ("yaw rate", "gyro axes x and y swapped"),
    ("roll rate, other way", "gyro axes y and z swapped"),
    ("yaw rate, other way", "gyro axes x and y swapped"),
    ("down", "camera axes taken for body axes"),
    ("up", "camera axes taken for body axes"),
    ("down", "picture upside down"),
    ("up", "picture upside down"),
}


@pytest.mark.parametrize(("name", "slip"), [case for case in CASES if case not in BLIND])
def test_a_slip_is_noticed(name: str, slip: str) -> None:
    # Mutations of the test above: the row fails, or its velocity misses by ten times the tolerance in some
    # axis. (A yaw alone looks like no translation at all: there the row may also be as wrong as it likes, but
    # not right.)
    motion = (ALONE | TOGETHER)[name]
    found = measured(motion, (TURN_SLIPS | MOTION_SLIPS)[slip])
    if found is not None:
        share = np.abs(found - motion.velocity_m_s) / TOLERANCE
        assert share.max() > (1 if "yaw" in name else 10)


def test_the_renderer_shifts_as_it_should() -> None:
    # Closed form, independent of the estimator: 0.9 m/s to the right moves ground 3.9 px to the left.
    first, second = replace(ALONE["right"]).pictures()
    shift, _ = cv2.phaseCorrelate(first.astype(np.float32), second.astype(np.float32))
    np.testing.assert_allclose(shift, [-0.9 / PER_PX, 0], atol=0.1)
