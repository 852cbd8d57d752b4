"""The sections of a module file: what each key means, its limits and its default.

Every section may carry ``sigma`` (one-sigma of its own keys, same units) and ``provenance``. What a file
leaves out has the default written here; a sigma left out is taken as that of a careful bench calibration, so
that a row's error band is never narrower than the module deserves.
"""

from __future__ import annotations

import difflib
import math
from functools import lru_cache
from typing import Annotated, Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator
from scipy.spatial.transform import Rotation

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
Provenance = dict[str, str | int | float | bool]

NOMINAL_MOUNTING_WXYZ = (math.sqrt(0.5), 0.0, 0.0, math.sqrt(0.5))
"""Image top = forward: camera x = body y, camera y = -body x, camera z = body z."""

_NEAR, _SURELY_NEAR = 0.6, 0.8  # of difflib's ratio: its own cutoff, and a slip of a letter or two
_WIDE, _NARROW = 0.05, 50.0  # focal length over picture size: a fisheye of 220 degrees has 0.26, a spotting scope 30


class Section(BaseModel):
    """A section: unknown keys are refused, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def unknown_key(kind: type[BaseModel], loc: tuple[int | str, ...]) -> str:
    """Say which keys are near the last of ``loc``, which the section that the others lead to does not have.

    Parameters
    ----------
    kind
        The whole file.
    loc
        Keys from the top down, as pydantic gives them.

    Examples
    --------
    >>> unknown_key(Camera, ("sigma", "fx"))
    'unknown key; did you mean fx_px?'
    """
    top, wrong = kind, str(loc[-1])
    for part in loc[:-1]:
        field = kind.model_fields.get(str(part))
        inner = None if field is None else _section_of(field.annotation)
        kind = kind if inner is None else inner
    known = list(kind.model_fields)
    near = difflib.get_close_matches(wrong, known, 3, _NEAR) or [name for name in known if name.startswith(f"{wrong}_")]
    if near:
        return f"unknown key; did you mean {' or '.join(near)}?"
    for name, field in top.model_fields.items():
        inner = _section_of(field.annotation)
        if inner is not None and (found := difflib.get_close_matches(wrong, inner.model_fields, 1, _SURELY_NEAR)):
            return f"unknown key here; did you mean {name}.{found[0]}?"
    return f"unknown key; known here are {', '.join(known)}"


def _section_of(annotation: Any) -> type[BaseModel] | None:
    """Find the section among the choices of a field's type."""
    for choice in (annotation, *get_args(annotation)):
        if isinstance(choice, type) and issubclass(choice, BaseModel):
            return choice
    return None


class CameraSigma(Section):
    """One-sigma of the lens. Left out: 0.02 % of the focal length, 1 px of the principal point."""

    fx_px: NotNegative | None = None
    fy_px: NotNegative | None = None
    cx_px: NotNegative = 1.0
    cy_px: NotNegative = 1.0
    distortion: tuple[NotNegative, ...] = ()
    readout_s: NotNegative = 0.0


class Camera(Section):
    """Lens and shutter. Pixel (0, 0) is the centre of the first pixel."""

    model: Literal["pinhole", "fisheye"] = "pinhole"
    width_px: Pixels
    height_px: Pixels
    fx_px: Positive
    fy_px: Positive
    cx_px: Finite
    cy_px: Finite
    distortion: tuple[Term, ...] = ()
    readout_s: Annotated[float, Field(strict=True, ge=0, le=0.2)] = 0.0
    sigma: CameraSigma = CameraSigma()
    provenance: Provenance = {}

    @model_validator(mode="after")
    def _plausible(self) -> Camera:
        terms = 5 if self.model == "pinhole" else 4
        if len(self.distortion) not in (0, terms):
            raise ValueError(f"distortion: a {self.model} lens has {terms} terms, found {len(self.distortion)}")
        if not (-self.width_px < self.cx_px < 2 * self.width_px and -self.height_px < self.cy_px < 2 * self.height_px):
            raise ValueError(f"cx_px, cy_px: ({self.cx_px}, {self.cy_px}) is far outside the picture")
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


