"""Scale, offset and noise of a range sensor from readings at taped heights."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution

from calib.echoes import Group, floor_echoes, multiple
from calib.provenance import provenance
from calib.taped import BenchAir, read_taped
from flow.errors import DataError

Array: TypeAlias = NDArray[np.float64]

_BENT_P = 0.01
_LOOSEST_SCALE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class TapedHeight:
    """What was read at one taped height.

    ``residual_m`` is the fitted distance less the taped height, of the mean of the readings kept;
    ``residual_sigma_m`` what tape and noise let one expect of it; ``noise_m`` the scatter of one reading.
    """

    reference_m: float
    readings: int
    strays: int
    multiples: int
    noise_m: float
    residual_m: float
    residual_sigma_m: float
    kept_residuals_m: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeCalibration:
    """Distance = scale * range_m + offset_m, each with its one-sigma.

    ``bent_p`` is the probability that a straight sensor shows a lack of fit as large as this one (1 with two
    heights, where nothing can be told); ``linear`` is False below one per cent. ``assumed_air_temperature_c`` is the air in
    which the line holds, None where it is not known or does not matter.
    """

    source: Path
    scale: float
    scale_sigma: float
    offset_m: float
    offset_sigma_m: float
    correlation: float
    noise_m: float
    noise_sigma_m: float
    heights: tuple[TapedHeight, ...]
    bent_p: float
    missing: int
    remarks: tuple[str, ...]
    assumed_air_temperature_c: float | None = None

    @property
    def linear(self) -> bool:
        """Whether a straight line explains the heights."""
        return self.bent_p >= _BENT_P

    @property
    def largest_residual(self) -> TapedHeight:
        """The height where the line is farthest off."""
        return max(self.heights, key=lambda height: abs(height.residual_m))

    def section(self) -> dict[str, Any]:
        """Values of the module file's ``range`` section, with sigma and provenance."""
        residual: dict[str, str | int | float | bool] = {
            "residual_m": max(abs(height.residual_m) for height in self.heights),
            "lack_of_fit_p": self.bent_p,
            "scale_offset_correlation": round(self.correlation, 3),
            "readings": sum(height.readings for height in self.heights),
            "strays": sum(height.strays for height in self.heights),
        }
        air_c = self.assumed_air_temperature_c
        return {
            **({} if air_c is None else {"assumed_air_temperature_c": air_c}),
            "scale": round(self.scale, 6),
            "offset_m": round(self.offset_m, 6),
            "noise_m": round(self.noise_m, 6),
            "sigma": {
                "scale": float(f"{self.scale_sigma:.3g}"),
                "offset_m": float(f"{self.offset_sigma_m:.3g}"),
                "noise_m": float(f"{self.noise_sigma_m:.3g}"),
            },
            "provenance": provenance(self.source, residual),
        }


def calibrate_range(
    path: str | os.PathLike[str],
    assumed_air_temperature_c: float | None = None,
    tape_sigma_m: float = 1e-3,
    *,
    air_temperature_c: float | None = None,
    air_dependent: bool | None = None,
    progress: Callable[[str], None] | None = None,
) -> RangeCalibration:
    """Scale and offset of a range sensor from repeated readings at taped heights.

    Parameters
    ----------
    path
        Table of ``reference_m,range_m[,air_temperature_c]``; see :func:`calib.taped.read_taped`.
    assumed_air_temperature_c
        Of an ultrasonic sensor whose module file states one; None otherwise.
    tape_sigma_m
        One-sigma of a taped height, the same for all readings at it, independent between heights.
    air_temperature_c
        Measured on the bench, for a table without that column.
    air_dependent
        Whether the readings depend on the air; None: where the module file states an assumed one.
    progress
        Called with a few words before each stage.

    Raises
    ------
    DataError
        The table cannot serve: units, too few heights or readings, all stray, a height that contradicts the
        others, heights too close together for a scale.

    Notes
    -----
    Strays are left out first (:mod:`calib.echoes`). The line is the least-squares line with errors in both
    variables (York 1968; tape in one, mean reading in the other). Lack of fit: the F-test of the heights'
    misfit against the pooled scatter, with the tape's error allowed for.

    Examples
    --------
    >>> import calib
    >>> found = calib.calibrate_range("sample_video/bench/taped.csv")
    >>> found.linear, bool(abs(found.scale - 1) < 3 * found.scale_sigma)  # 1 is the truth
    (True, True)
    """
    say = progress or (lambda _: None)
    say("reading the table")
    matters = assumed_air_temperature_c is not None if air_dependent is None else air_dependent
    air = BenchAir(matters=matters, assumed_c=assumed_air_temperature_c, measured_c=air_temperature_c)
    taped = read_taped(path, air)
    say("rejecting outliers")
    groups, left_out = floor_echoes(taped)
    say("fitting")
    line, covariance, misfit = _fit(groups, tape_sigma_m)
    freedom = sum(len(group.kept) - 1 for group in groups)
    spare = len(groups) - 2
    ratio = misfit / spare if spare else 1.0
    bent_p = float(f_distribution.sf(ratio, spare, freedom)) if spare else 1.0
    covariance *= max(1.0, ratio) * (t_distribution.ppf(0.975, freedom) / 1.96) ** 2
    covariance[0, 0] += (line[0] * taped.air_scale_sigma) ** 2
    heights = tuple(_height(group, line, tape_sigma_m) for group in groups)
    if bent_p < _BENT_P:  # a bend is off by about as much at every height in use: an offset nobody knows
        covariance[1, 1] += float(np.mean([height.residual_m**2 for height in heights]))
    sigma = np.sqrt(np.diag(covariance))
    _check_scale(taped.path, float(sigma[0] / line[0]))
    noise = line[0] * math.sqrt(sum((len(g.kept) - 1) * g.variance for g in groups) / freedom)
    return RangeCalibration(
        source=taped.path,
        scale=float(line[0]),
        scale_sigma=float(sigma[0]),
        offset_m=float(line[1]),
        offset_sigma_m=float(sigma[1]),
        correlation=float(covariance[0, 1] / (sigma[0] * sigma[1])),
        noise_m=float(noise),
        noise_sigma_m=float(noise / math.sqrt(2 * freedom)),
        heights=heights,
        bent_p=bent_p,
        missing=taped.missing,
        assumed_air_temperature_c=taped.air_temperature_c,
        remarks=(*taped.remarks, *left_out, *_remarks(heights, bent_p)),
    )


