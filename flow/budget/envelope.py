"""Between which speeds, and how finely, a module can measure at each height."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.budget.conditions import Conditions
from flow.budget.field import Field, field_of
from flow.budget.image_noise import BORDER_PX, least_gradient, search_px
from flow.budget.prediction import Budget, predict
from flow.budget.situation import LEAST_OVERLAP, PredictionError
from flow.columns import ENVELOPE
from flow.module import Module

Array: TypeAlias = NDArray[np.float64]

HEIGHTS_M = (0.3, 0.5, 1.0, 2.0, 4.0, 8.0)
_BAND = 1.96  # sigmas that hold 95 %


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """What a module can do at one height; pairs are (forward, right), speeds are level and forward.

    ``sample_m`` is the ground sample distance in the middle of the picture, ``footprint_m`` the ground in view (None:
    as far as the horizon). ``cold_m_s`` is the fastest speed found without a velocity before, ``followed_m_s`` the
    fastest that is followed from frame to frame, ``acceleration_m_s2`` the hardest change of speed then, ``blur_m_s``
    the speed at which motion blur leaves too little texture (0: there is too little even at rest). ``slowest_row_m_s``
    and ``slowest_second_m_s`` are the slowest speeds told from zero in one row and by the mean of a second.
    ``hover`` and ``cruise`` are the predicted errors, None where ``no_hover`` or ``no_cruise`` say why.
    """

    height_m: float
    sample_m: tuple[float, float]
    footprint_m: tuple[float | None, float | None]
    cold_m_s: float
    followed_m_s: float
    acceleration_m_s2: float
    blur_m_s: float
    slowest_row_m_s: float | None
    slowest_second_m_s: float | None
    slowest_limit: str
    hover: Budget | None
    no_hover: str
    cruise: Budget | None
    no_cruise: str

    @property
    def fastest_m_s(self) -> float:
        """Fastest speed that is measured, once the flight is followed."""
        return min(self.followed_m_s, self.blur_m_s)

    @property
    def fastest_limit(self) -> str:
        """What limits the fastest speed."""
        return "blur" if self.blur_m_s < self.followed_m_s else "overlap"

    def figures(self) -> dict[str, float | str | None]:
        """All figures as one flat row, units in the names; None where there is none, or no limit."""
        return {
            "height_m": self.height_m,
            "sample_forward_m": self.sample_m[0],
            "sample_right_m": self.sample_m[1],
            "footprint_forward_m": self.footprint_m[0],
            "footprint_right_m": self.footprint_m[1],
            "cold_start_m_s": self.cold_m_s,
            "followed_m_s": self.followed_m_s,
            "blur_m_s": self.blur_m_s if np.isfinite(self.blur_m_s) else None,
            "fastest_m_s": self.fastest_m_s,
            "fastest_limit": self.fastest_limit,
            "acceleration_m_s2": self.acceleration_m_s2,
            "slowest_row_m_s": self.slowest_row_m_s,
            "slowest_second_m_s": self.slowest_second_m_s,
            "slowest_limit": self.slowest_limit,
            **_budget_figures("hover", self.hover, self.no_hover),
            **_budget_figures("cruise", self.cruise, self.no_cruise),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Flying:
    """Hover and cruise for which errors are predicted; the rest of the conditions holds for both."""

    cruise_m_s: float = 2.0
    rocking_rad: float = float(np.radians(3.0))
    rocking_hz: float = 1.0


def envelope(
    module: Module, conditions: Conditions, flying: Flying | None = None, heights_m: Sequence[float] = HEIGHTS_M
) -> tuple[Reach, ...]:
    """Tell what a module can do at each height.

    Parameters
    ----------
    module
        Its lens, shutter, sensors and sigmas.
    conditions
        Frame rate, exposure, noise, texture; its height, speed and rocking are replaced.
    flying
        Hover and cruise.
    heights_m
        Heights of the body origin.

    Raises
    ------
    PredictionError
        The camera does not look down.

    Notes
    -----
    H is the camera's height, f the focal length in px, T the frame interval.

    - Ground sample distance H / f and motion blur ``speed x exposure / (H / f)``: handbook formulas of aerial
      photography (pixel pitch x height / focal length; from memory).
    - Cold start: the search begins where a craft at rest would see the point, so the motion in a frame must be within
      :func:`flow.budget.image_noise.search_px`.
    - Followed: the search begins where the last speed says; an eighth of the blocks must still be in view.
    - Rolling rows: a point that moves s px down the picture while the rows roll at c = L / (T height in px) of a
      picture a pixel is seen at ``s / (1 - c s)``: so much sooner it is out of view.
    - Acceleration a: the start is off by ``a T^2 f / H``, to be within the search.
    - Blur: the longest that leaves the blocks their least gradient along the motion, see
      :meth:`flow.budget.image_noise.Texture.blurred`.
    - Told from zero: a speed whose 95 % band leaves zero out, at rest over still ground: image, gyro noise and bias.
    """
    field = field_of(module)
    flying = flying or Flying()
    return tuple(_reach(module, field, replace(conditions, height_m=height), flying) for height in heights_m)


def table_csv(found: Mapping[str, Sequence[Reach]]) -> str:
    """Text of a CSV table: a row for each variant and height, :meth:`Reach.figures`; an empty cell is no figure."""
    out = io.StringIO()
    rows = [{"variant": name, **reach.figures()} for name, reaches in found.items() for reach in reaches]
    writer = csv.DictWriter(out, ENVELOPE.names, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({key: f"{cell:.6g}" if isinstance(cell, float) else cell for key, cell in row.items()})
    return out.getvalue()


def _reach(module: Module, field: Field, conditions: Conditions, flying: Flying) -> Reach:
    camera_m = conditions.height_m - module.alignment.camera_position_m[2]
    forward_px_per_m = float(field.focal_px[0]) / camera_m
    rate_hz = conditions.frame_rate_hz
    middle = camera_m * np.sqrt(field.image_share @ np.array([1 / module.camera.fx_px, 1 / module.camera.fy_px]) ** 2)
    size = (module.camera.width_px, module.camera.height_px)
    near_px = search_px(size, far=False)
    texture = conditions.texture
    longest = texture.longest_blur_px(least_gradient(size, conditions.noise_levels, texture.grain_px))
    rest, hover, cruise = (
        _predicted(module, replace(conditions, speed_m_s=speed, rocking_rad=rocking, rocking_hz=flying.rocking_hz))
        for speed, rocking in ((0.0, 0.0), (0.0, flying.rocking_rad), (flying.cruise_m_s, flying.rocking_rad))
    )
    followed = _followed_px(module, field, rate_hz) * rate_hz / forward_px_per_m
    if flying.cruise_m_s > followed:
        cruise = "too fast to be followed"
    still = rest if isinstance(rest, Budget) else None
    return Reach(
        height_m=conditions.height_m,
        sample_m=(float(middle[0]), float(middle[1])),
        footprint_m=_footprint(camera_m * field.extent),
        cold_m_s=_unrolled(search_px(size, far=True), _rolling(module, field, rate_hz)) * rate_hz / forward_px_per_m,
        followed_m_s=followed,
        acceleration_m_s2=near_px * rate_hz**2 / forward_px_per_m,
        blur_m_s=longest / (forward_px_per_m * conditions.exposure_s) if conditions.exposure_s > 0 else np.inf,
        slowest_row_m_s=None if still is None else _BAND * max(still.sigma_m_s()),
        slowest_second_m_s=None if still is None else _BAND * max(still.second_sigma_m_s()),
        slowest_limit=still.dominating if still else str(rest),
        hover=hover if isinstance(hover, Budget) else None,
        no_hover="" if isinstance(hover, Budget) else hover,
        cruise=cruise if isinstance(cruise, Budget) else None,
        no_cruise="" if isinstance(cruise, Budget) else cruise,
    )


def _predicted(module: Module, conditions: Conditions) -> Budget | str:
    """Give the prediction, or why there is none."""
    sensor, height = module.range, conditions.height_m
    if not sensor.min_m < height < sensor.max_m:
        return "outside the range sensor's limits"
    try:
        return predict(module, conditions)
    except PredictionError as reason:
        return str(reason)


def _rolling(module: Module, field: Field, rate_hz: float) -> float:
    """Give c: share of the frame interval by which a point is seen later for each px that it lies further down."""
    return float(field.image_share[0, 1]) * module.camera.readout_s * rate_hz / module.camera.height_px


def _unrolled(seen_px: float, c: float) -> float:
    """Motion in a frame interval of a point that is seen to move ``seen_px`` on rolling rows."""
    return seen_px / (1 + c * seen_px)


def _followed_px(module: Module, field: Field, rate_hz: float) -> float:
    c = _rolling(module, field, rate_hz)
    return float(_unrolled((1 - LEAST_OVERLAP) * (field.length_px - BORDER_PX), c))


def _budget_figures(flight: str, budget: Budget | None, reason: str) -> dict[str, float | str | None]:
    pairs = (None, None) if budget is None else budget.sigma_m_s()
    random = (None, None) if budget is None else budget.sigma_m_s("random")
    return {
        f"{flight}_forward_sigma_m_s": pairs[0],
        f"{flight}_right_sigma_m_s": pairs[1],
        f"{flight}_random_forward_sigma_m_s": random[0],
        f"{flight}_random_right_sigma_m_s": random[1],
        f"{flight}_limit": reason if budget is None else budget.dominating,
        f"{flight}_image_over_bound": None if budget is None else budget.image_over_bound,
    }


def _footprint(extent_m: Array) -> tuple[float | None, float | None]:
    forward, right = (float(length) if np.isfinite(length) else None for length in extent_m)
    return forward, right
