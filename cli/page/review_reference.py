"""A scale error against a reference log, told as one: of the speed, and of the height."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from cli.page.review_rows import Rows
from flow.accuracy.scale import Scale, scale_error
from flow.error_sources import ErrorSource

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleError:
    """By what share speed and height are above the reference throughout, 0 where that is not significant; and in words."""

    speed: float
    height: float
    words: str


def scale_against(rows: Rows, reference: Array) -> ScaleError:
    """Estimate the scale errors.

    Parameters
    ----------
    rows
        The flight.
    reference
        (B, 3) forward and right speed and height by the reference in each bin.
    """
    middle = {name: 0.5 * (rows.low[name] + rows.high[name]) for name in ("forward", "right", "height")}
    velocity = np.column_stack([middle["forward"], middle["right"]])
    sigma = np.hypot(rows.high["sigma_forward"], rows.high["sigma_right"])
    speed = scale_error(velocity, reference[:, :2], sigma)
    height = scale_error(middle["height"][:, None], reference[:, 2:], rows.high["height_sigma"])
    return ScaleError(
        speed=speed.value if speed else 0.0,
        height=height.value if height else 0.0,
        words=_words(speed, height, has_height=bool(np.isfinite(reference[:, 2]).any())),
    )


def _said(scale: Scale) -> str:
    side = "above" if scale.value > 0 else "below"
    return f"{100 * abs(scale.value):.1f} ± {100 * scale.sigma:.1f} % {side} the reference"


def _words(speed: Scale | None, height: Scale | None, *, has_height: bool) -> str:
    if speed and height:
        alike = not speed.differs(height)
        check = (
            ErrorSource.RANGE.remedy if alike else f"{ErrorSource.RANGE.remedy}, and {ErrorSource.FOCAL_LENGTH.remedy}"
        )
        return f"speed {_said(speed)} throughout, height {_said(height)} as well: {check}"
    if speed:
        remedy = ErrorSource.FOCAL_LENGTH.remedy
        if has_height:
            return f"speed {_said(speed)} throughout, the height is right: {remedy}"
        return f"speed {_said(speed)} throughout: {ErrorSource.RANGE.remedy}, or {remedy}"
    if height:
        return f"height {_said(height)} throughout, the speed is not: {ErrorSource.RANGE.remedy}"
    return ""