class AlignmentSigma(Section):
    """One-sigma of the mounting. Left out: 0.2 mrad an axis, 0.05 ms, 0.5 mm.

    ``camera_to_body_rad`` is the small turn about body x, y, z that the quaternion may be wrong by;
    ``camera_to_body_wxyz`` (its four numbers) is understood too.
    """

    camera_to_body_rad: VectorSigma | None = None
    camera_to_body_wxyz: tuple[NotNegative, NotNegative, NotNegative, NotNegative] | None = None
    camera_position_m: VectorSigma = (5e-4, 5e-4, 5e-4)
    time_offset_s: NotNegative = 5e-5


@lru_cache(maxsize=8)
def _rotation(wxyz: tuple[float, float, float, float]) -> Rotation:
    """Make a rotation that is asked for five times a frame; SciPy's checks take a while, and it does not change."""
    return Rotation.from_quat(wxyz, scalar_first=True)


class Alignment(Section):
    """Where the camera sits, how it is turned, how late its clock is."""

    camera_to_body_wxyz: tuple[Finite, Finite, Finite, Finite] = NOMINAL_MOUNTING_WXYZ
    camera_position_m: Vector = (0.0, 0.0, 0.0)
    time_offset_s: Offset = 0.0
    sigma: AlignmentSigma = AlignmentSigma()
    provenance: Provenance = {}

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


class GyroSigma(Section):
    """One-sigma of the gyro's figures. Left out: a bias known to 0.2 mrad/s."""

    bias_rad_s: VectorSigma = (2e-4, 2e-4, 2e-4)
    noise_rad_s_rthz: NotNegative | VectorSigma = 0.0
    bias_instability_rad_s: VectorSigma = (0.0, 0.0, 0.0)


class Gyro(Section):
    """Bias (subtracted from the log) and noise of the gyro."""

    bias_rad_s: tuple[Bias, Bias, Bias] = (0.0, 0.0, 0.0)
    noise_rad_s_rthz: NotNegative | VectorSigma = 1.5e-4
    bias_instability_rad_s: VectorSigma | None = None
    sigma: GyroSigma = GyroSigma()
    provenance: Provenance = {}

    @property
    def noise_per_axis(self) -> NDArray[np.float64]:
        """Angle random walk about body x, y, z, rad/s/sqrt(Hz)."""
        return np.broadcast_to(np.asarray(self.noise_rad_s_rthz, float), (3,)).copy()


class RangeSigma(Section):
    """One-sigma of the range figures. Left out: 0.02 % of scale, no offset error."""

    scale: NotNegative = 2e-4
    offset_m: NotNegative = 0.0
    noise_m: NotNegative = 0.0
    time_offset_s: NotNegative = 0.0
    position_m: VectorSigma = (0.0, 0.0, 0.0)


class Range(Section):
    """The height ranger: distance = scale * range_m + offset_m.

    ``assumed_air_temperature_c``, for ultrasonic sensors only, is the air in which that holds: for which the sensor
    converts echo time to distance, or in which it was calibrated. ``air_dependent`` left out: a wide beam, and one with an
    assumed air, is taken to be sound, any other to be light. Say false for a radar, and for an ultrasonic sensor
    that measures the air itself. See :mod:`flow.air` for what is done where a temperature is missing.
    """

    beam: Literal["wide", "narrow"] = "wide"
    scale: Annotated[float, Field(strict=True, gt=0.1, lt=10)] = 1.0
    offset_m: Annotated[float, Field(strict=True, ge=-10, le=10)] = 0.0
    noise_m: NotNegative = 0.01
    time_offset_s: Offset = 0.0
    position_m: Vector = (0.0, 0.0, 0.0)
    min_m: NotNegative = 0.1
    max_m: Positive = 10.0
    assumed_air_temperature_c: Annotated[float, Field(strict=True, ge=-60, le=80)] | None = None
    air_dependent: Annotated[bool, Field(strict=True)] | None = None
    sigma: RangeSigma = RangeSigma()
    provenance: Provenance = {}

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
