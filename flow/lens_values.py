"""The lens of another program's calibration as values of our ``camera`` section, and back.

The names are those of the open camera-info layout: ``plumb_bob`` is our pinhole (Brown-Conrady, k1 k2 p1 p2 k3),
``equidistant`` our fisheye (Kannala-Brandt, k1 k2 k3 k4). Pixel (0, 0) is the centre of the first pixel there
as here, so that a principal point is carried over as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from flow.errors import DataError
from flow.sections import Camera

Array: TypeAlias = NDArray[np.float64]

LAYOUT_NAME = {"pinhole": "plumb_bob", "fisheye": "equidistant"}
"""Our model to the name that the camera-info layout gives it."""

FISHEYE_NAMES = ("equidistant", "fisheye")
"""What other programs call it."""

_PINHOLE_NAMES = ("plumb_bob", "rational_polynomial")
_PINHOLE_TERMS = 5
_FISHEYE_TERMS = 4
_TINY = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeignLens:
    """A lens as another layout holds it.

    ``distortion_model`` is a name of the camera-info layout; ``matrix`` (3, 3) is K, px. ``rectification``
    (3, 3) and ``projection`` (3, 4) describe a rectified picture; None where the layout has none.
    """

    path: Path
    width_px: int
    height_px: int
    distortion_model: str
    distortion: Sequence[float]
    matrix: Array
    rectification: Array | None = None
    projection: Array | None = None


def camera_values(lens: ForeignLens, *, rectified: bool = False) -> tuple[dict[str, Any], list[str]]:
    """Give the lens as values of a ``camera`` section, and what to know about them.

    Parameters
    ----------
    lens
        As read.
    rectified
        The pictures are the rectified ones: their lens is the left part of ``projection``, without distortion.

    Returns
    -------
    ``model``, ``width_px``, ``height_px``, ``fx_px``, ``fy_px``, ``cx_px``, ``cy_px``, ``distortion``; and remarks, a
    sentence each.

    Raises
    ------
    DataError
        A model or term that ours cannot express, skew, or a camera that was never calibrated.
    """
    remarks: list[str] = []
    if rectified:
        if lens.projection is None:
            raise DataError("missing; it is the lens of a rectified image", path=lens.path, key="projection_matrix")
        model, terms, matrix = "pinhole", [0.0] * _PINHOLE_TERMS, lens.projection[:, :3]
        remarks.append("the images are rectified: their lens is that of projection_matrix, without distortion")
    else:
        model, terms, matrix = *_terms(lens), lens.matrix
        if _describes_another_picture(lens):
            remarks.append(
                "rectification and projection belong to rectified images and are left out: groundpace takes raw ones"
            )
    _check_matrix(matrix, lens.path)
    values: dict[str, Any] = {
        "model": model,
        "width_px": int(lens.width_px),
        "height_px": int(lens.height_px),
        "fx_px": float(matrix[0, 0]),
        "fy_px": float(matrix[1, 1]),
        "cx_px": float(matrix[0, 2]),
        "cy_px": float(matrix[1, 2]),
        "distortion": terms,
    }
    try:
        Camera(**values)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"]) or None
        problem = first["msg"].removeprefix("Value error, ").replace("Input should be", "should be")
        raise DataError(problem, path=lens.path, key=key) from None
    return values, remarks


def _terms(lens: ForeignLens) -> tuple[str, list[float]]:
    """Name our model and give its distortion terms."""
    name, given = lens.distortion_model, [float(term) for term in lens.distortion]
    if name in FISHEYE_NAMES:
        if len(given) not in (0, _FISHEYE_TERMS):
            raise _wrong_count(lens, f"{_FISHEYE_TERMS} terms k1 k2 k3 k4")
        return "fisheye", given or [0.0] * _FISHEYE_TERMS
    if name not in _PINHOLE_NAMES and (name or any(given)):
        known = "plumb_bob, rational_polynomial and equidistant"
        problem = f"{name!r} is unknown; {known} can be taken over: calibrate with one of them"
        raise DataError(problem, path=lens.path, key="distortion_model")
    if len(given) not in (0, 4, 5, 8, 12, 14):
        raise _wrong_count(lens, "4 or 5 terms k1 k2 p1 p2 k3")
    higher = [abs(term) for term in given[_PINHOLE_TERMS:]]
    if any(term > _TINY for term in higher):
        problem = f"{name} has terms beyond k1 k2 p1 p2 k3 that are not 0; calibrate with the five-term model"
        raise DataError(problem, path=lens.path, key="distortion_coefficients")
    return "pinhole", (given + [0.0] * _PINHOLE_TERMS)[:_PINHOLE_TERMS]


def _wrong_count(lens: ForeignLens, expected: str) -> DataError:
    problem = f"{len(lens.distortion)} terms for {lens.distortion_model}, which has {expected}"
    return DataError(problem, path=lens.path, key="distortion_coefficients")


def _check_matrix(matrix: Array, path: Path) -> None:
    if not matrix.any():
        raise DataError("is all 0: this camera was never calibrated", path=path, key="camera_matrix")
    if abs(matrix[0, 1]) > _TINY * abs(matrix[0, 0]):
        problem = f"has a skew of {matrix[0, 1]:.6g} px, which our model has not; calibrate without skew"
        raise DataError(problem, path=path, key="camera_matrix")
    if not np.allclose(matrix[[1, 2, 2, 2], [0, 0, 1, 2]], [0, 0, 0, 1], rtol=0, atol=_TINY):
        raise DataError("is not of the form fx 0 cx, 0 fy cy, 0 0 1", path=path, key="camera_matrix")


def _describes_another_picture(lens: ForeignLens) -> bool:
    """Whether rectification or projection say more than ``camera_matrix`` does."""
    turned = lens.rectification is not None and not np.allclose(lens.rectification, np.eye(3))
    plain = np.column_stack([lens.matrix, np.zeros(3)])
    return turned or (lens.projection is not None and not np.allclose(lens.projection, plain))
