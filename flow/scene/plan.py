"""A scene from the few words and numbers that a person gives."""

from __future__ import annotations

import math
from dataclasses import replace

from flow.module import Module, read_module
from flow.scene.flights import MotionKind, crate, flight
from flow.scene.modules import PRESETS, preset_module
from flow.scene.motion import vibration as shaking
from flow.scene.patch import Patch
from flow.scene.sensors import AttitudeErrors, RangeErrors
from flow.scene.spec import SceneSpec

_SPEED_M_S = {"slider": 0.05, "climb": 0.2}
_USUAL_SPEED_M_S = 0.5
_YAW_DEG_S = {"yaw": 30.0}
_CRATE_PASSES_S = 2.0  # how long the crate takes across the view


def plan_scene(
    motion: MotionKind = "hover",
    *,
    ground: str = "gravel",
    ground_size: float | None = None,
    duration: float = 10.0,
    height: float = 1.0,
    speed: float | None = None,
    tilt: float = 0.0,
    yaw_rate: float | None = None,
    gusts: float | None = None,
    vibration: float | None = None,
    fps: float = 60.0,
    jitter: float = 0.0,
    exposure: float = 0.002,
    noise: float = 1.5,
    module: str = "small",
    attitude: bool = False,
    air: float = 20.0,
    stray: float = 0.0,
    dropout: float = 0.0,
    crate_share: float = 0.0,
    seed: int = 0,
) -> SceneSpec:
    """Turn the options of the command into a scene; SI units, but degrees for tilt, yaw rate and air.

    Parameters
    ----------
    motion, duration, height, speed, tilt, yaw_rate, gusts
        As :func:`flow.scene.flight`; speed and yaw rate have a default for each motion.
    vibration
        Frequency (Hz) of a propeller's vibration, see :func:`flow.scene.vibration`; None for none.
    ground, ground_size, seed
        As :func:`flow.scene.make_ground`.
    fps, jitter, exposure, noise
        Frame rate (Hz), scatter of frame times (s), exposure of a row (s), picture noise (grey levels).
    module
        A preset's name or the path of a module file.
    attitude
        Whether there is an attitude log.
    air, stray, dropout
        True air temperature; shares of range readings that are stray or missing.
    crate_share
        Share of the view that a crate fills; it crosses from left to right in mid-flight.

    Raises
    ------
    DataError
        The module file cannot be read.
    """
    chosen = find_module(module)
    if speed is None:
        speed = _SPEED_M_S.get(motion, _USUAL_SPEED_M_S)
    if yaw_rate is None:
        yaw_rate = _YAW_DEG_S.get(motion, 0.0)
    moves = flight(
        motion,
        duration,
        height_m=height,
        speed_m_s=speed,
        tilt_rad=math.radians(tilt),
        yaw_rate_rad_s=math.radians(yaw_rate),
        gust=gusts,
        seed=seed,
    )
    if vibration is not None:
        moves += shaking(duration, frequency_hz=vibration)
    spec = SceneSpec(
        motion=moves,
        ground=ground,
        ground_size_m=ground_size,
        module=chosen,
        frame_rate_hz=fps,
        frame_jitter_s=jitter,
        exposure_s=exposure,
        noise_levels=noise,
        attitude=AttitudeErrors() if attitude else None,
        range_errors=RangeErrors(air_temperature_c=air, stray_share=stray, dropout_share=dropout),
        seed=seed,
    )
    return spec if crate_share == 0 else replace(spec, patches=(_crossing(spec, chosen, crate_share),))


def find_module(name: str) -> Module:
    """Find a module by the name of a preset or the path of a module file."""
    return preset_module(name) if name in PRESETS else read_module(name)


def _crossing(spec: SceneSpec, module: Module, share: float) -> Patch:
    """Crate that rolls to the right below the craft in the middle of the flight."""
    middle_s = spec.motion.duration_s / 2
    position, _ = spec.motion.pose([middle_s])
    north, east, down = position[0]
    across_m = -down * module.camera.width_px / module.camera.fx_px
    return crate(
        module.camera,
        height_m=-down,
        share=share,
        velocity_m_s=(0.0, across_m / _CRATE_PASSES_S),
        meets_s=middle_s,
        at_m=(north, east),
        seed=spec.seed,
    )
