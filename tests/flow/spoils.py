"""Ways to spoil a flight that is in memory: its pictures, its frames, its logs, its module file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tests.flow.flights import Flight, part

Array = NDArray[np.float64]
Grey = NDArray[np.float32]
Spoil = Callable[[Flight], Flight]
Draw = Callable[[Grey, float, np.random.Generator], Grey]

BEGIN_S, END_S = 1.2, 1.8  # of most faults, gyro clock
NOISE = 1.5  # grey levels


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


def soft_disc(shape: tuple[int, ...], centre: tuple[float, float], radius_px: float, edge_px: float) -> Grey:
    y, x = np.mgrid[: shape[0], : shape[1]]
    away = np.hypot(x - centre[0], y - centre[1]) - radius_px
    return (1 / (1 + np.exp(away / edge_px))).astype(np.float32)


def bright_spot(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
    """Draw the sun's reflection: saturated, and it stands still in the picture."""
    return grey + 400 * soft_disc(grey.shape, (100, 40), 18, 5)


def own_shadow(grey: Grey, time_s: float, rng: np.random.Generator) -> Grey:
    """Draw a shadow with a soft edge that flies along and rocks a little: 15 % of the view, a third of the light."""
    at = (80 + 6 * np.sin(5 * time_s), 70 + 4 * np.cos(4 * time_s))
    return grey * (1 - 0.65 * soft_disc(grey.shape, at, 30, 2)) + noise(rng, grey.shape, 1.0)


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


def glints(count: int) -> Draw:
    """Draw sun on ripples: spots that flash at new places in each picture; 60 cover a fifth of it, 120 a third."""

    def draw(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
        spots = np.zeros_like(grey)
        spots[rng.integers(0, grey.shape[0], count), rng.integers(0, grey.shape[1], count)] = 1
        return grey + 4000 * cv2.GaussianBlur(spots, (0, 0), 1.2)

    return draw


def leaf_shadows(depth: float) -> Draw:
    """Draw shadows of leaves that sway over all of the view; their edges are some 5 px wide, and the sun's fault."""
    leaves = cv2.GaussianBlur(np.random.default_rng(17).normal(size=(200, 240)).astype(np.float32), (0, 0), 5)
    leaves /= leaves.std()

    def draw(grey: Grey, time_s: float, _: np.random.Generator) -> Grey:
        away = np.array([[1, 0, 20 * np.sin(1.5 * time_s) - 40], [0, 1, 12 * np.cos(1.8 * time_s) - 40]], np.float32)
        here = cv2.warpAffine(leaves, away, grey.shape[::-1], flags=cv2.INTER_CUBIC)
        return np.asarray(grey * (1 - depth / (1 + np.exp(-4 * here))), np.float32)

    return draw


def lamp(swing: float, readout_s: float) -> Draw:
    """Draw a lamp on mains of 50 Hz, which lights row after row differently."""

    def draw(grey: Grey, time_s: float, _: np.random.Generator) -> Grey:
        rows_s = readout_s * ((np.arange(grey.shape[0]) + 0.5) / grey.shape[0] - 0.5)
        return grey * (1 + swing * np.sin(2 * np.pi * 100 * (time_s + rows_s)))[:, None].astype(np.float32)

    return draw


def hot_pixels(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
    """Draw pixels that stand at a level of their own, a thousandth of all: a warm sensor."""
    out, fixed = grey.copy(), np.random.default_rng(106)
    out[fixed.integers(0, grey.shape[0], 20), fixed.integers(0, grey.shape[1], 20)] = fixed.uniform(180, 255, 20)
    return out


def dirt(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
    """Draw dust and drops on the lens: a dozen faint spots that stand still in the picture."""
    fixed, veil = np.random.default_rng(107), np.zeros_like(grey)
    for _spot in range(12):
        at = fixed.uniform(0, grey.shape[1]), fixed.uniform(0, grey.shape[0])
        veil = np.maximum(veil, soft_disc(grey.shape, at, fixed.uniform(2, 7), 1.5) * fixed.uniform(0.2, 0.6))
    return grey * (1 - veil) + 60 * veil


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


def turned_mounting(yaw_rad: float) -> Spoil:
    """Let the module file hold a camera that is turned about the vertical."""

    def spoil(flown: Flight) -> Flight:
        x, y, z, w = (Rotation.from_rotvec([0, 0, yaw_rad]) * flown.module.alignment.R_body_camera).as_quat()
        return believed(alignment={"camera_to_body_wxyz": (w, x, y, z)})(flown)

    return spoil


def saturated(most_rad_s: float) -> Spoil:
    def spoil(flown: Flight) -> Flight:
        rate = np.clip(flown.gyro_log.rate_rad_s, -most_rad_s, most_rad_s)
        return replace(flown, gyro_log=replace(flown.gyro_log, rate_rad_s=rate))

    return spoil


def spiked(count: int) -> Spoil:
    """Let single samples of the gyro read 35 rad/s about some axis."""

    def spoil(flown: Flight) -> Flight:
        rate, rng = flown.gyro_log.rate_rad_s.copy(), np.random.default_rng(4)
        at = rng.choice(len(rate), count, replace=False)
        rate[at, rng.integers(0, 3, count)] = rng.choice([-35.0, 35.0], count)
        return replace(flown, gyro_log=replace(flown.gyro_log, rate_rad_s=rate))

    return spoil


def believed(**sections: dict[str, Any]) -> Spoil:
    """Let the module file say something else than is true."""

    def spoil(flown: Flight) -> Flight:
        told = {name: getattr(flown.module, name).model_copy(update=keys) for name, keys in sections.items()}
        return replace(flown, module=flown.module.model_copy(update=told))

    return spoil
