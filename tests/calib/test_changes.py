"""What moved between two module files, in units and in sigmas."""

from __future__ import annotations

import math

import pytest
from scipy.spatial.transform import Rotation

from calib.changes import changes
from tests.calib.test_acceptance import module


def moved(found):
    return {change.quantity: change for change in found if change.question}


def test_a_turned_camera_is_seen_in_degrees_and_sigmas():
    old = module()
    turned = Rotation.from_rotvec([0.0, math.radians(0.8), 0.0]) * old.alignment.R_body_camera
    new = module(alignment={"camera_to_body_wxyz": turned.as_quat(scalar_first=True).tolist()})
    found = moved(c for c in changes(old, new) if c.section == "alignment")
    assert list(found) == ["mounting"]
    assert "turned by 0.8 degrees" in found["mounting"].question
    assert found["mounting"].change == "0.80°, mostly in pitch (body y)"
    assert found["mounting"].sigmas == pytest.approx(math.radians(0.8) / math.hypot(1e-3, 1e-3))


@pytest.mark.parametrize(
    ("section", "keys", "quantity", "change", "sigmas"),
    [
        ("camera", {"fx_px": 535.3}, "focal length", "+1 %", 0.01 / math.hypot(1e-3, 0.53 / 535.3)),
        ("camera", {"cx_px": 312.0}, "principal point", "-8 px", 8 / math.sqrt(2)),
        ("alignment", {"time_offset_s": 0.003}, "time offset", "+3 ms", 3e-3 / (2e-4 * math.sqrt(2))),
        ("alignment", {"camera_position_m": [0, 0, 0.01]}, "camera position", "+10 mm", 10 / math.sqrt(2)),
        ("gyro", {"bias_rad_s": [0.01, -0.02, 0.015]}, "bias", "+10 mrad/s", 0.01 / (2e-4 * math.sqrt(2))),
        ("range", {"scale": 1.03}, "scale", "+2 %", 0.02 / (2e-3 * math.sqrt(2))),
        ("range", {"offset_m": 0.03}, "offset", "+50 mm", 0.05 / (3e-3 * math.sqrt(2))),
    ],
)
def test_what_moved(section, keys, quantity, change, sigmas):
    found = moved(c for c in changes(module(), module(**{section: keys})) if c.section == section)
    assert list(found) == [quantity]
    assert found[quantity].change == change
    assert found[quantity].sigmas == pytest.approx(sigmas)


def test_what_stays_within_three_sigma_is_not_asked_about():
    found = changes(module(), module(range={"scale": 1.012}))
    assert not moved(c for c in found if c.section == "range")
    assert [c.sigmas for c in found if c.quantity == "scale"] == [pytest.approx(2e-3 / (2e-3 * math.sqrt(2)))]


def test_a_section_left_as_it_was_is_pointed_out():
    found = moved(changes(module(), module(range={"scale": 1.03})))
    assert "not calibrated again" in found["section"].change


def test_another_camera_and_a_missing_section():
    found = moved(changes(module(), module(camera={"width_px": 1280, "height_px": 960})))
    assert found["kind"].change == "pinhole 640 x 480 became pinhole 1280 x 960"
    gone = [c for c in changes(module(), module(camera=None)) if c.section == "camera"]
    assert gone[0].change == "missing in the new file"
