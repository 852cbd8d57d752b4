"""Changes to a module written as a line of text."""

from __future__ import annotations

import pytest

from flow.budget.conditions import Conditions
from flow.budget.variants import vary
from flow.scene import preset_module

CONDITIONS = Conditions(height_m=1.0)


def test_settings_and_module_change_together() -> None:
    made = vary("fps=90, gradient=4,gyro.noise_rad_s_rthz=5e-5,range.noise_m=0.02", preset_module(), CONDITIONS)
    assert made.conditions.frame_rate_hz == 90.0
    assert made.conditions.texture.gradient_levels_px == 4.0
    assert made.module.gyro.noise_rad_s_rthz == 5e-5
    assert made.module.range.noise_m == 0.02
    assert made.module.camera == preset_module().camera
    assert made.name == "fps=90, gradient=4, gyro.noise_rad_s_rthz=5e-05, range.noise_m=0.02"


def test_another_lens_keeps_its_pixels_square() -> None:
    before, made = preset_module().camera, vary("fx_px=400", preset_module(), CONDITIONS).module.camera
    assert made.fx_px == 400.0
    assert made.fy_px == pytest.approx(400.0 * before.fy_px / before.fx_px, rel=1e-12)


def test_another_size_keeps_the_centre() -> None:
    # The centre of pixel 0 is at 0: (320 - 1) / 2 becomes (640 - 1) / 2.
    made = vary("width_px=640,height_px=480", preset_module(), CONDITIONS).module.camera
    assert (made.width_px, made.height_px, made.cx_px, made.cy_px) == (640, 480, 319.5, 239.5)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("fx_px", "key=number"),
        ("fps=fast", "key=number"),
        ("colour=3", "no such key"),
        ("range.beam=2", "no such key"),
        ("name.x=2", "no such key"),
        ("fx_px=-10", "fx_px"),
        ("width_px=320.5", "width_px"),
        ("fps=0", "above 0"),
        ("exposure=nan", "above 0"),
        ("range.max_m=0.01", "min_m"),
    ],
)
def test_what_makes_no_sense_is_refused(text: str, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        vary(text, preset_module(), CONDITIONS)
