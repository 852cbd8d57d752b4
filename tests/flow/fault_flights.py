"""Faults that recordings have, each made from a clean flight (or rendered, where it lies in the scene), truth exact.

A fault lies between two moments; what is before and after them is clean. Grey levels are those of 8-bit pictures.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from flow import scene
from flow.scene.ground import Ground, make_layer
from tests.flow.flights import Flight, Measured, flight, gusty, measured, module, rocking_pass
from tests.flow.scene import grounds
from tests.flow.spoils import (
    BEGIN_S,
    END_S,
    Grey,
    Spoil,
    believed,
    bright_spot,
    defocus,
    dirt,
    doubled,
    drawn,
    dusk,
    flat,
    frozen,
    gain,
    glints,
    gyro_by,
    gyro_gap,
    hot_pixels,
    lamp,
    leaf_shadows,
    legs,
    motion_blur,
    noise,
    own_shadow,
    range_gap,
    ranges,
    saturated,
    spiked,
    strays,
    turned_mounting,
    wind,
    without,
)

Array = NDArray[np.float64]

FRAMES = 80  # of the clean flight, 30 a second


@functools.cache
def clean() -> Flight:
    """Forward over gravel at 1.2 m and 0.6 m/s, rocking by 4.6 degrees RMS, 30 frames a second."""
    whole = rocking_pass()
    return replace(whole, attitude_log=None, frames=whole.frames[: 2 * FRAMES : 2])


@functools.cache
def lit() -> Flight:
    """Fly so at 27 frames a second: the lamp's bands wander."""
    return flight(gusty(2.7), frame_rate_hz=27)


@functools.cache
def steady() -> Flight:
    """Fly the same in gusts of ordinary strength."""
    return flight(gusty(2.7), frame_rate_hz=30)


# Scenes


def step(height_m: float, *, ahead: bool) -> scene.Patch:
    """Ground that is ``height_m`` higher from 0.8 m north on (or up to there), wider than any view."""
    centre = 5.8 if ahead else -4.2
    return scene.Patch(centre_m=(centre, 0.0), size_m=(10.0, 40.0), ground=grounds.gravel(), height_m=height_m)


def tiles() -> Ground:
    """Lay identical tiles of 128 mm: 14 px at 1.2 m."""
    tile = cv2.GaussianBlur(np.tile(np.random.default_rng(4).normal(0, 90, (64, 64)), (3, 3)), (0, 0), 1.5)[
        64:128, 64:128
    ]
    return Ground(name="tiles", mean_levels=120.0, layers=(make_layer(tile.astype(np.float32), 2e-3),))


def speeding_up() -> scene.Motion:
    """Hover, then speed up to 1.2 m/s within a second and stay there: 8 px a frame at 15 frames a second."""

    def channels(t: Array) -> Array:
        run = np.clip(t - 0.5, 0, None)
        north = np.where(run < 1, 0.6 * run**2, 0.6 + 1.2 * (run - 1))
        still = np.zeros_like(t)
        return np.column_stack([north, still, still - 1.2, still, still, still])

    return scene.from_function(channels, 2.9) + scene.gusts(2.9, seed=3, strength=0.5)


def take_off() -> scene.Motion:
    """Stand on the ground, rise to 1.2 m, and land again."""

    def channels(t: Array) -> Array:
        height = 0.15 + 1.05 * np.sin(np.pi * np.clip((t - 0.4) / 2.6, 0, 1)) ** 2
        still = np.zeros_like(t)
        return np.column_stack([still, still, -height, still, still, still])

    return scene.from_function(channels, 3.4) + scene.gusts(3.4, seed=3, strength=0.3)


def blurred_near(flown: Flight) -> Flight:
    """Focus at a metre: what is nearer is out of focus, as the height of each picture says."""
    truth, offset_s = flown.truth, flown.module.alignment.time_offset_s

    def draw(grey: Grey, time_s: float, rng: np.random.Generator) -> Grey:
        height = float(np.interp(time_s, truth.time_s, truth.height_m))
        sigma = max(0.8 * (1 / max(height, 0.05) - 1), 0.0)  # a circle of confusion grows with the dioptres
        return (cv2.GaussianBlur(grey, (0, 0), sigma) if sigma > 0.3 else grey) + noise(rng, grey.shape, 1.0)

    return drawn(draw, -offset_s, np.inf)(flown)


def in_the_hand() -> Flight:
    """Carry it over the lens of a second of dark, unsteady, near things before a flight; the ranger sees the hand."""
    flown = steady()
    cloth = cv2.GaussianBlur(np.random.default_rng(9).normal(50, 80, (400, 400)).astype(np.float32), (0, 0), 2.5)

    def draw(grey: Grey, time_s: float, rng: np.random.Generator) -> Grey:
        at = 120 + (70 * np.array([np.sin(9 * time_s), np.cos(7 * time_s)])).astype(int)
        return cloth[at[0] : at[0] + grey.shape[0], at[1] : at[1] + grey.shape[1]] + noise(rng, grey.shape)

    def hand(time_s: Array, range_m: Array) -> Array:
        return np.where(time_s < 0.9, 0.11 + 0.05 * np.random.default_rng(1).random(len(range_m)), range_m)

    return ranges(hand)(drawn(draw, -1, 0.9)(flown))


