"""OpenCV's FileStorage files (YAML, XML, JSON) read by parsers that refuse a damaged file.

OpenCV's own reader ends the whole program on some of them (an assertion in its destructors).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeAlias
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray
from ruamel.yaml import YAML
from ruamel.yaml.constructor import SafeConstructor
from ruamel.yaml.error import YAMLError

from flow.errors import DataError

Array: TypeAlias = NDArray[np.float64]

_MATRIX = "opencv-matrix"


def read_file_storage(content: bytes, path: Path) -> dict[str, Array | float | str]:
    """Read the matrices, numbers and words at the top of a file, by name; lists and maps are left out.

    Raises
    ------
    DataError
        It cannot be parsed; ``path`` is named.
    """
    try:
        text = content.decode("utf-8-sig")
        parse = {"<": _xml, "{": _json}.get(text.lstrip()[:1], _yaml)
        return {key: value for key, node in parse(text) if (value := _value(node)) is not None}
    except (UnicodeDecodeError, YAMLError, ElementTree.ParseError, ValueError, RecursionError):
        raise DataError("cannot be parsed as an OpenCV FileStorage file", path=path) from None


class _Constructor(SafeConstructor):
    """Builds plain data; a matrix is a mapping that says so."""


def _matrix_node(constructor: SafeConstructor, node: Any) -> dict[str, Any]:
    return {"type_id": _MATRIX, **dict(constructor.construct_mapping(node, deep=True))}


_Constructor.add_constructor(f"tag:yaml.org,2002:{_MATRIX}", _matrix_node)


def _yaml(text: str) -> Iterator[tuple[str, Any]]:
    yaml = YAML(typ="safe", pure=True)
    yaml.Constructor = _Constructor
    # The first line, "%YAML:1.0", is no directive that YAML knows.
    tree = yaml.load(text.partition("\n")[2] if text.startswith("%YAML:") else text)
    return _named(tree)


def _json(text: str) -> Iterator[tuple[str, Any]]:
    return _named(json.loads(text))


def _named(tree: Any) -> Iterator[tuple[str, Any]]:
    if not isinstance(tree, Mapping):
        raise ValueError("no names")
    return ((str(key), value) for key, value in tree.items())


def _xml(text: str) -> Iterator[tuple[str, Any]]:
    if "<!" in text.replace("<!--", ""):  # entities and the like: no such file has them
        raise ValueError("a document type")
    for element in ElementTree.fromstring(text):
        if element.get("type_id") == _MATRIX:
            parts = {part.tag: part.text or "" for part in element}
            yield element.tag, {"type_id": _MATRIX, **parts, "data": parts.get("data", "").split()}
        elif len(element) == 0:
            yield element.tag, _number_or_word((element.text or "").strip())


def _number_or_word(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text.strip('"')


def _value(node: Any) -> Array | float | str | None:
    if isinstance(node, int | float | str):
        return node if isinstance(node, str) else float(node)
    if not isinstance(node, Mapping) or node.get("type_id") != _MATRIX or not isinstance(node.get("data"), list):
        return None
    try:
        values = np.array(node["data"], float)
        rows, columns = int(node["rows"]), int(node["cols"])
    except (KeyError, TypeError, OverflowError):
        raise ValueError("no matrix") from None
    if values.ndim != 1 or min(rows, columns) < 0 or rows * columns != len(values):
        raise ValueError("no matrix")
    return values.reshape(rows, columns)
