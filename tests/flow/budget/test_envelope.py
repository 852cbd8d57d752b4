"""What limits a module at each height: by hand, and against the code that has the limit."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest

from flow.budget.conditions import Conditions
from flow.budget.envelope import Flying, Reach, envelope, table_csv
from flow.budget.image_noise import Texture
from flow.camera import Lens
from flow.module import Module
from flow.pair.geometry import PairView, Plane
from flow.rotation import RotationLog
from flow.series import GyroSamples
from tests.streams import FOCAL_PX, HEIGHT, WIDTH, plain_module

RATE_HZ = 50.0
CONDITIONS = Conditions(height_m=1.0, frame_rate_hz=RATE_HZ, exposure_s=0.002)
ROLLING_S = 0.014


def reach(height_m: float = 2.0, *, of: Module | None = None, flying: Flying | None = None, **changes: object) -> Reach:
    conditions = replace(CONDITIONS, **changes)  # type: ignore[arg-type]
    return envelope(of or plain_module(), conditions, flying, [height_m])[0]


def test_ground_in_view_by_hand() -> None:
    # Handbook formulas: sample H / f, footprint H x picture / f; forward is along the picture's height. A camera 0.1 m
    # below the origin sees from 1.9 m.
    found = reach(of=plain_module(alignment={"camera_position_m": [0.0, 0.0, 0.1]}))
    np.testing.assert_allclose(found.sample_m, 1.9 / FOCAL_PX, rtol=1e-9)
    np.testing.assert_allclose(found.footprint_m, [1.9 * HEIGHT / FOCAL_PX, 1.9 * WIDTH / FOCAL_PX], rtol=1e-9)


def test_a_horizon_has_no_footprint() -> None:
    wide = plain_module(camera={"model": "fisheye", "fx_px": 100.0, "fy_px": 100.0})
    found = reach(of=wide)
    assert found.footprint_m[0] is not None and found.footprint_m[1] is None
    assert found.figures()["footprint_right_m"] is None


def test_fastest_with_a_global_shutter_by_hand() -> None:
    # From rest 24 px a frame (3 px on the third level); followed: 7/8 of the 230 px that blocks cover; changes of
    # speed of 10 px a frame a frame. A pixel a frame is H / f x 50 / s.
    unit = 2.0 / FOCAL_PX * RATE_HZ
    found = reach()
    assert found.cold_m_s == pytest.approx(24 * unit, rel=1e-9)
    assert found.followed_m_s == pytest.approx(0.875 * 230 * unit, rel=1e-9)
    assert found.acceleration_m_s2 == pytest.approx(10 * unit * RATE_HZ, rel=1e-9)


def test_blur_by_hand() -> None:
    # The gradient falls with (1 + L^2 / 12 a^2)^(-3/4) to the root of 12 / 16 of what noise of variance 1 + 1/12 leaves in
    # the smoothed slopes of blocks of 16 px, a factor of 1 + s^2 / a^2 before smoothing; blur is speed x exposure / (H / f).
    texture = Texture(gradient_levels_px=3.0, grain_px=1.2)
    least = np.sqrt(0.75 * (13 / 12) / (8 * np.pi * 0.75**4)) * (1 + 0.75**2 / 1.44)
    wider = (3.0 / least) ** (2 / 3)
    longest_px = 1.2 * np.sqrt(12 * (wider**2 - 1))
    found = reach(texture=texture, exposure_s=0.01, noise_levels=1.0)
    assert found.blur_m_s == pytest.approx(longest_px * 2.0 / FOCAL_PX / 0.01, rel=1e-9)
    assert found.fastest_limit == "blur" and found.fastest_m_s == found.blur_m_s
    assert reach(texture=texture, exposure_s=2e-4).fastest_limit == "overlap"
    instant = reach(exposure_s=0.0)
    assert instant.blur_m_s == np.inf and instant.figures()["blur_m_s"] is None


def test_slowest_by_hand() -> None:
    # 1.96 sigma of the worse axis at rest; rocking does not count.
    calm, wild = (reach(flying=Flying(rocking_rad=rocking)) for rocking in (0.0, 0.1))
    assert calm.hover is not None and wild.hover is not None
    assert calm.slowest_row_m_s == pytest.approx(1.96 * max(calm.hover.sigma_m_s()), rel=1e-9)
    assert calm.slowest_second_m_s == pytest.approx(1.96 * max(calm.hover.second_sigma_m_s()), rel=1e-9)
    assert wild.slowest_row_m_s == calm.slowest_row_m_s
    assert max(wild.hover.sigma_m_s()) > max(calm.hover.sigma_m_s())


def predicted_and_true_px(of: Module, speed_m_s: float) -> tuple[float, float]:
    """How far down the picture a point moves, by the tracker's prediction and by the fixed point it stands for."""
    log = RotationLog(of.gyro)
    times = np.arange(-0.2, 0.2, 0.005)
    log.append(GyroSamples(time_s=times, rate_rad_s=np.zeros((len(times), 3)), accel_m_s2=None))
    half = 0.5 / RATE_HZ
    view = PairView(Lens(of.camera), of, log, -half, half, Plane(down=np.array([0.0, 0.0, 1.0]), distance_m=2.0))
    start = np.array([[160.0, 20.0]])
    ahead = np.array([0.0, -speed_m_s, 0.0])  # image top = forward: the ground moves down
    predicted = float(view.predict(start, ahead)[0, 1] - start[0, 1])
    moved = 0.0
    for _ in range(200):  # later rows see more of the motion
        moved = speed_m_s * FOCAL_PX / 2.0 * (2 * half + moved / HEIGHT * of.camera.readout_s)
    return predicted, moved


