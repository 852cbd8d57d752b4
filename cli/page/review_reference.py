"""A scale error against a reference log, told as one: of the speed, and of the height."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from cli.page.review_rows import Rows
from flow.accuracy.jackknife import ratio
from flow.error_sources import ErrorSource

Array: TypeAlias = NDArray[np.float64]

SCALE_SIGMAS = 2.6  # 1 % of honest figures are farther off


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleError:
    """By what share speed and height are above the reference throughout, 0 where that is not significant; and in words."""

    speed: float
    height: float
    words: str


@dataclass(frozen=True, slots=True)
class _Scale:
    value: float
    sigma: float

    def __str__(self) -> str:
        side = "above" if self.value > 0 else "below"
        return f"{100 * abs(self.value):.1f} ± {100 * self.sigma:.1f} % {side} the reference"


def scale_against(rows: Rows, reference: Array) -> ScaleError:
    """Estimate the scale errors.

    Parameters
    ----------
    rows
        The flight.
    reference
        (B, 3) forward and right speed and height by the reference in each bin.

    Notes
    -----
    Least squares without an intercept: the slope of the error on the reference, with a sigma that allows for errors which
    hang together in time (:mod:`flow.accuracy.jackknife`). It counts where it is beyond chance (1 % of honest logs are not)
    and beyond what the rows' own bands leave open as a share of the value.
    """
    middle = {name: 0.5 * (rows.low[name] + rows.high[name]) for name in ("forward", "right", "height")}
    velocity = np.column_stack([middle["forward"], middle["right"]])
    sigma = np.hypot(rows.high["sigma_forward"], rows.high["sigma_right"])
    speed = _scale(velocity, reference[:, :2], sigma)
    height = _scale(middle["height"][:, None], reference[:, 2:], rows.high["height_sigma"])
    return ScaleError(
        speed=speed.value if speed else 0.0,
        height=height.value if height else 0.0,
        words=_words(speed, height, has_height=bool(np.isfinite(reference[:, 2]).any())),
    )


def _scale(seen: Array, reference: Array, sigma: Array) -> _Scale | None:
    """Share by which ``seen`` (B, D) is above ``reference`` (B, D) throughout; None where that is not significant."""
    known = np.isfinite(seen).all(axis=1) & np.isfinite(reference).all(axis=1) & np.isfinite(sigma)
    seen, reference, sigma = seen[known], reference[known], sigma[known]
    square = np.square(reference).sum(axis=1)
    if not square.any():
        return None
    found = ratio(((seen - reference) * reference).sum(axis=1), square)
    if found.sigma is None or abs(found.value) <= SCALE_SIGMAS * found.sigma:
        return None
    left_open = float(sigma @ np.sqrt(square) / square.sum())  # errors of one sigma that go with the value throughout
    return _Scale(found.value, found.sigma) if abs(found.value) > left_open else None


def _words(speed: _Scale | None, height: _Scale | None, *, has_height: bool) -> str:
    if speed and height:
        alike = abs(speed.value - height.value) < SCALE_SIGMAS * np.hypot(speed.sigma, height.sigma)
        check = (
            ErrorSource.RANGE.remedy if alike else f"{ErrorSource.RANGE.remedy}, and {ErrorSource.FOCAL_LENGTH.remedy}"
        )
        return f"speed {speed} throughout, height {height} as well: {check}"
    if speed:
        remedy = ErrorSource.FOCAL_LENGTH.remedy
        if has_height:
            return f"speed {speed} throughout, the height is right: {remedy}"
        return f"speed {speed} throughout: {ErrorSource.RANGE.remedy}, or {remedy}"
    if height:
        return f"height {height} throughout, the speed is not: {ErrorSource.RANGE.remedy}"
    return ""
