"""Patterns that belong to the camera and not to the ground: bad pixels, dirt on the glass; and ground too dim beside them."""

from __future__ import annotations

import functools

import numpy as np

from flow import scene
from tests.flow.flights import Flight, flight
from tests.flow.spoils import Draw, Grey, Spoil, drawn, noise, soft_disc


def stuck_pixels(share: float) -> Draw:
    """Draw a share of the pixels at levels of their own."""

    def draw(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
        fixed = np.random.default_rng(5)
        return np.where(fixed.random(grey.shape) < share, fixed.uniform(0, 255, grey.shape), grey).astype(np.float32)

    return draw


def hot(share: float) -> Draw:
    """Draw a share of the pixels brighter than their light by a fixed amount."""

    def draw(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
        fixed = np.random.default_rng(5)
        more = np.where(fixed.random(grey.shape) < share, fixed.uniform(20, 120, grey.shape), 0)
        return grey + more.astype(np.float32)

    return draw


def uneven_lines(levels: float) -> Draw:
    """Draw columns and rows that each differ by an offset of their own."""

    def draw(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
        fixed = np.random.default_rng(5)
        columns, rows = fixed.normal(0, levels, (1, grey.shape[1])), fixed.normal(0, levels, (grey.shape[0], 1))
        return (grey + columns + rows).astype(np.float32)

    return draw


def spots(count: int, radius_px: tuple[float, float], veil: tuple[float, float], edge_px: float) -> Draw:
    """Draw dark dirt that hides so much of the light: ``count`` spots, for a picture of 160 x 120 px."""

    def draw(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
        return grey + _hiding(grey.shape, count, radius_px, veil, edge_px) * (30 - grey)

    return draw


@functools.cache
def _hiding(
    shape: tuple[int, ...], count: int, radius_px: tuple[float, float], veil: tuple[float, float], edge_px: float
) -> Grey:
    fixed, hidden = np.random.default_rng(5), np.zeros(shape, np.float32)
    for _ in range(count):
        at = fixed.uniform(0, shape[1]), fixed.uniform(0, shape[0])
        hidden = np.maximum(hidden, soft_disc(shape, at, fixed.uniform(*radius_px), edge_px) * fixed.uniform(*veil))
    return hidden


def dimmed(contrast: float) -> Draw:
    """Draw a floor of less contrast, with the camera's noise on it."""
    return lambda grey, _, rng: 115 + np.float32(contrast) * (grey - 115) + noise(rng, grey.shape)


def both(*draws: Draw) -> Spoil:
    """Change all pictures, one after the other."""

    def spoil(flown: Flight) -> Flight:
        for draw in draws:
            flown = drawn(draw, -1, 99)(flown)
        return flown

    return spoil


@functools.cache
def straight_on() -> Flight:
    """Straight on at 1 m/s, 3.7 px a frame, without any turn that a gyro could hold against the picture."""
    return flight(scene.straight(3.2, height_m=1.2, speed_m_s=1.0, heading_rad=0.3), frame_rate_hz=30)
