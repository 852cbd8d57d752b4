"""Camera to gyro: exact synthetic tracks of a module turned by hand about a wrist, not about its lens."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.alignment import _start
from calib.alignment_coarse import find_coarse, picture_turns
from calib.alignment_fit import AlignmentFit, fit_alignment
from calib.turn_pairs import TurnPairs
from flow import scene
from flow.camera import Lens
from flow.errors import DataError
from flow.module import Module
from flow.series import GyroSamples
from tests.calib.turn_scenes import turned_gyro, turned_tracks

DURATION_S = 12.0


def module(mounting: Rotation, offset_s: float = 0.0234) -> Module:
    base = scene.preset_module("small")
    wxyz = tuple(float(q) for q in mounting.as_quat(scalar_first=True))
    return base.model_copy(
        update={
            "alignment": base.alignment.model_copy(update={"camera_to_body_wxyz": wxyz, "time_offset_s": offset_s}),
            "gyro": base.gyro.model_copy(update={"bias_rad_s": (0.02, -0.03, 0.01)}),
        }
    )


def hand(seed: int) -> scene.Motion:
    return scene.hand_turned(DURATION_S, seed=seed, height_m=0.6)


def fitted(true: Module, pairs: TurnPairs, gyro: GyroSamples, *, readout: bool = False) -> AlignmentFit:
    coarse = find_coarse(pairs, picture_turns(pairs, Lens(true.camera)), gyro, 0.0)
    start = _start(pairs, gyro, true, coarse)
    return fit_alignment(pairs, gyro, true.camera, start, readout=readout)


def errors(fit: AlignmentFit, true: Module) -> np.ndarray:
    """Turn (3), clock and bias (3), less the truth, in the order of the covariance's first seven."""
    at = fit.unknowns
    turn = (at.R_body_camera * true.alignment.R_body_camera.inv()).as_rotvec()
    return np.array([*turn, at.time_offset_s - true.alignment.time_offset_s, *(at.bias_rad_s - true.gyro.bias_rad_s)])


NOMINAL = Rotation.from_euler("z", 90, degrees=True)
ASKEW = Rotation.from_euler("ZYX", [-170, 9, -7], degrees=True)  # mounted backwards and crooked


@pytest.mark.parametrize(
    ("mounting", "readout"),
    [(NOMINAL * Rotation.from_rotvec([0.02, -0.03, 0.01]), False), (ASKEW, True)],
    ids=["nominal", "askew, readout unknown"],
)
def test_rotation_clock_and_bias_are_found(mounting: Rotation, readout: bool) -> None:
    """Exact synthetic truth; the floor that a bench needs is 0.05 degrees, 0.1 ms and 1 mrad/s."""
    true = module(mounting)
    pairs = turned_tracks(true, hand(3), seed=3, every=2, tracks=50, noise_px=0.05)
    said = true.camera.model_copy(update={"readout_s": 0.0}) if readout else true.camera
    gyro = turned_gyro(true, hand(3), seed=3)
    fit = fitted(true.model_copy(update={"camera": said}), pairs, gyro, readout=readout)
    off = errors(fit, true)
    assert np.degrees(np.abs(off[:3])).max() < 0.05
    assert abs(off[3]) < 1e-4
    assert np.abs(off[4:]).max() < 1e-3
    assert fit.unknowns.readout_s == pytest.approx(true.camera.readout_s, abs=2e-4)


def test_taking_the_wrist_for_the_lens_would_cost_a_degree() -> None:
    """The picture's turns as pure rotation, against the gyro's by SciPy's ``align_vectors``: what the fit avoids."""
    true = module(NOMINAL)
    pairs = turned_tracks(true, hand(4), seed=4, every=2, tracks=50, noise_px=0.05)
    gyro = turned_gyro(true, hand(4), seed=4)
    turns = picture_turns(pairs, Lens(true.camera)) / (pairs.second_s - pairs.first_s)[:, None]
    body = hand(4).rate_body(pairs.middle_s + true.alignment.time_offset_s)
    naive, _ = Rotation.align_vectors(body, turns)
    assert np.degrees((naive * true.alignment.R_body_camera.inv()).magnitude()) > 1.0
    off = errors(fitted(true, pairs, gyro), true)
    assert np.degrees(np.linalg.norm(off[:3])) < 0.1


