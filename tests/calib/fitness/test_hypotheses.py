"""Fault hypotheses against exact tracks: the figure that the module file has wrong is named, with what it is off by.

The tracks are those of a flight over a plane with 0.1 px of noise at either end; what is put in is exact.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.fitness.hypotheses import find_causes
from calib.fitness.priors import FIGURES
from calib.fitness.stretches import Stretch
from flow import scene
from flow.module import Module
from tests.calib.turn_scenes import turned_gyro, turned_tracks

DURATION_S = 8.0
TURN_RAD = np.array([0.05, -0.03, 0.06])


def true_module() -> Module:
    """Give the preset a lens that bends the picture as cheap wide lenses do."""
    preset = scene.preset_module("small")
    camera = preset.camera.model_copy(update={"distortion": (-0.28, 0.09, 0.0, 0.0, 0.0)})
    return preset.model_copy(update={"camera": camera})


def said(section: str, **keys: object) -> Module:
    true = true_module()
    return true.model_copy(update={section: getattr(true, section).model_copy(update=keys)})


TRUE = true_module()
ASKEW = Rotation.from_rotvec(-TURN_RAD) * TRUE.alignment.R_body_camera
BIAS = TRUE.gyro.bias_rad_s
# What the file says, and the true value less that in the order and units of calib.turn_model.UNKNOWNS.
WRONG: dict[str, tuple[Module, np.ndarray]] = {
    "clock offset": (said("alignment", time_offset_s=TRUE.alignment.time_offset_s + 0.03), np.array([-0.03])),
    "mounting": (
        said("alignment", camera_to_body_wxyz=tuple(float(q) for q in ASKEW.as_quat(scalar_first=True))), TURN_RAD,
    ),
    "gyro bias": (said("gyro", bias_rad_s=(BIAS[0] + 0.04, BIAS[1], BIAS[2] - 0.03)), np.array([-0.04, 0.0, 0.03])),
    "readout": (said("camera", readout_s=0.0), np.array([0.014])),
    "focal length": (
        said("camera", fx_px=1.46 * TRUE.camera.fx_px, fy_px=1.46 * TRUE.camera.fy_px), np.array([-np.log(1.46)]),
    ),
    "distortion": (said("camera", distortion=(0.0,) * 5), np.array([-0.28, 0.09])),
}  # fmt: skip


@pytest.fixture(scope="module")
def stretch() -> Stretch:
    motion = scene.straight(DURATION_S, height_m=0.9, speed_m_s=0.5) + scene.gusts(DURATION_S, seed=3, strength=3.0)
    return Stretch(pairs=turned_tracks(TRUE, motion, seed=1, stride=4), gyro=turned_gyro(TRUE, motion, seed=2))


def test_a_module_file_that_is_right_is_not_accused(stretch: Stretch) -> None:
    assert find_causes([stretch], TRUE, 0.0) == ()


@pytest.mark.parametrize("figure", WRONG)
def test_the_figure_that_is_wrong_is_named_with_its_size(figure: str, stretch: Stretch) -> None:
    module, off = WRONG[figure]
    causes = find_causes([stretch], module, float(off[0]) if figure == "clock offset" else 0.0)
    assert [cause.figure for cause in causes] == [figure]  # and nothing else beside it
    (cause,) = causes
    assert not cause.alike
    assert (np.abs(cause.difference - off) < 4 * cause.sigma).all(), (cause.difference, cause.sigma)
    assert FIGURES[figure].determined(cause.difference, cause.sigma)


def test_two_that_are_wrong_are_both_named(stretch: Stretch) -> None:
    both = WRONG["distortion"][0]
    alignment = both.alignment.model_copy(update={"time_offset_s": both.alignment.time_offset_s + 0.03})
    causes = find_causes([stretch], both.model_copy(update={"alignment": alignment}), -0.03)
    assert {cause.figure for cause in causes} == {"distortion", "clock offset"}


def test_what_turns_too_little_to_tell_is_not_named() -> None:
    """A steady pass tells no readout and no clock: that rows would look otherwise is not known."""
    motion = scene.straight(DURATION_S, height_m=0.9, speed_m_s=0.5)
    steady = Stretch(pairs=turned_tracks(TRUE, motion, seed=1, stride=4), gyro=turned_gyro(TRUE, motion, seed=2))
    assert find_causes([steady], WRONG["clock offset"][0], -0.03) == ()


def test_when_a_figure_is_determined() -> None:
    """An impossible value, or one that the flight leaves as open as it was, is none; one that is plain by itself is."""
    readout, mounting = FIGURES["readout"], FIGURES["mounting"]
    assert readout.determined(0.0, 0.0005, 0.015)
    assert not readout.determined(-0.022, 0.134, 0.015)  # could be anything
    assert not readout.determined(-0.040, 0.001, 0.015)  # a shutter that runs backwards
    assert not mounting.determined(np.radians([-96.0, 0.0, 0.0]), np.radians([42.0, 1.0, 1.0]))
    assert mounting.determined(np.radians([40.0, 0.0, 0.0]), np.radians([4.0, 1.0, 1.0]))
