"""A module and its settings with something changed: another lens, another frame rate."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError

from flow.budget.conditions import Conditions
from flow.module import Module

AS_IS = "as it is"

_SETTINGS = {"fps": "frame_rate_hz", "exposure": "exposure_s", "noise": "noise_levels", "range_rate": "range_rate_hz"}
_TEXTURE = {"gradient": "gradient_levels_px", "grain": "grain_px"}
_SECTIONS = ("camera", "alignment", "gyro", "range")


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """A module and conditions under a name."""

    name: str
    module: Module
    conditions: Conditions


def vary(text: str, module: Module, conditions: Conditions) -> Variant:
    """Change a module and its conditions as a line of text asks.

    Parameters
    ----------
    text
        ``key=number``, several with commas between. Keys: fps, exposure, noise, range_rate, gradient, grain; a key of
        the camera section (fx_px takes fy_px along, width_px and height_px the centre); or section.key of the module
        file.
    module, conditions
        What to start from.

    Raises
    ------
    ValueError
        An unknown key, no number, or a value that no module can have; the message says which.

    Examples
    --------
    >>> from flow.scene import preset_module
    >>> made = vary("fx_px=400, fps=90", preset_module(), Conditions(height_m=1.0))
    >>> made.name, made.module.camera.fy_px, made.conditions.frame_rate_hz
    ('fx_px=400, fps=90', 400.0, 90.0)
    """
    changes = [_parsed(part) for part in text.split(",")]
    tree = module.model_dump(exclude_none=True)
    for key, number in changes:
        if key in _SETTINGS or key in _TEXTURE:
            conditions = _set(conditions, key, number)
        else:
            _change(tree, key, number)
    try:
        changed = Module.model_validate(tree)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ValueError(f"{where}: {first['msg']}") from None
    name = ", ".join(f"{key}={number:g}" for key, number in changes)
    return Variant(name=name, module=changed, conditions=conditions)


def _parsed(part: str) -> tuple[str, float]:
    key, _, value = (piece.strip() for piece in part.partition("="))
    try:
        return key, float(value)
    except ValueError:
        raise ValueError(f"{part.strip()!r} is not key=number, for example fx_px=400") from None


def _set(conditions: Conditions, key: str, number: float) -> Conditions:
    if not (number > 0 or (key in ("exposure", "noise") and number == 0)) or number > 1e6:
        raise ValueError(f"{key}: a number above 0 is expected, found {number:g}")
    if key in _SETTINGS:
        settings: dict[str, Any] = {_SETTINGS[key]: number}
        return replace(conditions, **settings)
    return replace(conditions, texture=replace(conditions.texture, **{_TEXTURE[key]: number}))


def _change(tree: dict[str, Any], key: str, number: float) -> None:
    section, _, name = key.rpartition(".")
    held = tree.get(section or "camera")
    if not isinstance(held, dict) or (section or "camera") not in _SECTIONS or not _is_number(held.get(name)):
        known = ", ".join([*_SETTINGS, *_TEXTURE, *(k for k, v in tree["camera"].items() if _is_number(v))])
        raise ValueError(f"{key}: no such key; there are {known}, and section.key of the module file")
    before = held[name]
    held[name] = int(number) if isinstance(before, int) and number == int(number) else number
    if (section or "camera") == "camera":
        if name == "fx_px":
            held["fy_px"] *= number / before
        elif name in ("width_px", "height_px"):
            centre = {"width_px": "cx_px", "height_px": "cy_px"}[name]
            held[centre] = (held[centre] + 0.5) * number / before - 0.5


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