def wild() -> Flight:
    """Hover, then shake by 20 degrees at 2 Hz for half a second: 4.4 rad/s."""

    def channels(t: Array) -> Array:
        still = np.zeros_like(t)
        envelope = np.where((t > 1) & (t < 1.5), np.sin(2 * np.pi * (t - 1)) ** 2, 0)
        roll = np.radians(20) * envelope * np.sin(4 * np.pi * (t - 1)) * 1.6
        return np.column_stack([still, still, still - 1.2, roll, still, still])

    return flight(scene.from_function(channels, 2.2) + scene.gusts(2.2, seed=3, strength=0.5), frame_rate_hz=60)


@dataclass(frozen=True, kw_only=True)
class Fault:
    """How a recording is spoilt and what its log must hold.

    ``least`` is the share of rows that must give a velocity; ``clean_from_s`` the moment from which rows are clean again,
    None where the fault lasts; ``silent_from_s`` the moment from which no row may give one; ``off`` is how many rows may be
    off by more than their band, see ``test_faults.py``.
    """

    spoil: Spoil = lambda flown: flown
    source: Callable[[], Flight] = clean
    least: float = 0.0
    clean_from_s: float | None = None
    silent_from_s: float | None = None
    height_blind_s: tuple[float, float] = (0.0, 0.0)
    off: int = 0

    def measured(self) -> Measured:
        """Measure it."""
        return measured(self.spoil(self.source()))


def rendered(motion: scene.Motion, **keys: Any) -> Callable[[], Flight]:
    return functools.cache(lambda: flight(motion, **{"frame_rate_hz": 30} | keys))