def test_rolling_rows_limit_what_can_be_followed() -> None:
    # At the limit the search must begin within its range, 10 px, of the true place, whose fixed point is iterated to the
    # end above; and that place is seven eighths of the way through the picture.
    rolling = plain_module(camera={"readout_s": ROLLING_S})
    found = reach(of=rolling)
    assert found.followed_m_s < 0.7 * reach().followed_m_s
    predicted, moved = predicted_and_true_px(rolling, found.followed_m_s)
    assert moved == pytest.approx(0.875 * (HEIGHT - 10), rel=1e-6)
    assert abs(moved - predicted) < 1.0
    # From rest a point is found 24 px away, however late its row is exposed.
    assert predicted_and_true_px(rolling, found.cold_m_s)[1] == pytest.approx(24.0, rel=1e-6)


def test_rows_across_the_flight_do_not_roll_along_it() -> None:
    sideways = plain_module(camera={"readout_s": ROLLING_S}, alignment={"camera_to_body_wxyz": [1.0, 0.0, 0.0, 0.0]})
    unit = 2.0 / FOCAL_PX * RATE_HZ
    assert reach(of=sideways).followed_m_s == pytest.approx(0.875 * (WIDTH - 10) * unit, rel=1e-9)


@pytest.mark.parametrize(
    ("height_m", "flying", "changes", "hover", "cruise"),
    [
        (12.0, None, {}, "range sensor", "range sensor"),
        (2.0, Flying(cruise_m_s=90.0), {}, "", "too fast"),
        (2.0, None, {"texture": Texture(gradient_levels_px=0.4)}, "texture", "texture"),
        (2.0, None, {"exposure_s": 0.15}, "", "texture"),
    ],
)
def test_what_cannot_be_measured_says_why(
    height_m: float, flying: Flying | None, changes: dict, hover: str, cruise: str
) -> None:
    found = reach(height_m, flying=flying, **changes)
    assert hover in found.no_hover and (found.hover is None) == bool(hover)
    assert cruise in found.no_cruise and found.cruise is None
    assert (found.slowest_row_m_s is None) == bool(hover)
    figures = found.figures()
    assert figures["cruise_forward_sigma_m_s"] is None and figures["cruise_limit"] == found.no_cruise


def test_table_holds_every_figure() -> None:
    found = {"as it is": (reach(1.0), reach(12.0)), "fps=90, exposure=0.001": (reach(1.0), reach(12.0))}
    rows = list(csv.DictReader(io.StringIO(table_csv(found))))
    assert [row["variant"] for row in rows] == ["as it is"] * 2 + ["fps=90, exposure=0.001"] * 2
    first = found["as it is"][0]
    assert float(rows[0]["sample_forward_m"]) == pytest.approx(first.sample_m[0], rel=1e-5)
    assert first.hover is not None
    assert float(rows[0]["hover_right_sigma_m_s"]) == pytest.approx(first.hover.sigma_m_s()[1], rel=1e-5)
    assert rows[1]["hover_right_sigma_m_s"] == ""  # no figure is never zero
