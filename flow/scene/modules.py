"""Ready module descriptions for synthetic flights."""

from __future__ import annotations

import math

from flow.module import Alignment, Camera, Gyro, Module, Range

PRESETS = ("small", "large", "fisheye")
"""Names that :func:`preset_module` knows."""

_HALF_WIDTH_RAD = math.radians(31)
_FISHEYE_HALF_DIAGONAL_RAD = math.radians(70)


def preset_module(name: str = "small") -> Module:
    """Describe a module whose every figure is exact for a recording made with it.

    Parameters
    ----------
    name
        ``small``: 320 x 240 px, 62 degrees wide, slight barrel distortion. ``large``: the same, 640 x 480 px.
        ``fisheye``: 320 x 240 px, equidistant, 140 degrees over the diagonal.

    Returns
    -------
    The module: readout 14 ms, nominal mounting a few centimetres off the body origin, an ultrasonic ranger.

    Raises
    ------
    KeyError
        Another name.
    """
    camera = {"small": _pinhole(320, 240), "large": _pinhole(640, 480), "fisheye": _fisheye(320, 240)}[name]
    return Module(
        name=f"synthetic-{name}",
        camera=camera,
        alignment=Alignment(camera_position_m=(0.03, -0.01, 0.02), time_offset_s=0.006),
        gyro=Gyro(bias_rad_s=(0.008, -0.012, 0.005), noise_rad_s_rthz=1.2e-4),
        range=Range(
            beam="wide", noise_m=0.005, min_m=0.1, max_m=10.0, position_m=(-0.02, 0.0, 0.015),
            assumed_air_temperature_c=20.0,
        ),
    )  # fmt: skip


def _pinhole(width: int, height: int) -> Camera:
    focal = round(width / 2 / math.tan(_HALF_WIDTH_RAD), 2)
    return Camera(
        model="pinhole",
        width_px=width,
        height_px=height,
        fx_px=focal,
        fy_px=focal,
        cx_px=(width - 1) / 2,
        cy_px=(height - 1) / 2,
        distortion=(-0.06, 0.012, 0.0, 0.0, 0.0),
        readout_s=0.014,
    )


def _fisheye(width: int, height: int) -> Camera:
    focal = round(math.hypot(width, height) / 2 / _FISHEYE_HALF_DIAGONAL_RAD, 2)
    return Camera(
        model="fisheye",
        width_px=width,
        height_px=height,
        fx_px=focal,
        fy_px=focal,
        cx_px=(width - 1) / 2,
        cy_px=(height - 1) / 2,
        distortion=(0.0, 0.0, 0.0, 0.0),
        readout_s=0.014,
    )
