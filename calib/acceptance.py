"""Is this module fit for use? Every section against limits, and the speed error that is left."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from calib.changes import Change, changes
from calib.limits import Limits
from calib.speed_error import HOVER, SpeedError, speed_errors
from flow.air import LIKELY_AIR_C, air_scale_sigma
from flow.module import Module
from flow.sections import Alignment, Camera, Gyro, Range

REMEDIES = {
    "camera": "groundpace calibrate lens",
    "alignment": "groundpace calibrate alignment",
    "gyro": "groundpace calibrate gyro",
    "range": "groundpace calibrate range",
}
"""The command that mends a section."""

_AIR = (
    f"{REMEDIES['range']} TABLE.csv --air C, the air's temperature on the bench; or set range.assumed_air_temperature_c,"
    " or range.air_dependent: false for a sensor that is no ultrasonic one or measures the air itself"
)

_MAIN_SIGMA = {
    "camera": {"fx_px", "fy_px"},
    "alignment": {"camera_to_body_rad", "camera_to_body_wxyz"},
    "gyro": {"bias_rad_s", "noise_rad_s_rthz"},
    "range": {"scale"},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One line of the verdict.

    ``value`` is in ``unit``, None where there is nothing to judge; ``limit`` in the same unit; ``why`` what
    it is for; ``remedy`` what to do when it failed, empty when it passed.
    """

    section: str
    quantity: str
    value: float | None
    limit: float | None
    unit: str
    why: str
    remedy: str
    passed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """The verdict on a module: the checks, the speed error that is left, what moved since an older file."""

    name: str
    checks: tuple[Check, ...]
    speed_errors: tuple[SpeedError, ...]
    changes: tuple[Change, ...]

    @property
    def passed(self) -> bool:
        """Whether every check passed."""
        return all(check.passed for check in self.checks)

    @property
    def guessed(self) -> tuple[str, ...]:
        """Sections never calibrated: the speed errors stand on documented defaults for them."""
        return tuple(check.section for check in self.checks if check.value is None)

    def as_dict(self) -> dict[str, Any]:
        """Everything as plain values, for JSON; speeds in m/s, one sigma, of the worse horizontal axis."""
        return {
            "module": self.name,
            "passed": self.passed,
            "checks": [asdict(check) for check in self.checks],
            "speed_errors": [
                {
                    "flight": error.flight.name,
                    "height_m": error.height_m,
                    "total_m_s": error.total_m_s,
                    "parts_m_s": {source.label: max(part) for source, part in error.parts_m_s.items()},
                }
                for error in self.speed_errors
            ],
            "changes": [asdict(change) for change in self.changes],
        }


def accept(module: Module, limits: Limits | None = None, against: Module | None = None) -> Acceptance:
    """Judge a module.

    Parameters
    ----------
    module
        The module; a section without sigma or provenance counts as never calibrated, and fails.
    limits
        What it must keep.
    against
        An older file of the same module: says what moved. What moved is asked about, not failed: the new file
        describes the module as it is now.

    Examples
    --------
    >>> import calib, flow
    >>> verdict = calib.accept(flow.read_module("sample_video/flight/module.yaml"))
    >>> verdict.passed, verdict.guessed  # never calibrated: nothing in the file says how well its values are known
    (False, ('camera', 'alignment', 'gyro', 'range'))
    """
    limits = limits or Limits()
    checks = [*_camera(module.camera, limits), *_alignment(module.alignment, limits)]
    checks += [*_gyro(module.gyro, limits), *_range(module.range, limits)]
    errors: tuple[SpeedError, ...] = ()
    if module.camera is not None:
        whole = Module(camera=module.camera, alignment=module.alignment, gyro=module.gyro, range=module.range)
        errors = speed_errors(whole, limits.heights_m, limits.frame_rate_hz)
        checks += [_speed(error, limits) for error in errors]
    return Acceptance(
        name=module.name,
        checks=tuple(checks),
        speed_errors=errors,
        changes=() if against is None else changes(against, module),
    )


def _camera(camera: Camera | None, limits: Limits) -> Iterator[Check]:
    if camera is None or not _calibrated("camera", camera):
        yield _never("camera", camera)
        return
    better = f"{REMEDIES['camera']} with more views, tilted 20 to 45 degrees every way, in every corner"
    sharper = f"{REMEDIES['camera']} with a flat board, sharp images and the right lens model"
    judge = _Judge("camera", limits)
    sigma = float(camera.focal_sigma.max())
    yield judge("focal length, one-sigma", sigma, "focal_length_sigma", "%", better, 100)
    centre = max(camera.sigma.cx_px, camera.sigma.cy_px)
    yield judge("principal point, one-sigma", centre, "principal_point_sigma_px", "px", better)
    if (residual := _residual(camera, "rms_px")) is not None:
        yield judge("lens residual", residual, "lens_residual_px", "px", sharper)


