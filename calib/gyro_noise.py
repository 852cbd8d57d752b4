"""Bias and noise of a gyro from a log at rest."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calib.allan import (
    FLICKER_FLOOR,
    Array,
    NoiseTerms,
    fit_terms,
    model_variance,
    octaves,
    overlapping_deviation,
)
from calib.gyro_rest import GyroLog, check_rest, check_sampling, read_log
from calib.provenance import provenance
from flow.errors import DataError

ADVISED_S = 600.0
"""Ten minutes at rest: common practice, and enough to see the bias instability of most small gyros."""

# Below, the gyro's own low-pass filter (20 Hz and up, common practice) shapes the noise
_SHORTEST_TAU_S = 0.2
_VISIBLE_SIGMA = 2.0
_POOR_FIT_RATIO = 2.0
_POOR_FIT_P = 1e-6
# Horizontal part at 45 degrees latitude: RMS change between two headings
_EARTH_RAD_S = 7.292e-5 * math.sqrt(0.5)
_LARGEST_NOISE = 3e-3  # rad/s/sqrt(Hz): 0.17 deg/s/sqrt(Hz), ten times a cheap MEMS gyro (common practice)
_LARGEST_BIAS = 0.35  # rad/s: 20 deg/s, the zero-rate tolerance of cheap MEMS gyros (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """A noise figure with its one-sigma; not ``visible``: hidden by other noise, only its limit is known."""

    value: float
    sigma: float
    visible: bool

    @property
    def limit(self) -> float:
        """Upper end of the 95 % band."""
        return self.value + 1.96 * self.sigma


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisNoise:
    """What the log says about one body axis.

    Attributes
    ----------
    bias_rad_s, bias_sigma_rad_s
        Mean rate; its sigma covers how far the bias will have moved over the next span as long as the log.
    noise_rad_s_rthz
        Angle random walk N.
    instability_rad_s
        Bias instability B.
    walk_rad_s2_rthz
        Rate random walk K.
    tau_s, deviation_rad_s, deviation_sigma_rad_s
        The overlapping Allan deviation that was fitted, (k,) each.
    fitted_rad_s
        The three terms together at ``tau_s``.
    misfit_p
        Probability that sheer chance fits this badly.
    """

    bias_rad_s: float
    bias_sigma_rad_s: float
    noise_rad_s_rthz: Term
    instability_rad_s: Term
    walk_rad_s2_rthz: Term
    tau_s: Array
    deviation_rad_s: Array
    deviation_sigma_rad_s: Array
    fitted_rad_s: Array
    misfit_p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GyroCalibration:
    """Gyro figures of a module, body axes x, y, z."""

    source: Path
    duration_s: float
    sample_rate_hz: float
    axes: tuple[AxisNoise, AxisNoise, AxisNoise]
    remarks: tuple[str, ...]

    def section(self) -> dict[str, Any]:
        """Values of the module file's ``gyro`` section, with sigma and provenance."""
        noise = [axis.noise_rad_s_rthz for axis in self.axes]
        instability = [axis.instability_rad_s for axis in self.axes]
        walk = [axis.walk_rad_s2_rthz for axis in self.axes]
        residual: dict[str, str | int | float | bool] = {
            "duration_s": self.duration_s,
            "sample_rate_hz": self.sample_rate_hz,
            "misfit_p": min(axis.misfit_p for axis in self.axes),
        }
        residual |= {
            f"rate_random_walk_{axis}_rad_s2_rthz": term.value
            for axis, term in zip("xyz", walk, strict=True)
            if term.visible
        }
        return {
            "bias_rad_s": [_short(axis.bias_rad_s, axis.bias_sigma_rad_s) for axis in self.axes],
            "noise_rad_s_rthz": [_short(term.value, term.sigma) for term in noise],
            "bias_instability_rad_s": [_short(term.value, term.sigma) for term in instability],
            "sigma": {
                "bias_rad_s": [_short(axis.bias_sigma_rad_s) for axis in self.axes],
                "noise_rad_s_rthz": [_short(term.sigma) for term in noise],
                "bias_instability_rad_s": [_short(term.sigma) for term in instability],
            },
            "provenance": provenance(self.source, residual),
        }


def calibrate_gyro(path: str | os.PathLike[str], progress: Callable[[str], None] | None = None) -> GyroCalibration:
    """Bias, noise density, bias instability and rate random walk of a gyro from its log at rest.

    Parameters
    ----------
    path
        A ``gyro.csv``: body axes, rad/s. Its accelerometer columns, where present, help to see movement.
    progress
        Called with a few words before each stage.

    Raises
    ------
    DataError
        The log is too short, has gaps or an uneven rate, was not at rest, is constant or hides in the
        sensor's own step, or its noise is no gyro noise (a vibrating bench, deg/s): says which and when.

    Notes
    -----
    Overlapping Allan deviation (NIST SP 1065), terms as in IEEE Std 952; see :mod:`calib.allan`.

    Examples
    --------
    >>> import calib
    >>> found = calib.calibrate_gyro("sample_video/bench/gyro.csv")
    >>> [round(axis.bias_rad_s, 3) for axis in found.axes]  # 0.008, -0.012, 0.005 is the truth
    [0.008, -0.012, 0.005]
    """
    say = progress or (lambda _: None)
    say("reading the log")
    log = read_log(path)
    interval_s = check_sampling(log)
    say("looking for movement")
    check_rest(log, interval_s)
    say("Allan deviation")
    axes = tuple(_axis(log, k, interval_s) for k in range(3))
    x, y, z = axes
    return GyroCalibration(
        source=log.path,
        duration_s=log.duration_s,
        sample_rate_hz=1 / interval_s,
        axes=(x, y, z),
        remarks=_remarks(log, axes),
    )


