"""Motions and objects by name, for people who ask for a recording in a line."""

from __future__ import annotations

import math
from typing import Literal, TypeAlias

import numpy as np

from flow.module import Camera
from flow.scene import textures
from flow.scene.ground import Ground, make_layer
from flow.scene.motion import Motion, gusts, hand_turned, straight, tour
from flow.scene.patch import Patch

MotionKind: TypeAlias = Literal["hover", "pass", "climb", "yaw", "slider", "hand", "tour"]
MOTIONS: tuple[MotionKind, ...] = ("hover", "pass", "climb", "yaw", "slider", "hand", "tour")
"""Names that :func:`flight` knows."""

_CRATE_SIZE = 1024
_CRATE_TEXEL_M = 1e-3


def flight(
    kind: MotionKind,
    duration_s: float,
    *,
    height_m: float = 1.0,
    speed_m_s: float = 0.5,
    tilt_rad: float = 0.0,
    yaw_rate_rad_s: float = 0.0,
    gust: float | None = None,
    seed: int = 0,
) -> Motion:
    """Build a motion by name.

    Parameters
    ----------
    kind
        ``hover`` holds still in gusts; ``pass`` flies straight north; ``climb`` goes up; ``yaw`` turns on
        the spot; ``slider`` is a bench rail: steady, level, no turn; ``hand`` is a module turned by hand;
        ``tour`` hovers, passes, turns and stops.
    duration_s
        How long, s.
    height_m
        Height of the body origin at the start, m.
    speed_m_s
        Speed forward (climb: upward), m/s.
    tilt_rad
        Constant lean into the direction of travel (nose down), rad.
    yaw_rate_rad_s
        Constant turn about the vertical, rad/s.
    gust
        Strength of the gusts: 1 wanders 6 cm and rocks 0.03 rad RMS. By default 1 for hover and tour, else 0.
    seed
        Seed of gusts and hand.
    """
    if kind == "hand":
        return hand_turned(duration_s, seed=seed, height_m=height_m)
    strength = gust if gust is not None else float(kind == "hover")
    if kind == "tour":
        return tour(duration_s, height_m=height_m, speed_m_s=speed_m_s, seed=seed, gust=1.0 if gust is None else gust)
    turn = yaw_rate_rad_s if kind != "slider" else 0.0
    steady = straight(
        duration_s,
        height_m=height_m,
        speed_m_s=speed_m_s if kind in ("pass", "slider") else 0.0,
        climb_m_s=speed_m_s if kind == "climb" else 0.0,
        pitch_rad=-tilt_rad if kind != "slider" else 0.0,
        yaw_rate_rad_s=turn,
    )
    return steady if strength == 0 else steady + gusts(duration_s, seed=seed, strength=strength)


def crate(
    camera: Camera,
    *,
    height_m: float,
    share: float,
    velocity_m_s: tuple[float, float],
    meets_s: float,
    at_m: tuple[float, float] = (0.0, 0.0),
    top_m: float = 0.0,
    seed: int = 0,
) -> Patch:
    """Strongly textured square that lies under the camera at one moment and has a velocity of its own.

    Parameters
    ----------
    camera, height_m
        What sees it and from where: they fix its size.
    share
        Share of the picture that it fills when it is in the middle of the view.
    velocity_m_s
        Its own velocity, north and east.
    meets_s, at_m
        When, in time of the motion, its centre is at ``at_m`` (north, east).
    top_m
        Height of its upper side above the ground; 0 keeps it in the ground plane.
    seed
        Seed of its texture.
    """
    view_m2 = (height_m - top_m) ** 2 * camera.width_px * camera.height_px / (camera.fx_px * camera.fy_px)
    side = math.sqrt(share * view_m2)
    tile = 1.5 * textures.stones(_CRATE_SIZE, _CRATE_TEXEL_M, np.random.default_rng([seed, 77]))
    north, east = (a - v * meets_s for a, v in zip(at_m, velocity_m_s, strict=True))
    ground = Ground(name="crate", mean_levels=140.0, layers=(make_layer(tile, _CRATE_TEXEL_M),))
    return Patch(centre_m=(north, east), size_m=(side, side), ground=ground, velocity_m_s=velocity_m_s, height_m=top_m)