def _fit(groups: list[Group], tape_sigma_m: float) -> tuple[Array, Array, float]:
    """Scale and offset, their covariance, and the sum of squared misfits over their variances."""
    reference = np.array([group.reference_m for group in groups])
    mean = np.array([group.mean_m for group in groups])
    variance = np.array([group.mean_variance for group in groups])

    def misfits(line: Array) -> Array:
        sigma = np.sqrt(tape_sigma_m**2 + line[0] ** 2 * variance + 1e-12)
        return np.asarray((line[0] * mean + line[1] - reference) / sigma)

    found = least_squares(misfits, np.array([1.0, 0.0]), x_scale=[0.01, 0.01], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    slope = np.asarray(found.jac, np.float64)
    covariance = np.asarray(np.linalg.inv(slope.T @ slope), np.float64)
    return found.x, covariance, float(np.sum(np.square(found.fun)))


def _check_scale(path: Path, relative_sigma: float) -> None:
    if relative_sigma > _LOOSEST_SCALE:
        problem = (
            f"the heights are too close together: they leave {100 * relative_sigma:.0f} % on the scale;"
            " spread them over the range in use"
        )
        raise DataError(problem, path=path, key="reference_m")


def _height(group: Group, line: Array, tape_sigma_m: float) -> TapedHeight:
    dropped = line[0] * group.dropped + line[1]
    return TapedHeight(
        reference_m=group.reference_m,
        readings=len(group.kept) + len(group.dropped),
        strays=len(group.dropped),
        multiples=int(multiple(dropped, group.reference_m).sum()),
        noise_m=float(line[0] * math.sqrt(group.variance)),
        residual_m=float(line[0] * group.mean_m + line[1] - group.reference_m),
        residual_sigma_m=math.sqrt(tape_sigma_m**2 + line[0] ** 2 * group.mean_variance),
        kept_residuals_m=line[0] * group.kept + line[1] - group.reference_m,
    )


def _remarks(heights: tuple[TapedHeight, ...], bent_p: float) -> list[str]:
    remarks = []
    if len(heights) == 2:
        remarks.append("two heights cannot show whether the sensor is linear; tape four or more")
    if bent_p < _BENT_P:
        worst = max(heights, key=lambda height: abs(height.residual_m))
        remarks.append(
            f"not linear: at {worst.reference_m:g} m the line is off by {1000 * worst.residual_m:+.1f} mm,"
            f" where tape and noise explain {1000 * worst.residual_sigma_m:.1f} mm (p = {bent_p:.1g});"
            " the sigmas were widened"
        )
    noises = [height.noise_m for height in heights]
    if max(noises) > 3 * min(noises):
        remarks.append(
            f"the noise changes with height, from {1000 * min(noises):.1f} to {1000 * max(noises):.1f} mm;"
            " the file holds its RMS"
        )
    return remarks