def axis_noise(rate_rad_s: Array, interval_s: float) -> AxisNoise:
    """Bias and noise terms of one axis.

    Parameters
    ----------
    rate_rad_s
        (n,) evenly sampled at rest, rad/s; at least 60 s.
    interval_s
        Sampling interval, s.
    """
    factors = octaves(len(rate_rad_s), interval_s, max(_SHORTEST_TAU_S, 2 * interval_s))
    tau_s = np.asarray(factors * interval_s, np.float64)
    deviation = overlapping_deviation(rate_rad_s, interval_s, factors)
    duration_s = len(rate_rad_s) * interval_s
    terms = fit_terms(np.square(deviation), tau_s, duration_s)
    noise, instability, walk = (_term(terms, j) for j in range(3))
    return AxisNoise(
        bias_rad_s=float(rate_rad_s.mean()),
        bias_sigma_rad_s=bias_sigma(terms, duration_s),
        noise_rad_s_rthz=noise,
        instability_rad_s=instability,
        walk_rad_s2_rthz=walk,
        tau_s=tau_s,
        deviation_rad_s=deviation,
        deviation_sigma_rad_s=terms.variance_sigma / (2 * deviation),
        fitted_rad_s=np.sqrt(model_variance(terms.squares, tau_s)),
        misfit_p=terms.misfit_p,
    )


def bias_sigma(terms: NoiseTerms, duration_s: float) -> float:
    """Say how far the mean of this log may be from the bias over the next span of the same length.

    Noise averages down over the log, but the bias goes on moving: the mean square between two adjacent means
    is twice the Allan variance, by its definition. One sigma of that variance is added, because the slow
    terms are known from few independent spans. The turn of the Earth is in the mean too, and changes axes
    with the heading.
    """
    row = np.array([1 / duration_s, 2 * FLICKER_FLOOR, 2 * duration_s / 3])
    moved = float(row @ terms.squares) + math.sqrt(float(row @ terms.squares_covariance @ row))
    return math.sqrt(moved + _EARTH_RAD_S**2)


def _axis(log: GyroLog, k: int, interval_s: float) -> AxisNoise:
    axis, key = axis_noise(log.rate_rad_s[:, k], interval_s), f"gyro_{'xyz'[k]}_rad_s"
    _check_fit(log.path, key, axis)
    _check_units(log.path, key, axis.bias_rad_s, axis.noise_rad_s_rthz.value)
    return axis


def _term(terms: NoiseTerms, j: int) -> Term:
    """Take the root of a square; the sigma is half the 95 % band, wider side, which stays honest at zero."""
    square, sigma = float(terms.squares[j]), math.sqrt(float(terms.squares_covariance[j, j]))
    value = math.sqrt(square)
    above = math.sqrt(square + 1.96 * sigma) - value
    below = value - math.sqrt(max(square - 1.96 * sigma, 0.0))
    return Term(value=value, sigma=max(above, below) / 1.96, visible=square > _VISIBLE_SIGMA * sigma)


def _check_fit(path: Path, key: str, axis: AxisNoise) -> None:
    """Vibration is no noise of the gyro: it stands out of the curve at one averaging time."""
    ratio = np.square(axis.deviation_rad_s / axis.fitted_rad_s)
    worst = int(ratio.argmax())
    if axis.misfit_p < _POOR_FIT_P and max(ratio[worst], 1 / ratio.min()) > _POOR_FIT_RATIO:
        problem = (
            f"not the noise of a gyro at rest: its Allan deviation at {axis.tau_s[worst]:.3g} s is"
            f" {math.sqrt(ratio[worst]):.2g} times what white noise, bias instability and random walk"
            " explain; put the module on something soft, away from fans and motors, and let it warm up"
        )
        raise DataError(problem, path=path, key=key)


def _check_units(path: Path, key: str, bias: float, noise: float) -> None:
    if abs(bias) > _LARGEST_BIAS:
        problem = (
            f"a bias of {bias:.3g} rad/s is beyond any gyro at rest; was the module turning, or is the log in deg/s?"
        )
        raise DataError(problem, path=path, key=key)
    if noise > _LARGEST_NOISE:
        problem = f"a noise of {noise:.2g} rad/s/sqrt(Hz) is beyond any gyro at rest; is the log in deg/s?"
        raise DataError(problem, path=path, key=key)


def _remarks(log: GyroLog, axes: tuple[AxisNoise, ...]) -> tuple[str, ...]:
    remarks = []
    hidden = [n for n, axis in zip("xyz", axes, strict=True) if not axis.instability_rad_s.visible]
    if hidden:
        short = log.duration_s < 0.95 * ADVISED_S
        minutes = log.duration_s / 60
        advice = f"; log {ADVISED_S / 60:.0f} minutes to see more of it" if short else ""
        remarks.append(
            f"bias instability about {', '.join(hidden)}: hidden by the noise in {minutes:.1f} minutes;"
            f" the file holds the likeliest value and a sigma that reaches its upper limit{advice}"
        )
    if any(axis.misfit_p < 1e-3 for axis in axes):
        remarks.append("the noise terms fit loosely, so the sigmas were widened; fans or warming up do this")
    return tuple(remarks)


def _short(value: float, sigma: float | None = None) -> float:
    """Three digits, or down to a hundredth of the sigma: nobody can read more out of it."""
    if sigma is None or sigma <= 0:
        return float(f"{value:.3g}")
    return round(value, 2 - math.floor(math.log10(sigma)))
