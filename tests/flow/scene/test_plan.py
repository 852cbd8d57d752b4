"""From options to a scene: units, defaults, and a crate that fills what it should."""

from __future__ import annotations

import numpy as np
import pytest

from flow.errors import DataError
from flow.scene import MOTIONS, CameraPath, Renderer, plan_scene
from tests.flow.scene.grounds import plain


@pytest.mark.parametrize("motion", MOTIONS)
def test_every_motion_stays_above_the_ground(motion: str) -> None:
    spec = plan_scene(motion, duration=3, height=1)  # type: ignore[arg-type]
    position, _ = spec.motion.pose(np.linspace(0, 3, 50))
    assert position[:, 2].max() < -0.5
    assert len(spec.frame_times_s()) > 160


def test_units_and_signs() -> None:
    spec = plan_scene("pass", duration=2, height=2, speed=1.5, tilt=10, yaw_rate=20, fps=30, air=5)
    motion = spec.motion
    np.testing.assert_allclose(motion.level_velocity(0.0), [1.5, 0, 0], atol=1e-9)
    assert motion.pose(np.array([0.0]))[1].as_euler("ZYX", degrees=True)[0, 1] == pytest.approx(-10)  # nose down
    assert np.degrees(motion.yaw(1.0) - motion.yaw(0.0)) == pytest.approx(20)
    assert motion.velocity(0.0)[2] == pytest.approx(0, abs=1e-9)
    assert np.diff(spec.frame_times_s()).mean() == pytest.approx(1 / 30, abs=1e-6)
    assert spec.range_errors.air_temperature_c == 5
    assert plan_scene("climb", duration=2).motion.velocity(1.0)[2] == pytest.approx(-0.2, abs=1e-9)  # up is negative
    assert np.degrees(plan_scene("yaw", duration=2).motion.rate_body(1.0)[2]) == pytest.approx(30)


def test_vibration_turns_the_body_and_leaves_its_path() -> None:
    calm, shaken = (plan_scene("pass", duration=2, vibration=hertz).motion for hertz in (None, 130.0))
    t = np.linspace(0.1, 1.9, 200)
    np.testing.assert_allclose(shaken.pose(t)[0], calm.pose(t)[0], atol=1e-9)
    # Roll is a sine of 0.1 degrees: its derivative at time 0 is 2 pi f times as much.
    assert shaken.rate_body(0.0)[0] == pytest.approx(2 * np.pi * 130 * np.radians(0.1), rel=3e-3)
    assert np.abs(calm.rate_body(t)).max() < 1e-9


@pytest.mark.parametrize("share", [0.1, 0.4])
def test_crate_fills_its_share_in_mid_flight(share: float) -> None:
    spec = plan_scene("pass", duration=4, height=1, speed=0.5, crate_share=share)
    patch = spec.patches[0]
    white = type(patch)(
        centre_m=patch.centre_m, size_m=patch.size_m, ground=plain(250), velocity_m_s=patch.velocity_m_s
    )
    camera = spec.module.camera.model_copy(update={"distortion": (), "readout_s": 0.0})
    renderer = Renderer(camera, plain(0), patches=[white])
    path = CameraPath(spec.motion, spec.module.alignment.model_copy(update={"camera_position_m": (0.0, 0.0, 0.0)}))
    shown = [renderer.picture(path, t).mean() / 250 for t in (0.3, 2.0, 3.7)]
    assert shown[1] == pytest.approx(share, rel=0.03)  # edges fall between rays
    assert shown[0] < 0.01
    assert shown[2] < 0.01


def test_a_missing_module_file_is_named() -> None:
    with pytest.raises(DataError, match=r"fern-03\.yaml"):
        plan_scene(module="fern-03.yaml")
