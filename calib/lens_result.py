"""What a lens calibration gives: parameters with sigma, residuals, coverage, and what to do better."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.boards import BoardKind
from calib.bundle import Array, Model
from calib.frames import LeftOut
from calib.provenance import provenance


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewResult:
    """One view of the calibration.

    Attributes
    ----------
    rms_px, held_out_rms_px
        Residual under the lens fitted with this view, and under one fitted without it.
    tilt_rad, distance_m
        Angle between the board's normal and the optical axis; distance of its first point.
    pixels, residuals_px
        (N, 2) where the points were seen, and by how much the prediction misses them (seen minus predicted).
    """

    name: str
    rms_px: float
    held_out_rms_px: float
    tilt_rad: float
    distance_m: float
    pixels: Array
    residuals_px: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class LensCalibration:
    """What pictures of a board say about a lens.

    Attributes
    ----------
    distortion
        k1 k2 p1 p2 k3 (pinhole) or k1 k2 k3 k4 (fisheye).
    fx_sigma_px, ..., distortion_sigma
        One-sigma, from the covariance of the fit scaled by the residual.
    rms_px, held_out_rms_px
        Residual of the fit, and of views that had no part in the fit (five groups left out in turn).
    refinement, refinement_scores_px
        The corner refinement used, and the held-out residual of each that was tried.
    view_disagreement
        By how much the sigmas were widened because corners of one picture err together (1: not at all).
    coverage
        (rows, columns) corners in each cell of the picture.
    views, left_out
        The views used, and those not used with the reason.
    remarks
        What to know or to do better, one sentence each.
    """

    source: Path
    board: BoardKind
    model: Model
    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    distortion: tuple[float, ...]
    fx_sigma_px: float
    fy_sigma_px: float
    cx_sigma_px: float
    cy_sigma_px: float
    distortion_sigma: tuple[float, ...]
    rms_px: float
    held_out_rms_px: float
    refinement: str
    refinement_scores_px: Mapping[str, float]
    view_disagreement: float
    coverage: NDArray[np.intp]
    views: tuple[ViewResult, ...]
    left_out: tuple[LeftOut, ...]
    remarks: tuple[str, ...]

    @property
    def focal_sigma(self) -> float:
        """Relative one-sigma of the focal length, the larger of x and y; speed carries the same."""
        return max(self.fx_sigma_px / self.fx_px, self.fy_sigma_px / self.fy_px)

    @property
    def meaning(self) -> str:
        """What the leftover uncertainty does to speed, in one sentence."""
        share = f"±{100 * self.focal_sigma:.2g} %"
        return f"focal length {share} = speed {share} (one sigma)"

    def section(self) -> dict[str, Any]:
        """Values of the module file's ``camera`` section, with sigma and provenance; not ``readout_s``."""
        residual: dict[str, str | int | float | bool] = {
            "rms_px": self.rms_px,
            "held_out_rms_px": self.held_out_rms_px,
            "views": len(self.views),
            "board": str(self.board),
            "corners": self.refinement,
        }
        return {
            "model": self.model,
            "width_px": self.width_px,
            "height_px": self.height_px,
            **{key: round(getattr(self, key), 4) for key in ("fx_px", "fy_px", "cx_px", "cy_px")},
            "distortion": [round(term, 8) for term in self.distortion],
            "sigma": {
                **{f"{key}_px": _rounded(getattr(self, f"{key}_sigma_px")) for key in ("fx", "fy", "cx", "cy")},
                "distortion": [_rounded(sigma) for sigma in self.distortion_sigma],
            },
            "provenance": provenance(self.source, residual),
        }


def _rounded(sigma: float) -> float:
    return float(f"{sigma:.3g}")
