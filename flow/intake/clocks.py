"""Frames and gyro on one clock: found from what both say about turning, or refused with the reason."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.camera import Lens
from flow.errors import DataError
from flow.figures import with_sigma
from flow.intake.axes import R_body_log, axes_text, nearest_axes
from flow.intake.clock_fit import ClockFit, fit_clock
from flow.intake.clock_search import SHORTEST_S, CoarseOffset, find_offset
from flow.intake.log_times import pace
from flow.intake.picture_rates import Picture, picture_rates
from flow.intake.units import FACTORS
from flow.module import Module
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

_LEAST_EXPLAINED = 0.5  # chance reaches 0.49 in 12 s of slow turning by hand
_LEAST_LEAD = 40.0  # natural logarithm; 36 unrelated motions of up to ten minutes reached 14, right ones pass 200
_RIVAL = 1.3  # times the misfit of the best that the second best must have
_LEAST_RAD_S = 0.01
_OTHER_SCALE = 0.35  # of a natural logarithm off a wrong unit's factor
_WRONG_SCALE = (0.4, 2.5)
_AXES_RAD = np.radians(35.0)  # translation turns the fit by some degrees; half-way between two axes is 45
_WIDEST_S = 3e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockMatch:
    """What the search found.

    ``axes`` are those of the log that fit the picture (as given where they were). ``times_s`` (N,) are frame times to
    store: plus ``module_offset_s``, which the module file has and a measurement adds, they are on the gyro's clock.
    """

    fit: ClockFit
    coarse: CoarseOffset
    axes: str
    times_s: Array
    module_offset_s: float

    def tree(self) -> dict[str, Any]:
        """Plain values for ``import.yaml``."""
        return {
            "camera_to_gyro_s": round(self.fit.offset_s, 7),
            "at_camera_s": round(self.fit.middle_s, 3),
            "drift_ppm": round(1e6 * self.fit.drift, 2),
            "drift_sigma_ppm": round(1e6 * self.fit.drift_sigma, 2),
            "module_time_offset_s": self.module_offset_s,
            "sigma_s": float(f"{self.fit.sigma_s:.3g}"),
            "explained": round(self.coarse.explained, 4),
            "second_best_explained": round(self.coarse.rival_explained, 4),
        }

    def __str__(self) -> str:
        fit, coarse = self.fit, self.coarse
        offset = f"camera time {with_sigma(fit.offset_s, fit.sigma_s, signed=True)} s = gyro time"
        ppm = with_sigma(1e6 * fit.drift, 1e6 * fit.drift_sigma, "ppm", signed=True)
        drift = f"drift {ppm}" if fit.drift else "no significant drift"
        share = f"the gyro explains {100 * coarse.explained:.1f} % of the image rotation"
        second = f", {100 * max(coarse.rival_explained, 0):.0f} % at the second best offset ({coarse.rival_s:+.2f} s)"
        return f"{offset}; {drift}; {share}{second if np.isfinite(coarse.rival_s) else ''}"


def match_clocks(
    pictures: Iterable[Picture],
    times_s: Array,
    gyro: GyroSamples,
    module: Module,
    *,
    axes: str | None,
    video_path: Path,
    gyro_path: Path,
    progress: Callable[[], None] | None = None,
) -> ClockMatch:
    """Find the offset and drift between the clocks of frames and gyro.

    Parameters
    ----------
    pictures, times_s
        Grey pictures and their times (N,), camera's clock.
    gyro
        In body axes by ``axes``; as logged where ``axes`` is None, which then are found too.
    module
        Lens and rough mounting.
    axes
        As :func:`flow.intake.axes.R_body_log` reads them.
    video_path, gyro_path
        For the messages.
    progress
        Called once a frame.

    Raises
    ------
    DataError
        Too little in common, too little turning, motions that do not agree or repeat themselves, a mirrored, wrongly
        scaled or wrongly turned gyro: says what to type.
    """
    rates = picture_rates(pictures, times_s, Lens(module.camera), progress)
    if len(rates.known) < 10:
        raise DataError(
            f"its frames are too far apart to estimate the camera rotation: {pace(times_s)}", path=video_path
        )
    if rates.known.sum() < 10:
        raise DataError("shows too little texture to estimate the camera rotation", path=video_path)
    coarse = find_offset(rates, gyro)
    if coarse is None:
        lengths = f"the video lasts {np.ptp(times_s):.1f} s, the log {np.ptp(gyro.time_s):.1f} s"
        raise DataError(f"{lengths}: {SHORTEST_S:g} s in common are needed to match their clocks", path=gyro_path)
    _check_match(coarse, gyro_path)
    found = _check_axes(coarse, module, axes, gyro_path)
    turn = R_body_log(found) if axes is None else np.eye(3)
    accel = None if gyro.accel_m_s2 is None else gyro.accel_m_s2 @ turn.T
    turned = GyroSamples(time_s=gyro.time_s, rate_rad_s=gyro.rate_rad_s @ turn.T, accel_m_s2=accel)
    fit = fit_clock(rates, turned, module, coarse.offset_s)
    if fit is None or fit.sigma_s > _WIDEST_S:
        known = "does not settle" if fit is None else f"is known to {1e3 * fit.sigma_s:.1f} ms only"
        problem = f"the clock offset of about {coarse.offset_s:.2f} s {known}; rock the craft about roll and pitch"
        raise DataError(f"{problem} for some seconds of the recording, or give --clock SECONDS", path=gyro_path)
    offset_s = module.alignment.time_offset_s
    stored_s = np.asarray(fit.gyro_time_s(times_s) - offset_s)
    return ClockMatch(fit=fit, coarse=coarse, axes=found, times_s=stored_s, module_offset_s=offset_s)


def _check_match(coarse: CoarseOffset, path: Path) -> None:
    picture, gyro = np.degrees(coarse.picture_rad_s), np.degrees(coarse.gyro_rad_s)
    turning = f"the image rotates at {picture:.2g} deg/s RMS, the gyro at {gyro:.2g}"
    remedy = "rock the craft by hand for ten seconds, irregularly, and record that; or give --clock SECONDS"
    unlikely = coarse.explained < _LEAST_EXPLAINED or coarse.lead < _LEAST_LEAD
    if unlikely and min(coarse.picture_rad_s, coarse.gyro_rad_s) < _LEAST_RAD_S:
        raise DataError(f"hardly any turning to match clocks by: {turning}; {remedy}", path=path)
    if coarse.explained < _LEAST_EXPLAINED:
        best = f"even at the best offset ({coarse.offset_s:.2f} s) it explains {100 * coarse.explained:.0f} %"
        problem = f"does not rotate as the image does: {best} of the image rotation"
        raise DataError(f"{problem} ({turning}); is it the log of this video? else {remedy}", path=path)
    if unlikely or 1 - coarse.rival_explained < _RIVAL * (1 - coarse.explained) + 0.02:
        both = f"{coarse.offset_s:.2f} s ({100 * coarse.explained:.0f} % explained)"
        other = f"{coarse.rival_s:.2f} s ({100 * coarse.rival_explained:.0f} %)"
        problem = (
            f"the clock offset is not observable from this motion: offsets of {both} and {other} fit too much alike"
        )
        raise DataError(f"{problem}; {remedy}", path=path)


def _check_axes(coarse: CoarseOffset, module: Module, axes: str | None, path: Path) -> str:
    """Give the axes that fit the picture; refuse those given where others do."""
    if coarse.mirrored:
        problem = "rotates as the mirror image of what the video shows: the sign of one axis, or of all three, is wrong"
        raise DataError(f"{problem}; turn it with a minus before the column (--map gyro=X,Y,-Z:UNIT)", path=path)
    _check_scale(coarse, path)
    nearest, away_rad = nearest_axes(module.alignment.R_body_camera.as_matrix() @ coarse.R_camera_gyro)
    if not coarse.second_axis:
        if axes is None:
            raise DataError(
                "rotates about one axis only, from which its axes are not observable; give --axes", path=path
            )
        return axes
    if away_rad > _AXES_RAD:
        problem = f"its axes stand {np.degrees(away_rad):.0f} degrees away from any right-angled mounting"
        raise DataError(f"{problem}; is alignment.camera_to_body_wxyz of the module right?", path=path)
    found = axes_text(nearest @ (np.eye(3) if axes is None else R_body_log(axes)))
    if axes is not None and not np.allclose(nearest, np.eye(3)):
        problem = f"with axes {axes!r} it rotates about other axes than the image does"
        raise DataError(f"{problem}; is it --axes '{found}', or is the module mounted otherwise?", path=path)
    return found


def _check_scale(coarse: CoarseOffset, path: Path) -> None:
    low, high = _WRONG_SCALE
    if low < coarse.scale < high:
        return
    factors = FACTORS["turn rate"]
    units = [
        f"{ours} and not {theirs}"
        for theirs, read in factors.items()
        for ours, true in factors.items()
        if ours != theirs and abs(np.log(coarse.scale / (true / read))) < _OTHER_SCALE
    ]
    meant = f"is it in {units[0]}?" if units else "is its unit right?"
    problem = f"turns at {1 / coarse.scale:.3g} times the rate that the video shows; {meant}"
    raise DataError(f"{problem} say with --map gyro=X,Y,Z:UNIT, and check the lens", path=path)