def _alignment(alignment: Alignment, limits: Limits) -> Iterator[Check]:
    if not _calibrated("alignment", alignment):
        yield _never("alignment", alignment)
        return
    livelier = f"{REMEDIES['alignment']} with livelier turns about all three axes, over a floor with texture"
    rule = "measure the camera's place from the body origin with a rule, and set its sigma"
    judge = _Judge("alignment", limits)
    turn = math.degrees(float(alignment.rotation_sigma_rad.max()))
    yield judge("mounting, one-sigma", turn, "mounting_sigma_deg", "°", livelier)
    clock = alignment.sigma.time_offset_s
    yield judge("camera clock, one-sigma", clock, "time_offset_sigma_s", "ms", livelier, 1e3)
    arm = max(alignment.sigma.camera_position_m)
    yield judge("camera position, one-sigma", arm, "camera_position_sigma_m", "mm", rule, 1e3)


def _gyro(gyro: Gyro, limits: Limits) -> Iterator[Check]:
    if not _calibrated("gyro", gyro):
        yield _never("gyro", gyro)
        return
    still = f"{REMEDIES['gyro']} with a longer log at rest, on something soft, warmed up"
    swap = f"{REMEDIES['gyro']} once more on a quiet bench; change the gyro if it stays so"
    judge = _Judge("gyro", limits)
    bias = max(map(abs, gyro.bias_rad_s))
    yield judge("largest bias", bias, "gyro_bias_rad_s", "mrad/s", swap, 1e3)
    sigma = max(gyro.sigma.bias_rad_s)
    yield judge("bias, one-sigma", sigma, "gyro_bias_sigma_rad_s", "mrad/s", still, 1e3)
    noise = float(gyro.noise_per_axis.max())
    yield judge("noise", noise, "gyro_noise_rad_s_rthz", "mrad/s/√Hz", swap, 1e3)
    if gyro.bias_instability_rad_s is not None:
        floor = max(gyro.bias_instability_rad_s)
        yield judge("bias instability", floor, "gyro_bias_instability_rad_s", "mrad/s", swap, 1e3)


def _range(ranger: Range, limits: Limits) -> Iterator[Check]:
    if not _calibrated("range", ranger):
        yield _never("range", ranger)
        return
    more = f"{REMEDIES['range']} with more heights, spread over the range in use, twenty readings each"
    look = "check unit, air temperature and what the beam meets; change the sensor if it stays so"
    judge = _Judge("range", limits)
    sigma = ranger.sigma
    yield judge("scale away from 1", abs(ranger.scale - 1), "range_scale_off", "%", look, 100)
    yield judge("scale, one-sigma", sigma.scale, "range_scale_sigma", "%", more, 100)
    if ranger.is_air_dependent:
        yield judge("air unknown, one-sigma", air_scale_sigma(ranger, LIKELY_AIR_C), "range_air_sigma", "%", _AIR, 100)
    yield judge("offset either way", abs(ranger.offset_m), "range_offset_m", "mm", look, 1e3)
    yield judge("offset, one-sigma", sigma.offset_m, "range_offset_sigma_m", "mm", more, 1e3)
    yield judge("noise of a reading", ranger.noise_m, "range_noise_m", "mm", look, 1e3)
    if (residual := _residual(ranger, "residual_m")) is not None:
        yield judge("farthest from a straight line", residual, "range_residual_m", "mm", look, 1e3)


def _speed(error: SpeedError, limits: Limits) -> Check:
    key = "hover_speed_error_m_s" if error.flight is HOVER else "cruise_speed_error_m_s"
    remedy = f"most of it is {error.largest.label}; {REMEDIES[error.largest.section]}"
    quantity = f"{error.flight.name}, at {error.height_m:g} m"
    return _Judge("speed", limits)(quantity, error.total_m_s, key, "mm/s", remedy, 1e3)


@dataclass(frozen=True, slots=True)
class _Judge:
    """Hold figures of one section, in SI, against the limits; shown in ``unit``, times ``factor``."""

    section: str
    limits: Limits

    def __call__(self, quantity: str, value: float, key: str, unit: str, remedy: str, factor: float = 1.0) -> Check:
        limit = getattr(self.limits, key)
        return Check(
            section=self.section,
            quantity=quantity,
            value=value * factor,
            limit=limit * factor,
            unit=unit,
            why=Limits.model_fields[key].description or "",
            remedy="" if value <= limit else remedy,
            passed=value <= limit,
        )


def _calibrated(name: str, section: Camera | Alignment | Gyro | Range) -> bool:
    return not _lacks(name, section)


def _lacks(name: str, section: Camera | Alignment | Gyro | Range) -> str:
    """Say what a section lacks of how sure its main figures are and where they come from; empty when nothing.

    The alignment writes a bias and a readout, with their own provenance, into sections that may never have been
    calibrated themselves.
    """
    sure = not section.sigma.model_fields_set.isdisjoint(_MAIN_SIGMA[name])
    known = any(not key.startswith(("bias_", "readout_")) for key in section.provenance)
    return " and ".join(word for word, there in (("sigma", sure), ("provenance", known)) if not there)


def _never(name: str, section: Camera | Alignment | Gyro | Range | None) -> Check:
    lacks = "the section" if section is None else _lacks(name, section)
    return Check(
        section=name,
        quantity="never calibrated",
        value=None,
        limit=None,
        unit="",
        why=f"the file lacks {lacks}: the uncertainty of its values is unknown",
        remedy=REMEDIES[name],
        passed=False,
    )


def _residual(section: Camera | Range, key: str) -> float | None:
    value = section.provenance.get(key)
    return float(value) if isinstance(value, int | float) else None
