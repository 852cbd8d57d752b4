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
from tests.flow.flights import Flight, Measured, flight, gusty, measured, module, part, rocking_pass
from tests.flow.scene import grounds

Array = NDArray[np.float64]
Grey = NDArray[np.float32]
Spoil = Callable[[Flight], Flight]
Draw = Callable[[Grey, float, np.random.Generator], Grey]

BEGIN_S, END_S = 1.2, 1.8  # of most faults, gyro clock
FRAMES = 80  # of the clean flight, 30 a second
NOISE = 1.5  # grey levels


@functools.cache
def clean() -> Flight:
    """Forward over gravel at 1.2 m and 0.6 m/s, rocking by 4.6 degrees RMS, 30 frames a second."""
    whole = rocking_pass()
    return replace(whole, attitude_log=None, frames=whole.frames[: 2 * FRAMES : 2])


@functools.cache
def steady() -> Flight:
    """The same in gusts of ordinary strength."""
    return flight(gusty(2.7), frame_rate_hz=30)


# Pictures


def drawn(draw: Draw, begin_s: float = BEGIN_S, end_s: float = END_S) -> Spoil:
    """Change the pictures between two moments, sensor noise of their own and rounding included."""

    def spoil(flown: Flight) -> Flight:
        offset_s = flown.module.alignment.time_offset_s
        frames = list(flown.frames)
        for k, frame in enumerate(frames):
            if begin_s <= frame.time_s + offset_s < end_s:
                rng = np.random.default_rng([7, k])
                luma = draw(frame.luma.astype(np.float32), frame.time_s + offset_s, rng)
                frames[k] = replace(frame, luma=np.clip(np.rint(luma), 0, 255).astype(np.uint8))
        return replace(flown, frames=frames)

    return spoil


def noise(rng: np.random.Generator, shape: tuple[int, ...], sigma: float = NOISE) -> Grey:
    return rng.normal(0, sigma, shape).astype(np.float32)


def gain(factor: Callable[[float], float]) -> Draw:
    return lambda grey, time_s, _: grey * np.float32(factor(time_s))


