"""What the sections of a module file are built of: types of values with their limits, and the one-sigma of each section."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from flow.module_keys import described

# Strict: neither `true` nor '531' is a number.
Finite = Annotated[float, Field(strict=True, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(strict=True, ge=0, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, gt=0, allow_inf_nan=False)]
Pixels = Annotated[int, Field(strict=True, ge=16, le=16384)]
Bias = Annotated[float, Field(strict=True, ge=-1, le=1)]
# A clock of this century lies 2e9 s from one of power-on.
Offset = Annotated[float, Field(strict=True, ge=-1e10, le=1e10)]
Term = Annotated[float, Field(strict=True, ge=-1e6, le=1e6)]
Vector = tuple[Finite, Finite, Finite]
VectorSigma = tuple[NotNegative, NotNegative, NotNegative]
Origin = dict[str, str | int | float | bool]
Provenance = Annotated[
    Origin,
    described(
        "text",
        "where the section comes from: when, from which file (SHA-256), by which version, with which residual",
        "written by the calibration",
        example=None,
    ),
]


_SIGMA = "written by the calibration; by hand: how far off the value may be, one-sigma"
_RULER_SIGMA = "how well you read the ruler, one-sigma"


class Section(BaseModel):
    """A section: unknown keys are refused, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class CameraSigma(Section):
    """One-sigma of the lens. Left out: 0.02 % of the focal length, 1 px of the principal point."""

    fx_px: Annotated[
        NotNegative | None, described("px", "one-sigma of fx_px", _SIGMA, left_out="0.02 % of fx_px", example=0.11)
    ] = None
    fy_px: Annotated[
        NotNegative | None, described("px", "one-sigma of fy_px", _SIGMA, left_out="0.02 % of fy_px", example=0.11)
    ] = None
    cx_px: Annotated[NotNegative, described("px", "one-sigma of cx_px", _SIGMA, example=0.4)] = 1.0
    cy_px: Annotated[NotNegative, described("px", "one-sigma of cy_px", _SIGMA, example=0.4)] = 1.0
    distortion: Annotated[
        tuple[NotNegative, ...],
        described(
            "1",
            "one-sigma of each distortion term",
            _SIGMA,
            left_out="no error",
            example=[0.001, 0.004, 1e-4, 1e-4, 0.0],
        ),
    ] = ()
    readout_s: Annotated[NotNegative, described("s", "one-sigma of readout_s", _SIGMA, example=1e-4)] = 0.0


class AlignmentSigma(Section):
    """One-sigma of the mounting. Left out: 0.2 mrad an axis, 0.05 ms, 0.5 mm.

    ``camera_to_body_rad`` is the small turn about body x, y, z that the quaternion may be wrong by;
    ``camera_to_body_wxyz`` (its four numbers) is understood too.
    """

    camera_to_body_rad: Annotated[
        VectorSigma | None,
        described(
            "rad",
            "one-sigma of the camera's rotation, as a small turn about each axis",
            _SIGMA,
            axes="body",
            left_out="0.2 mrad about each axis",
            example=[3e-4, 3e-4, 2e-4],
        ),
    ] = None
    camera_to_body_wxyz: Annotated[
        tuple[NotNegative, NotNegative, NotNegative, NotNegative] | None,
        described(
            "1",
            "one-sigma of the quaternion's four numbers, in place of camera_to_body_rad",
            _SIGMA,
            left_out="camera_to_body_rad counts",
            example=None,
        ),
    ] = None
    camera_position_m: Annotated[
        VectorSigma,
        described("m", "one-sigma of camera_position_m", _RULER_SIGMA, axes="body", example=[1e-3, 1e-3, 1e-3]),
    ] = (5e-4, 5e-4, 5e-4)
    time_offset_s: Annotated[NotNegative, described("s", "one-sigma of time_offset_s", _SIGMA, example=5e-5)] = 5e-5


class GyroSigma(Section):
    """One-sigma of the gyro's figures. Left out: a bias known to 0.2 mrad/s."""

    bias_rad_s: Annotated[
        VectorSigma, described("rad/s", "one-sigma of bias_rad_s", _SIGMA, axes="body", example=[1e-4, 1e-4, 1e-4])
    ] = (2e-4, 2e-4, 2e-4)
    noise_rad_s_rthz: Annotated[
        NotNegative | VectorSigma,
        described("rad/s/√Hz", "one-sigma of noise_rad_s_rthz", _SIGMA, axes="body", example=2e-6),
    ] = 0.0
    bias_instability_rad_s: Annotated[
        VectorSigma,
        described("rad/s", "one-sigma of bias_instability_rad_s", _SIGMA, axes="body", example=[1e-5, 1e-5, 1e-5]),
    ] = (0.0, 0.0, 0.0)


class RangeSigma(Section):
    """One-sigma of the range figures. Left out: 0.02 % of scale, no offset error."""

    scale: Annotated[NotNegative, described("1", "one-sigma of scale", _SIGMA, example=5e-4)] = 2e-4
    offset_m: Annotated[NotNegative, described("m", "one-sigma of offset_m", _SIGMA, example=0.001)] = 0.0
    noise_m: Annotated[NotNegative, described("m", "one-sigma of noise_m", _SIGMA, example=2e-4)] = 0.0
    time_offset_s: Annotated[NotNegative, described("s", "one-sigma of time_offset_s", _SIGMA, example=0.002)] = 0.0
    position_m: Annotated[
        VectorSigma, described("m", "one-sigma of position_m", _RULER_SIGMA, axes="body", example=[1e-3, 1e-3, 1e-3])
    ] = (0.0, 0.0, 0.0)
