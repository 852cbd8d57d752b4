"""What a key of a YAML file may have meant that its section does not have."""

from __future__ import annotations

import difflib
from typing import Any, get_args

from pydantic import BaseModel

_NEAR, _SURELY_NEAR = 0.6, 0.8  # of difflib's ratio: its own cutoff, and a slip of a letter or two


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
    >>> from flow.sections import Camera
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
