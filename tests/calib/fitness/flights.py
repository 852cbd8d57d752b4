"""The flights that the checks are tried on: rendered once, then spoilt in their logs, pictures or module file."""

from __future__ import annotations

from flow import scene
from flow.module import Module
from flow.scene.motion import Motion

DURATION_S = 6.0


def climbing_pass() -> Motion:
    """Forward at 0.5 m/s and up at 0.15 m/s from 0.8 m, in gusts that rock by 2 degrees RMS."""
    steady = scene.straight(DURATION_S, height_m=0.8, speed_m_s=0.5, climb_m_s=0.15)
    return steady + scene.gusts(DURATION_S, seed=3, strength=1.2)


def half_size() -> Module:
    """Describe the preset at half its size, a quarter of the pixels to render."""
    preset = scene.preset_module("small")
    half = {"width_px": 160, "height_px": 120, "fx_px": 133.14, "fy_px": 133.14, "cx_px": 79.5, "cy_px": 59.5}
    return preset.model_copy(update={"camera": preset.camera.model_copy(update=half)})
