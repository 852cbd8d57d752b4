"""The sections of a module file: what each key means, its limits and its default.

Every section may carry ``sigma`` (one-sigma of its own keys, same units) and ``provenance``. What a file
leaves out has the default written here; a sigma left out is taken as that of a careful bench calibration, so
that a row's error band is never narrower than the module deserves.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator, model_validator
from scipy.spatial.transform import Rotation

from flow.choices import BEAMS, LENS_MODELS
from flow.module_keys import ALIGNMENT, DATA_SHEET, GYRO, LENS, RANGE, READOUT, RULER, described
from flow.section_sigmas import (
    AlignmentSigma,
    Bias,
    CameraSigma,
    Finite,
    GyroSigma,
    NotNegative,
    Offset,
    Pixels,
    Positive,
    Provenance,
    RangeSigma,
    Section,
    Term,
    Vector,
    VectorSigma,
)

NOMINAL_MOUNTING_WXYZ = (math.sqrt(0.5), 0.0, 0.0, math.sqrt(0.5))
"""Image top = forward: camera x = body y, camera y = -body x, camera z = body z."""

_WIDE, _NARROW = 0.05, 50.0  # focal length over picture size: a fisheye of 220 degrees has 0.26, a spotting scope 30
_FOCAL_RULE = f"{_WIDE:g} to {_NARROW:g} times the larger side of the image"
_CENTRE_RULE = "at most one image size outside the image"


class Camera(Section):
    """Lens and shutter. Pixel (0, 0) is the centre of the first pixel."""

    model: Annotated[
        Literal["pinhole", "fisheye"],
        described("text", "how the lens maps rays to pixels", LENS, values=LENS_MODELS, example="pinhole"),
    ] = "pinhole"
    width_px: Annotated[Pixels, described("px", "width of the stored frames", LENS, example=640)]
    height_px: Annotated[Pixels, described("px", "height of the stored frames", LENS, example=480)]
    fx_px: Annotated[
        Positive,
        described("px", "focal length along the image's rows", LENS, axes="camera", rule=_FOCAL_RULE, example=531.2),
    ]
    fy_px: Annotated[
        Positive,
        described("px", "focal length along the image's columns", LENS, axes="camera", rule=_FOCAL_RULE, example=531.9),
    ]
    cx_px: Annotated[
        Finite,
        described(
            "px", "principal point, column; 0 is the centre of the first pixel", LENS, rule=_CENTRE_RULE, example=322.4
        ),
    ]
    cy_px: Annotated[
        Finite,
        described(
            "px", "principal point, row; 0 is the centre of the first pixel", LENS, rule=_CENTRE_RULE, example=236.8
        ),
    ]
    distortion: Annotated[
        tuple[Term, ...],
        described(
            "1",
            "distortion: k1 k2 p1 p2 k3 (pinhole) or k1 k2 k3 k4 (fisheye)",
            LENS,
            left_out="no distortion",
            rule="5 terms (pinhole) or 4 (fisheye), or none",
            example=[-0.28, 0.09, 0.0004, -0.0003, 0.0],
        ),
    ] = ()
    readout_s: Annotated[
        float,
        Field(strict=True, ge=0, le=0.2),
        described("s", "rolling-shutter time over all rows; 0 = global shutter", READOUT, example=0.014),
    ] = 0.0
    sigma: CameraSigma = CameraSigma()
    provenance: Provenance = Field(default_factory=dict)

    @model_validator(mode="after")
    def _plausible(self) -> Camera:
        terms = 5 if self.model == "pinhole" else 4
        if len(self.distortion) not in (0, terms):
            raise ValueError(f"distortion: a {self.model} lens has {terms} terms, found {len(self.distortion)}")
        if not (-self.width_px < self.cx_px < 2 * self.width_px and -self.height_px < self.cy_px < 2 * self.height_px):
            raise ValueError(f"cx_px, cy_px: ({self.cx_px}, {self.cy_px}) is far outside the image")
        size_px = max(self.width_px, self.height_px)
        if not all(_NARROW > f / size_px > _WIDE for f in (self.fx_px, self.fy_px)):
            raise ValueError(f"fx_px, fy_px: ({self.fx_px:g}, {self.fy_px:g}) is no lens for {size_px} px")
        return self

    @property
    def matrix(self) -> NDArray[np.float64]:
        """Camera matrix K, 3 x 3, px."""
        return np.array([[self.fx_px, 0, self.cx_px], [0, self.fy_px, self.cy_px], [0, 0, 1.0]])

    @property
    def distortion_terms(self) -> NDArray[np.float64]:
        """Distortion, 5 (pinhole) or 4 (fisheye) terms; zeros when the file has none."""
        terms = 5 if self.model == "pinhole" else 4
        return np.array(self.distortion or (0.0,) * terms)

    @property
    def focal_sigma(self) -> NDArray[np.float64]:
        """Relative one-sigma of fx and fy."""
        fx = 2e-4 if self.sigma.fx_px is None else self.sigma.fx_px / self.fx_px
        fy = 2e-4 if self.sigma.fy_px is None else self.sigma.fy_px / self.fy_px
        return np.array([fx, fy])


@lru_cache(maxsize=8)
def _rotation(wxyz: tuple[float, float, float, float]) -> Rotation:
    """Make a rotation that is asked for five times a frame; SciPy's checks take a while, and it does not change."""
    return Rotation.from_quat(wxyz, scalar_first=True)


