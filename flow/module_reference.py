"""The keys of the module file, gathered from the classes that check it: unit, default, limits, how to get each."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from flow.module import Module

_COMPARED = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}
_FOLDED = 100
_NEEDED = "none: needed"


@dataclass(frozen=True, slots=True, kw_only=True)
class ModuleKey:
    """A key of the module file.

    ``path`` is its place, as ``range.sigma.scale``; ``default`` and ``limits`` are in words; ``values`` says what each word
    means, where only some are allowed; ``example`` is None where the commented example leaves it out.
    """

    path: str
    unit: str
    axes: str
    meaning: str
    how: str
    default: str
    limits: str
    values: Mapping[str, str]
    example: Any


def module_keys() -> tuple[ModuleKey, ...]:
    """Give every key of the module file, in the order of the file.

    Raises
    ------
    KeyError
        A key is not described; see :func:`flow.module_keys.described`.

    Examples
    --------
    >>> [key] = [key for key in module_keys() if key.path == "camera.readout_s"]
    >>> key.unit, key.default, key.limits
    ('s', '0', 'at least 0, at most 0.2')
    """
    return tuple(_keys(Module, ""))


def example_module_text() -> str:
    """Give a commented ``module.yaml``: every key with what it means, a valid file as it stands.

    Examples
    --------
    >>> print(example_module_text().partition("camera:")[0])
    # What the module is called on reports [text]. Left out: "unnamed"
    name: "fern-03"
    <BLANKLINE>
    """
    lines: list[str] = []
    open_sections: tuple[str, ...] = ()
    for found in module_keys():
        if found.example is None:
            continue
        *sections, name = found.path.split(".")
        for depth, section in enumerate(sections):
            if open_sections[: depth + 1] != tuple(sections[: depth + 1]):
                lines.append("  " * depth + f"{section}:")
        open_sections = tuple(sections)
        indent = "  " * len(sections)
        lines += textwrap.wrap(_comment(found), _FOLDED, initial_indent=f"{indent}# ", subsequent_indent=f"{indent}# ")
        lines.append(f"{indent}{name}: {_yaml(found.example)}")
    return "\n".join(lines) + "\n"


def _keys(section: type[BaseModel], place: str) -> Iterator[ModuleKey]:
    for name, field in section.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            yield from _keys(field.annotation, f"{place}{name}.")
            continue
        told = field.json_schema_extra
        if not isinstance(told, dict) or not field.description:
            raise KeyError(f"the key {place}{name} of the module file is not described")
        yield ModuleKey(
            path=place + name,
            unit=str(told["unit"]),
            axes=str(told["axes"]),
            meaning=field.description,
            how=str(told["how"]),
            default=str(told["left_out"]) or _default(field),
            limits="; ".join(filter(None, (_limits(field.annotation, field.metadata), str(told["rule"])))),
            values=_values(place + name, field.annotation, told["values"]),
            example=field.examples[0] if field.examples else None,
        )


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return _NEEDED
    value = field.get_default(call_default_factory=True)
    return _yaml(list(value) if isinstance(value, tuple) else value) if value not in ({}, ()) else "nothing"


def _values(path: str, annotation: Any, told: Any) -> dict[str, str]:
    """Give what each allowed word means.

    Raises
    ------
    KeyError
        The type allows other words than are told.
    """
    allowed = set(get_args(annotation)) if get_origin(annotation) is Literal else set()
    words = {str(word): str(text) for word, text in dict(told).items()}
    if allowed != words.keys():
        raise KeyError(f"{path} may be {sorted(allowed)}, and {sorted(words)} are described")
    return words


def _limits(annotation: Any, metadata: list[Any]) -> str:
    """Put the constraints of a type into words; those of its elements where it is a list of numbers."""
    own = _bounds(metadata)
    if own:
        return own
    kind, inner = get_origin(annotation), get_args(annotation)
    if kind is Literal:
        return " or ".join(inner)
    if kind in (Union, UnionType):
        some = [_limits(part, []) for part in inner if part is not type(None)]
        return ", or ".join(dict.fromkeys(filter(None, some)))
    if kind is tuple:
        many = "numbers" if inner[-1] is Ellipsis else f"{len(inner)} numbers"
        each = _limits(inner[0], [])
        return f"{many}, each {each}" if each else many
    if hasattr(annotation, "__metadata__"):
        return _limits(annotation.__origin__, [m for info in annotation.__metadata__ for m in _constraints(info)])
    return ""


def _constraints(info: Any) -> list[Any]:
    return list(info.metadata) if isinstance(info, FieldInfo) else [info]


def _bounds(metadata: list[Any]) -> str:
    found = ((word, getattr(part, name, None)) for part in metadata for name, word in _COMPARED.items())
    return ", ".join(f"{word} {_number(bound)}" for word, bound in found if bound is not None)


def _comment(found: ModuleKey) -> str:
    unit = "no unit" if found.unit == "1" else found.unit
    axes = "" if found.axes == "none" else f", {found.axes} axes"
    needed = found.default == _NEEDED
    values = "; ".join(f"{word}: {text}" for word, text in found.values.items())
    parts = [
        f"{found.meaning} [{unit}{axes}]",
        "" if values else found.limits,
        "needed" if needed else f"left out: {found.default}",
    ]
    told = ". ".join(part[:1].upper() + part[1:] for part in parts if part)
    return f"{told}. {values}" if values else told


def _yaml(value: Any) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_yaml(item) for item in value) + "]"
    return f'"{value}"' if isinstance(value, str) else _number(value) if isinstance(value, int | float) else str(value)


def _number(value: float) -> str:
    return re.sub(r"e([-+]?)0*", lambda found: f"e{found[1].strip('+')}", f"{value:g}")