def test_without_translation_the_coarse_stage_agrees_with_align_vectors() -> None:
    """Independent library on noise-free turns; both ignore nothing here, 0.1 degrees is the readout's share."""
    true = module(NOMINAL)
    still = true.model_copy(
        update={
            "camera": true.camera.model_copy(update={"readout_s": 0.0}),
            "alignment": true.alignment.model_copy(update={"camera_position_m": (0.0, 0.0, 0.0)}),
        }
    )

    def channels(t: np.ndarray) -> np.ndarray:
        turn = [0.3 * np.sin(w * t + k) for k, w in enumerate((3.1, 4.3, 5.7))]
        return np.column_stack([np.zeros_like(t), np.zeros_like(t), np.full_like(t, -1.0), *turn])

    motion = scene.from_function(channels, DURATION_S)
    pairs = turned_tracks(still, motion, seed=5, every=2, tracks=40, noise_px=0.0)
    turns = picture_turns(pairs, Lens(still.camera))
    coarse = find_coarse(pairs, turns, turned_gyro(still, motion, seed=5), 0.0)
    body = motion.rate_body(pairs.middle_s + still.alignment.time_offset_s)
    by_scipy, _ = Rotation.align_vectors(body, turns / (pairs.second_s - pairs.first_s)[:, None])
    assert np.degrees((coarse.R_body_camera * by_scipy.inv()).magnitude()) < 0.1


def test_the_sigma_is_honest() -> None:
    """Monte-Carlo over 6 hands, 42 errors: 95 % inside 1.96 sigma; fewer than 34 has a chance below 1 in 1000."""
    inside = []
    for seed in range(6):
        true = module(NOMINAL * Rotation.from_rotvec([0.02, -0.03, 0.01]))
        motion = scene.hand_turned(8.0, seed=seed, height_m=0.6)
        pairs = turned_tracks(true, motion, seed=seed, every=3, tracks=40, noise_px=0.1, shared_px=0.02)
        fit = fitted(true, pairs, turned_gyro(true, motion, seed=seed))
        inside.append(np.abs(errors(fit, true)) < 1.96 * fit.sigma[:7])
    assert np.sum(inside) >= 34


def flipped(gyro: GyroSamples, signs: tuple[float, float, float]) -> GyroSamples:
    return replace(gyro, rate_rad_s=gyro.rate_rad_s * signs)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda g: flipped(g, (-1.0, 1.0, 1.0)), "mirror image"),
        (lambda g: flipped(g, (-1.0, -1.0, -1.0)), "mirror image"),
        (lambda g: replace(g, rate_rad_s=g.rate_rad_s[:, [1, 0, 2]]), "mirror image"),
        (lambda g: replace(g, rate_rad_s=1.4 * g.rate_rad_s), r"1\.\d+ times the turn"),
        (lambda g: replace(g, time_s=g.time_s + 0.99), "edge of the search"),
        (lambda g: replace(g, rate_rad_s=np.full_like(g.rate_rad_s, 0.01)), "does not change"),
        (lambda g: replace(g, rate_rad_s=g.rate_rad_s[::-1].copy()), "does not agree with the video"),
        (lambda g: replace(g, time_s=g.time_s + 1000.0), "cover|overlap"),
    ],
    ids=[
        "mirrored axis",
        "all signs",
        "swapped axes",
        "scale",
        "late by a second",
        "constant",
        "another motion",
        "another time",
    ],
)
def test_a_log_that_cannot_serve_is_refused(spoil, said: str) -> None:  # type: ignore[no-untyped-def]
    true = module(NOMINAL)
    pairs = turned_tracks(true, hand(6), seed=6, every=3, tracks=40)
    turns = picture_turns(pairs, Lens(true.camera))
    with pytest.raises(DataError, match=f"(?i){said}"):
        find_coarse(pairs, turns, spoil(turned_gyro(true, hand(6), seed=6)), 0.0)


def test_a_hand_that_spares_an_axis_is_told_which() -> None:
    def channels(t: np.ndarray) -> np.ndarray:
        zero = np.zeros_like(t)
        return np.column_stack([zero, zero, zero - 0.6, zero, zero, 0.4 * np.sin(4.3 * t + 1)])

    true = module(NOMINAL)
    motion = scene.from_function(channels, DURATION_S)
    pairs = turned_tracks(true, motion, seed=7, every=3, tracks=40)
    turns = picture_turns(pairs, Lens(true.camera))
    with pytest.raises(DataError, match=r"hardly turns about body x and y"):
        find_coarse(pairs, turns, turned_gyro(true, motion, seed=7), 0.0)
