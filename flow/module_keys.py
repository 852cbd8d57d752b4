"""What a key of the module file is, told where it is declared: unit, axes, meaning, how to get it, an example."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import Field
from pydantic.config import JsonDict

LENS = "`groundpace calibrate lens`, or `groundpace import-lens` from a lens calibrated elsewhere"
ALIGNMENT = "`groundpace calibrate alignment`, from a recording of the module turned by hand"
READOUT = "`groundpace calibrate alignment --readout`, or the camera's data sheet"
GYRO = "`groundpace calibrate gyro`, from a log at rest"
RANGE = "`groundpace calibrate range`, from readings at taped heights"
RULER = "a ruler, to a millimetre; written by --position of `groundpace calibrate alignment` and `groundpace calibrate range`"
DATA_SHEET = "the sensor's data sheet"


def described(
    unit: str,
    meaning: str,
    how: str,
    *,
    example: Any,
    axes: str = "none",
    rule: str = "",
    left_out: str = "",
    values: Mapping[str, str] | None = None,
) -> Any:
    """Describe a key, as an annotation of its field.

    Parameters
    ----------
    unit
        SI; ``1`` where there is none, ``text`` for words.
    meaning
        What it says.
    how
        How to get it.
    example
        A value that the commented example of a module file shows; None leaves the key out there.
    axes
        A key of :data:`flow.columns.AXES`.
    rule
        A limit beyond those that the field's type has.
    left_out
        What is taken where the key is absent, if that is no plain value.
    values
        What each word means, where only some are allowed.

    Raises
    ------
    ValueError
        A text is empty.
    """
    if not (unit and meaning and how and axes):
        raise ValueError(f"a key lacks a text: {meaning!r}")
    words: JsonDict = dict(values or {})
    told: JsonDict = {"unit": unit, "axes": axes, "how": how, "rule": rule, "left_out": left_out, "values": words}
    return Field(description=meaning, json_schema_extra=told, examples=None if example is None else [example])