_X, _Y, _Z = np.eye(3)
FAULTS: dict[str, Fault] = {
    "nothing": Fault(least=1.0),
    # Range: the image's own climb bridges 2.5 s.
    "no range for 0.1 s": Fault(spoil=range_gap(1.2, 1.3), least=1.0),
    "no range for 1 s": Fault(spoil=range_gap(0.8, 1.8), least=1.0),
    "no range for 5 s": Fault(spoil=range_gap(0.5, 5.5), least=0.95),
    "stray echoes": Fault(spoil=strays(0.15, None), least=0.85),
    "multiple echoes": Fault(spoil=strays(0.15, 2.0), least=0.85),
    "range stuck at a near echo": Fault(
        spoil=ranges(lambda t, r: np.where((t > BEGIN_S) & (t < END_S), 0.35, r)),
        least=0.7,
        clean_from_s=END_S + 0.25,  # five readings that agree with each other
        height_blind_s=(BEGIN_S, END_S + 0.25),
    ),
    "floor up by 0.3 m": Fault(
        source=rendered(gusty(2.6, 1.5), patches=(step(0.3, ahead=True),)), least=0.6, height_blind_s=(1.3, 1.75)
    ),
    "floor down by 0.3 m": Fault(
        source=rendered(gusty(2.6, 1.8), patches=(step(0.3, ahead=False),)), least=0.6, height_blind_s=(1.3, 1.75)
    ),
    "floor up by 0.1 m, few readings": Fault(
        source=rendered(gusty(2.6, 1.5), patches=(step(0.1, ahead=True),), range_errors=scene.RangeErrors(rate_hz=5.0)),
        least=0.94,  # the second reading comes after 0.2 s
        height_blind_s=(1.3, 2.0),
    ),
    "floor up by 0.3 m, fast": Fault(
        source=rendered(gusty(2.0, 2.0, 1.5), patches=(step(0.3, ahead=True),)),
        least=0.8,
        height_blind_s=(0.5, 0.9),
    ),
    # Frames.
    "single frames dropped": Fault(spoil=without(lambda k, _: k % 9 == 5), least=1.0),
    "a block of frames dropped": Fault(
        spoil=without(lambda _, t: BEGIN_S < t < END_S), least=0.97, clean_from_s=END_S + 0.034
    ),
    "frames doubled": Fault(spoil=doubled(4), least=0.72),
    "frames 2 of 3 doubled": Fault(
        spoil=lambda f: replace(f, frames=[replace(x, luma=f.frames[k - k % 3].luma) for k, x in enumerate(f.frames)]),
        least=0.3,
    ),
    # Light.
    "exposure jumps": Fault(
        spoil=drawn(gain(lambda t: 1.7 if int(t / 0.2) % 2 else 1.0)), least=0.95, clean_from_s=END_S
    ),
    "auto-gain pumps": Fault(spoil=drawn(gain(lambda t: 1 + 0.4 * np.sin(12 * t)), 0, 9), least=0.97),
    "motion blur": Fault(spoil=drawn(motion_blur(9)), least=0.95, clean_from_s=END_S),
    "dusk": Fault(spoil=drawn(dusk, 0, 9), least=0.9),
    "bright spot": Fault(spoil=drawn(bright_spot), least=0.97, clean_from_s=END_S),
    "own shadow": Fault(spoil=drawn(own_shadow), least=0.95, clean_from_s=END_S),
    # Which rows it costs hangs on single matches: over depths from 0.40 to 0.58 it leaves 0.35 to 0.90 of them, 0.68 on average.
    "leaf shadows": Fault(spoil=drawn(leaf_shadows(0.5), 0, 9), least=0.5),
    "lamp flickers": Fault(source=lit, spoil=drawn(lamp(0.3, 0.014), 0, 9), least=1.0),
    "legs": Fault(spoil=drawn(legs), least=0.9, clean_from_s=END_S),
    "grass in wind": Fault(spoil=drawn(wind(1.0), 0, 9), least=0.8),
    "grass in a storm": Fault(spoil=drawn(wind(3.0), 0, 9)),
    "water glints": Fault(spoil=drawn(glints(60)), least=1.0),
    "water full of glints": Fault(spoil=drawn(glints(120)), least=1.0),
    "hot pixels": Fault(spoil=drawn(hot_pixels, 0, 9), least=1.0),
    "dirt on the lens": Fault(spoil=drawn(dirt, 0, 9), least=1.0),
    "bare floor": Fault(spoil=drawn(flat(130)), least=0.7, clean_from_s=END_S),
    "repeating tiles": Fault(
        source=rendered(speeding_up(), ground=tiles(), frame_rate_hz=15),
        spoil=without(lambda k, _: k in (25, 26, 33)),
        least=0.85,
    ),
    "defocus": Fault(spoil=drawn(defocus(3.0), 0, 9), least=0.9),
    "lens cap": Fault(spoil=drawn(flat(6, 1.0)), least=0.7, clean_from_s=END_S),
    "frozen": Fault(spoil=lambda f: frozen(f, exact=True), least=0.7, clean_from_s=END_S),
    "frozen by a codec": Fault(spoil=lambda f: frozen(f, exact=False), least=0.7, clean_from_s=END_S),
    # Gyro and module file.
    "gyro gap": Fault(spoil=gyro_gap(BEGIN_S, END_S), least=0.7, clean_from_s=END_S),
    "gyro saturated": Fault(source=functools.cache(wild), spoil=saturated(2.18), least=0.7, clean_from_s=1.55),
    "gyro cut by software": Fault(spoil=saturated(0.5), least=0.4),
    "gyro spikes": Fault(spoil=spiked(40), least=1.0),
    "gyro axes swapped": Fault(spoil=gyro_by(np.stack([_Y, _X, _Z])), silent_from_s=0.0),
    "gyro turned by 90 degrees": Fault(spoil=gyro_by(np.stack([_Y, -_X, _Z])), silent_from_s=0.0),
    "gyro x and z swapped": Fault(spoil=gyro_by(np.stack([_Z, _Y, _X])), silent_from_s=0.0),
    "gyro sign of all": Fault(spoil=gyro_by(-np.eye(3)), silent_from_s=0.0),
    "gyro sign of x": Fault(spoil=gyro_by(np.diag([-1.0, 1, 1])), silent_from_s=0.0),
    "gyro sign of z": Fault(spoil=gyro_by(np.diag([1.0, 1, -1])), silent_from_s=0.0),
    "gyro dead": Fault(spoil=gyro_by(np.zeros((3, 3))), silent_from_s=0.0),
    "clock 20 ms late": Fault(spoil=believed(alignment={"time_offset_s": 0.026}), silent_from_s=0.0),
    "clock 20 ms early": Fault(spoil=believed(alignment={"time_offset_s": -0.014}), silent_from_s=0.0),
    "focal length 10 % long": Fault(spoil=believed(camera={"fx_px": 146.5, "fy_px": 146.5})),
    "focal length 3 % short": Fault(spoil=believed(camera={"fx_px": 129.1, "fy_px": 129.1}), least=0.9),
    "focal length 5 % short": Fault(spoil=believed(camera={"fx_px": 126.5, "fy_px": 126.5}), least=0.9),
    "gyro scale 5 % long": Fault(spoil=gyro_by(1.05 * np.eye(3)), least=0.9),
    "gyro scale of x 5 % short": Fault(spoil=gyro_by(np.diag([0.95, 1.0, 1.0])), least=0.9),
    "mounting turned by 3 degrees": Fault(spoil=turned_mounting(np.radians(3)), least=0.9),
    "frames lost, gain pumps, no range": Fault(
        spoil=lambda f: range_gap(1.0, 2.2)(
            without(lambda k, _: k % 7 in (3, 4))(drawn(gain(lambda t: 1 + 0.4 * np.sin(15 * t)), 0, 9)(f))
        ),
        least=0.9,
    ),
    "rolling shutter not declared": Fault(spoil=believed(camera={"readout_s": 0.0})),
    # Near the ground.
    "take-off and landing": Fault(source=rendered(take_off(), module=module(min_m=0.3)), spoil=blurred_near, least=0.5),
    "in the hand before take-off": Fault(
        source=in_the_hand,
        least=0.45,
        off=1,
        clean_from_s=0.9 + 0.5,
        height_blind_s=(0.0, 0.9 + 0.5),  # it is the hand that it sees
    ),
}
