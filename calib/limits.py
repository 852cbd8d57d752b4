"""Limits that a module must keep to be accepted, with a reason for each, and the file a user sets them in."""

from __future__ import annotations

import difflib
import os
import reprlib
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from calib.speed_error import FRAME_RATE_HZ, HEIGHTS_M
from flow.disk.regular import refuse_devices
from flow.errors import DataError
from flow.section_sigmas import Section

Limit = Annotated[float, Field(gt=0, allow_inf_nan=False)]


def _limit(default: float, why: str) -> float:
    value: float = Field(default=default, description=why)
    return value


class Limits(Section):
    """Largest values accepted; every key may be set in a YAML file, and the rest keep these defaults.

    The defaults are what a careful bench calibration of a small module reaches with room to spare (common
    practice, confirmed on synthetic modules), not a certified requirement.
    """

    focal_length_sigma: Limit = _limit(0.003, "speed carries the same relative error")
    principal_point_sigma_px: Limit = _limit(3.0, "more means that the views do not fix the lens")
    lens_residual_px: Limit = _limit(0.5, "RMS; good corners leave 0.1 to 0.3 px")
    mounting_sigma_deg: Limit = _limit(0.2, "an axis; 1 degree leaks 1.7 % of speed to the side")
    time_offset_sigma_s: Limit = _limit(1e-3, "1 ms is 6 mm/s at 4 m while rocking 3 degrees at 1 Hz")
    camera_position_sigma_m: Limit = _limit(0.01, "10 mm is 2 mm/s while rocking 3 degrees at 1 Hz")
    gyro_bias_rad_s: Limit = _limit(0.1, "an undamaged gyro stays below, a knocked one often does not")
    gyro_bias_sigma_rad_s: Limit = _limit(1e-3, "1 mrad/s is 4 mm/s of drift at 4 m")
    gyro_noise_rad_s_rthz: Limit = _limit(5e-4, "three times that of a usual small gyro")
    gyro_bias_instability_rad_s: Limit = _limit(3e-4, "one degree a minute")
    range_scale_off: Limit = _limit(0.05, "from 1; more is a wrong unit, a wrong air or a failing sensor")
    range_scale_sigma: Limit = _limit(0.01, "speed carries the same relative error")
    range_air_sigma: Limit = _limit(0.01, "an ultrasonic range in unknown air; speed carries the same relative error")
    range_offset_m: Limit = _limit(0.15, "either way; more is not where the sensor sits")
    range_offset_sigma_m: Limit = _limit(0.02, "4 % of speed at 0.5 m")
    range_noise_m: Limit = _limit(0.05, "one reading's scatter; more drowns every speed below 1 m")
    range_residual_m: Limit = _limit(0.03, "farther from a straight line no scale and offset will do")
    hover_speed_error_m_s: Limit = _limit(0.03, "one sigma, at every height, rocking 3 degrees at 1 Hz")
    cruise_speed_error_m_s: Limit = _limit(0.08, "one sigma, at every height, at 2 m/s: 4 %")
    heights_m: Annotated[tuple[Limit, ...], Field(min_length=1, description="where speed is judged")] = HEIGHTS_M
    frame_rate_hz: Limit = _limit(FRAME_RATE_HZ, "a row's gyro noise is averaged over one frame")


def limits_text() -> str:
    """Give every limit with its default and its reason, as a file to edit."""
    lines = ["# Limits for `groundpace accept --limits FILE`. Keys left out keep the values shown here."]
    for key, field in Limits.model_fields.items():
        value = list(field.default) if isinstance(field.default, tuple) else field.default
        lines.append(f"{key}: {value}  # {field.description}")
    return "\n".join(lines) + "\n"


def read_limits(path: str | os.PathLike[str]) -> Limits:
    """Read limits from a YAML file; a key that is left out keeps its default.

    Raises
    ------
    DataError
        Unreadable, not YAML, an unknown key or an impossible value.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import calib
    >>> path = Path(tempfile.mkdtemp()) / "limits.yaml"
    >>> _ = path.write_text("focal_length_sigma: 0.002")
    >>> limits = calib.read_limits(path)
    >>> limits.focal_length_sigma, limits.principal_point_sigma_px
    (0.002, 3.0)
    """
    source = Path(path)
    refuse_devices(source)
    try:
        tree = YAML(typ="safe", pure=True).load(source.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise DataError(f"cannot be read ({getattr(error, 'strerror', None) or error})", path=source) from None
    except (YAMLError, ValueError, RecursionError) as error:
        mark = getattr(error, "problem_mark", None)
        problem = getattr(error, "problem", None) or str(error)
        raise DataError(f"not valid YAML: {problem}", path=source, line=mark and mark.line + 1) from None
    if tree is not None and not isinstance(tree, dict):
        raise DataError("expected lines such as `focal_length_sigma: 0.003`", path=source)
    try:
        return Limits.model_validate(tree or {})
    except ValidationError as error:
        first = error.errors()[0]
        near = difflib.get_close_matches(str(first["loc"][-1]), Limits.model_fields, 3)
        known = "unknown limit; " + (f"did you mean {' or '.join(near)}? " if near else "")
        known += "`groundpace accept --show-limits` lists them"
        problem = (
            known if first["type"] == "extra_forbidden" else f"{first['msg']}, found {reprlib.repr(first['input'])}"
        )
        raise DataError(problem, path=source, key=".".join(map(str, first["loc"]))) from None
