"""Plain values as YAML that a person likes to read."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq

_SHORT = 80


def yaml_text(tree: Mapping[str, Any]) -> str:
    """Write plain values as YAML, short lists on one line."""
    yaml, out = YAML(typ="rt"), io.StringIO()
    yaml.width = 4096
    yaml.dump(_short_lists_flat(tree), out)
    return out.getvalue()


def _short_lists_flat(value: Any) -> Any:
    if isinstance(value, Mapping):
        return CommentedMap((key, _short_lists_flat(held)) for key, held in value.items())
    if isinstance(value, list | tuple):
        listed = CommentedSeq(_short_lists_flat(held) for held in value)
        if (
            all(isinstance(held, str | int | float) for held in value)
            and sum(len(str(held)) for held in value) < _SHORT
        ):
            listed.fa.set_flow_style()
        return listed
    return value