def dusk(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
    """Draw a tenth of the light: photons are counted, then amplified fourfold."""
    electrons = rng.poisson(np.maximum(grey, 0) * 2.0).astype(np.float32)  # some 5000 at full scale by day
    return electrons * 0.2 + noise(rng, grey.shape, 1.0)


def motion_blur(length_px: int) -> Draw:
    kernel = np.zeros((length_px, length_px), np.float32)
    np.fill_diagonal(kernel, 1 / length_px)
    return lambda grey, _, rng: cv2.filter2D(grey, -1, kernel, borderType=cv2.BORDER_REFLECT) + noise(rng, grey.shape)


def defocus(sigma_px: float) -> Draw:
    return lambda grey, _, rng: cv2.GaussianBlur(grey, (0, 0), sigma_px) + noise(rng, grey.shape)


def _disc(shape: tuple[int, ...], centre: tuple[float, float], radius_px: float, edge_px: float) -> Grey:
    y, x = np.mgrid[: shape[0], : shape[1]]
    away = np.hypot(x - centre[0], y - centre[1]) - radius_px
    return (1 / (1 + np.exp(away / edge_px))).astype(np.float32)


def bright_spot(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
    """Draw the sun's reflection: saturated, and it stands still in the picture."""
    return grey + 400 * _disc(grey.shape, (100, 40), 18, 5)


def own_shadow(grey: Grey, time_s: float, rng: np.random.Generator) -> Grey:
    """Draw a shadow with a soft edge that flies along and rocks a little: 15 % of the view, a third of the light."""
    at = (80 + 6 * np.sin(5 * time_s), 70 + 4 * np.cos(4 * time_s))
    return grey * (1 - 0.65 * _disc(grey.shape, at, 30, 2)) + noise(rng, grey.shape, 1.0)


def legs(grey: Grey, time_s: float, rng: np.random.Generator) -> Grey:
    """Draw two legs that cross at 1.6 m/s, textured, 18 px wide each: a quarter of the view."""
    cloth = cv2.GaussianBlur(np.random.default_rng(3).normal(60, 60, (120, 40)).astype(np.float32), (0, 0), 1.5)
    out = grey.copy()
    for late in (0, 34):
        left = round(180 * (time_s - BEGIN_S) / (END_S - BEGIN_S)) - late
        first, last = max(left, 0), min(left + 18, grey.shape[1])
        if first < last:
            out[:, first:last] = cloth[:, first - left : last - left]
    return out + noise(rng, grey.shape, 0.5)


def wind(amplitude_px: float) -> Draw:
    """Draw grass that sways: each patch of 12 px by itself at about 2 Hz."""
    rng = np.random.default_rng(11)
    phases = rng.uniform(0, 2 * np.pi, (2, 10, 14)).astype(np.float32)
    rates = rng.uniform(8, 16, (2, 10, 14)).astype(np.float32)

    def draw(grey: Grey, time_s: float, _: np.random.Generator) -> Grey:
        sway = amplitude_px * np.sin(phases + rates * np.float32(time_s))
        size = grey.shape[1], grey.shape[0]
        dx, dy = (cv2.resize(s, size, interpolation=cv2.INTER_CUBIC) for s in sway)
        y, x = np.mgrid[: size[1], : size[0]].astype(np.float32)
        return cv2.remap(grey, x + dx, y + dy, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)

    return draw


def glints(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
    """Draw sun on ripples: 60 spots that flash at new places in each picture."""
    spots = np.zeros_like(grey)
    spots[rng.integers(0, grey.shape[0], 60), rng.integers(0, grey.shape[1], 60)] = 1
    return grey + 4000 * cv2.GaussianBlur(spots, (0, 0), 1.2)


def flat(level: float, sigma: float = NOISE) -> Draw:
    """Draw nothing but noise: a bare floor, a lens cap, a hand over the lens."""
    return lambda grey, _, rng: np.full_like(grey, level) + noise(rng, grey.shape, sigma)


def frozen(flown: Flight, *, exact: bool) -> Flight:
    """Let the picture stand while time and gyro go on; a codec changes a few grey levels."""
    offset_s = flown.module.alignment.time_offset_s
    held = next(frame.luma for frame in flown.frames if frame.time_s + offset_s >= BEGIN_S)
    sparse = 0.0 if exact else 0.4
    return drawn(lambda grey, _, rng: held + noise(rng, grey.shape, sparse))(flown)


# Frames and logs


def without(chosen: Callable[[int, float], bool]) -> Spoil:
    def spoil(flown: Flight) -> Flight:
        kept = [f for k, f in enumerate(flown.frames) if not chosen(k, f.time_s + flown.module.alignment.time_offset_s)]
        return replace(flown, frames=kept)

    return spoil


def doubled(every: int) -> Spoil:
    def spoil(flown: Flight) -> Flight:
        frames = list(flown.frames)
        for k in range(every, len(frames), every):
            frames[k] = replace(frames[k], luma=frames[k - 1].luma)
        return replace(flown, frames=frames)

    return spoil


def range_gap(begin_s: float, end_s: float) -> Spoil:
    def spoil(flown: Flight) -> Flight:
        time_s = flown.range_log.time_s
        return replace(flown, range_log=part(flown.range_log, (time_s < begin_s) | (time_s > end_s)))

    return spoil


def ranges(change: Callable[[Array, Array], Array]) -> Spoil:
    def spoil(flown: Flight) -> Flight:
        log = flown.range_log
        return replace(flown, range_log=replace(log, range_m=change(log.time_s, log.range_m)))

    return spoil


def strays(share: float, factor: float | None) -> Spoil:
    """Let a share of the echoes come from elsewhere: anything nearer, or ``factor`` times as far."""

    def change(_: Array, range_m: Array) -> Array:
        rng = np.random.default_rng(2)
        wrong = rng.uniform(0.15, range_m) if factor is None else factor * range_m
        return np.where(rng.random(len(range_m)) < share, wrong, range_m)

    return ranges(change)


def gyro_gap(begin_s: float, end_s: float) -> Spoil:
    def spoil(flown: Flight) -> Flight:
        time_s = flown.gyro_log.time_s
        return replace(flown, gyro_log=part(flown.gyro_log, (time_s <= begin_s) | (time_s >= end_s)))

    return spoil


def gyro_by(turn: Array) -> Spoil:
    """Swap or turn the gyro's axes; the bias stays what the module says."""

    def spoil(flown: Flight) -> Flight:
        bias = np.array(flown.module.gyro.bias_rad_s)
        rate = (flown.gyro_log.rate_rad_s - bias) @ turn.T + bias
        return replace(flown, gyro_log=replace(flown.gyro_log, rate_rad_s=rate))

    return spoil


def saturated(most_rad_s: float) -> Spoil:
    def spoil(flown: Flight) -> Flight:
        rate = np.clip(flown.gyro_log.rate_rad_s, -most_rad_s, most_rad_s)
        return replace(flown, gyro_log=replace(flown.gyro_log, rate_rad_s=rate))

    return spoil


def believed(**sections: dict[str, Any]) -> Spoil:
    """Let the module file say something else than is true."""

    def spoil(flown: Flight) -> Flight:
        told = {name: getattr(flown.module, name).model_copy(update=keys) for name, keys in sections.items()}
        return replace(flown, module=flown.module.model_copy(update=told))

    return spoil


# Scenes


def step(height_m: float, *, ahead: bool) -> scene.Patch:
    """Ground that is ``height_m`` higher from 0.8 m north on (or up to there), wider than any view."""
    centre = 5.8 if ahead else -4.2
    return scene.Patch(centre_m=(centre, 0.0), size_m=(10.0, 40.0), ground=grounds.gravel(), height_m=height_m)


def tiles() -> Ground:
    """Lay identical tiles of 128 mm: 14 px at 1.2 m."""
    tile = cv2.GaussianBlur(np.tile(np.random.default_rng(4).normal(0, 90, (64, 64)), (3, 3)), (0, 0), 1.5)[64:128, 64:128]
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
    None where the fault lasts; ``silent_from_s`` the moment from which no row may give one.
    """

    spoil: Spoil = lambda flown: flown
    source: Callable[[], Flight] = clean
    least: float = 0.0
    clean_from_s: float | None = None
    silent_from_s: float | None = None
    height_blind_s: tuple[float, float] = (0.0, 0.0)

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
    "floor up by 0.3 m": Fault(
        source=rendered(gusty(2.6, 1.5), patches=(step(0.3, ahead=True),)), least=0.6, height_blind_s=(1.3, 1.75)
    ),
    "floor down by 0.3 m": Fault(
        source=rendered(gusty(2.6, 1.8), patches=(step(0.3, ahead=False),)), least=0.6, height_blind_s=(1.3, 1.75)
    ),
    # Frames.
    "single frames dropped": Fault(spoil=without(lambda k, _: k % 9 == 5), least=1.0),
    "a block of frames dropped": Fault(spoil=without(lambda _, t: BEGIN_S < t < END_S), least=0.97, clean_from_s=END_S + 0.034),
    "frames doubled": Fault(spoil=doubled(4), least=0.72),
    "frames 2 of 3 doubled": Fault(
        spoil=lambda f: replace(f, frames=[replace(x, luma=f.frames[k - k % 3].luma) for k, x in enumerate(f.frames)]), least=0.3
    ),
    # Light.
    "exposure jumps": Fault(spoil=drawn(gain(lambda t: 1.7 if int(t / 0.2) % 2 else 1.0)), least=0.95, clean_from_s=END_S),
    "auto-gain pumps": Fault(spoil=drawn(gain(lambda t: 1 + 0.4 * np.sin(12 * t)), 0, 9), least=0.97),
    "motion blur": Fault(spoil=drawn(motion_blur(9)), least=0.95, clean_from_s=END_S),
    "dusk": Fault(spoil=drawn(dusk, 0, 9), least=0.9),
    "bright spot": Fault(spoil=drawn(bright_spot), least=0.97, clean_from_s=END_S),
    "own shadow": Fault(spoil=drawn(own_shadow), least=0.95, clean_from_s=END_S),
    "legs": Fault(spoil=drawn(legs), least=0.9, clean_from_s=END_S),
    "grass in wind": Fault(spoil=drawn(wind(1.0), 0, 9), least=0.8),
    "grass in a storm": Fault(spoil=drawn(wind(3.0), 0, 9)),
    "water glints": Fault(spoil=drawn(glints), least=0.75, clean_from_s=END_S),
    "bare floor": Fault(spoil=drawn(flat(130)), least=0.7, clean_from_s=END_S),
    "repeating tiles": Fault(
        source=rendered(speeding_up(), ground=tiles(), frame_rate_hz=15), spoil=without(lambda k, _: k in (25, 26, 33)), least=0.85
    ),
    "defocus": Fault(spoil=drawn(defocus(3.0), 0, 9), least=0.9),
    "lens cap": Fault(spoil=drawn(flat(6, 1.0)), least=0.7, clean_from_s=END_S),
    "frozen": Fault(spoil=lambda f: frozen(f, exact=True), least=0.7, clean_from_s=END_S),
    "frozen by a codec": Fault(spoil=lambda f: frozen(f, exact=False), least=0.7, clean_from_s=END_S),
    # Gyro and module file.
    "gyro gap": Fault(spoil=gyro_gap(BEGIN_S, END_S), least=0.7, clean_from_s=END_S),
    "gyro saturated": Fault(source=functools.cache(wild), spoil=saturated(2.18), least=0.7, clean_from_s=1.55),
    "gyro axes swapped": Fault(spoil=gyro_by(np.stack([_Y, _X, _Z])), silent_from_s=1.0),
    "gyro turned by 90 degrees": Fault(spoil=gyro_by(np.stack([_Y, -_X, _Z])), silent_from_s=1.0),
    "gyro x and z swapped": Fault(spoil=gyro_by(np.stack([_Z, _Y, _X])), silent_from_s=1.0),
    "gyro sign of all": Fault(spoil=gyro_by(-np.eye(3)), silent_from_s=1.0),
    "gyro sign of x": Fault(spoil=gyro_by(np.diag([-1.0, 1, 1])), silent_from_s=1.0),
    "gyro sign of z": Fault(spoil=gyro_by(np.diag([1.0, 1, -1])), silent_from_s=1.0),
    "gyro dead": Fault(spoil=gyro_by(np.zeros((3, 3))), silent_from_s=1.0),
    "clock 20 ms late": Fault(spoil=believed(alignment={"time_offset_s": 0.026}), silent_from_s=1.2),
    "clock 20 ms early": Fault(spoil=believed(alignment={"time_offset_s": -0.014}), silent_from_s=1.2),
    "focal length 10 % long": Fault(spoil=believed(camera={"fx_px": 146.5, "fy_px": 146.5})),
    "focal length 3 % short": Fault(spoil=believed(camera={"fx_px": 129.1, "fy_px": 129.1})),
    "rolling shutter not declared": Fault(spoil=believed(camera={"readout_s": 0.0})),
    # Near the ground.
    "take-off and landing": Fault(source=rendered(take_off(), module=module(min_m=0.3)), spoil=blurred_near, least=0.5),
    "in the hand before take-off": Fault(
        source=in_the_hand, least=0.45, clean_from_s=0.9 + 0.5, height_blind_s=(0.0, 0.9 + 0.5)  # it is the hand that it sees
    ),
}