class Alignment(Section):
    """Where the camera sits, how it is turned, how late its clock is."""

    camera_to_body_wxyz: Annotated[
        tuple[Finite, Finite, Finite, Finite],
        described(
            "1",
            "rotation that turns camera vectors into body vectors, a unit quaternion w x y z",
            ALIGNMENT,
            axes="body",
            rule="length 1, to 1 %",
            left_out="image top = forward: 0.7071, 0, 0, 0.7071",
            example=[0.7071, 0.0, 0.0, 0.7071],
        ),
    ] = NOMINAL_MOUNTING_WXYZ
    camera_position_m: Annotated[
        Vector,
        described("m", "where the camera sits, from the body origin", RULER, axes="body", example=[0.03, -0.01, 0.02]),
    ] = (0.0, 0.0, 0.0)
    time_offset_s: Annotated[
        Offset, described("s", "camera time + time_offset_s = gyro time", ALIGNMENT, example=0.006)
    ] = 0.0
    sigma: AlignmentSigma = AlignmentSigma()
    provenance: Provenance = Field(default_factory=dict)

    @field_validator("camera_to_body_wxyz")
    @classmethod
    def _unit(cls, q: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
        norm = math.hypot(*q)
        if abs(norm - 1) > 0.01:
            raise ValueError(f"a unit quaternion (w, x, y, z) is expected, this one has length {norm:.4g}")
        return (q[0] / norm, q[1] / norm, q[2] / norm, q[3] / norm)

    @property
    def R_body_camera(self) -> Rotation:
        """Turns camera vectors into body vectors."""
        return _rotation(self.camera_to_body_wxyz)

    @property
    def rotation_sigma_rad(self) -> NDArray[np.float64]:
        """One-sigma of the mounting as a small turn about body x, y, z, rad."""
        if self.sigma.camera_to_body_rad is not None:
            return np.array(self.sigma.camera_to_body_rad)
        if self.sigma.camera_to_body_wxyz is None:
            return np.full(3, 2e-4)
        w, x, y, z = self.camera_to_body_wxyz
        # q' = dq q with dq = (1, theta / 2), hence theta = 2 (dq' q*)_xyz, linear in the four numbers.
        J = 2 * np.array([[-x, w, -z, y], [-y, z, w, -x], [-z, -y, x, w]])
        return np.asarray(np.sqrt(J**2 @ np.square(self.sigma.camera_to_body_wxyz)))


class Gyro(Section):
    """Bias (subtracted from the log) and noise of the gyro."""

    bias_rad_s: Annotated[
        tuple[Bias, Bias, Bias],
        described("rad/s", "bias, subtracted from gyro.csv", GYRO, axes="body", example=[0.008, -0.012, 0.005]),
    ] = (0.0, 0.0, 0.0)
    noise_rad_s_rthz: Annotated[
        NotNegative | VectorSigma,
        described(
            "rad/s/√Hz",
            "noise density (angle random walk, IEEE 952), one number or one an axis; a sample's one-sigma is "
            "this times the root of the rate",
            GYRO,
            axes="body",
            example=1.2e-4,
        ),
    ] = 1.5e-4
    bias_instability_rad_s: Annotated[
        VectorSigma | None,
        described(
            "rad/s",
            "bias instability (IEEE 952): the flat part of the Allan deviation",
            GYRO,
            axes="body",
            left_out="not known",
            example=[6e-5, 5e-5, 6e-5],
        ),
    ] = None
    sigma: GyroSigma = GyroSigma()
    provenance: Provenance = Field(default_factory=dict)

    @property
    def noise_per_axis(self) -> NDArray[np.float64]:
        """Angle random walk about body x, y, z, rad/s/sqrt(Hz)."""
        return np.broadcast_to(np.asarray(self.noise_rad_s_rthz, float), (3,)).copy()


class Range(Section):
    """The height ranger: distance = scale * range_m + offset_m.

    ``assumed_air_temperature_c``, for ultrasonic sensors only, is the air in which that holds: for which the sensor
    converts echo time to distance, or in which it was calibrated. ``air_dependent`` left out: a wide beam, and one with an
    assumed air, is taken to be sound, any other to be light. Say false for a radar, and for an ultrasonic sensor
    that measures the air itself. See :mod:`flow.air` for what is done where a temperature is missing.
    """

    beam: Annotated[
        Literal["wide", "narrow"],
        described("text", "which distance the sensor gives", DATA_SHEET, values=BEAMS, example="wide"),
    ] = "wide"
    scale: Annotated[
        float,
        Field(strict=True, gt=0.1, lt=10),
        described("1", "distance = scale * range_m + offset_m", RANGE, example=1.004),
    ] = 1.0
    offset_m: Annotated[
        float,
        Field(strict=True, ge=-10, le=10),
        described("m", "distance = scale * range_m + offset_m", RANGE, example=-0.012),
    ] = 0.0
    noise_m: Annotated[NotNegative, described("m", "one-sigma of a single reading", RANGE, example=0.005)] = 0.01
    time_offset_s: Annotated[
        Offset,
        described(
            "s", "range.csv time + time_offset_s = gyro time", "`groundpace check` says when it is off", example=0.0
        ),
    ] = 0.0
    position_m: Annotated[
        Vector,
        described("m", "where the sensor sits, from the body origin", RULER, axes="body", example=[-0.02, 0.0, 0.015]),
    ] = (0.0, 0.0, 0.0)
    min_m: Annotated[
        NotNegative, described("m", "least distance it measures", DATA_SHEET, rule="below max_m", example=0.1)
    ] = 0.1
    max_m: Annotated[Positive, described("m", "largest distance it measures", DATA_SHEET, example=8.0)] = 10.0
    assumed_air_temperature_c: Annotated[
        Annotated[float, Field(strict=True, ge=-60, le=80)] | None,
        described(
            "°C",
            "only for ultrasonic sensors: the air temperature in which distance = scale * range_m + offset_m holds",
            "`groundpace calibrate range --air`; or the sensor's data sheet: the air for which it converts echo time",
            left_out="unknown: 20 ± 10 °C where the reading changes with the air's temperature",
            example=20.0,
        ),
    ] = None
    air_dependent: Annotated[
        Annotated[bool, Field(strict=True)] | None,
        described(
            "true or false",
            "whether a reading changes with the air's temperature, as that of an ultrasonic sensor does",
            DATA_SHEET,
            left_out="true for a wide beam and where assumed_air_temperature_c is given, otherwise false; say false for a "
            "radar, and for an ultrasonic sensor that measures the air itself",
            example=None,
        ),
    ] = None
    sigma: RangeSigma = RangeSigma()
    provenance: Provenance = Field(default_factory=dict)

    @model_validator(mode="after")
    def _ordered(self) -> Range:
        if self.min_m >= self.max_m:
            raise ValueError(f"min_m: {self.min_m} is not below max_m {self.max_m}")
        if self.air_dependent is False and self.assumed_air_temperature_c is not None:
            raise ValueError("air_dependent: false, yet assumed_air_temperature_c is given; take one of them out")
        return self

    @property
    def is_air_dependent(self) -> bool:
        """Whether a reading changes with the air's temperature, as that of an ultrasonic sensor does."""
        if self.air_dependent is not None:
            return self.air_dependent
        return self.beam == "wide" or self.assumed_air_temperature_c is not None
