"""The module file: what calibration knows about one camera module, read, checked and updated."""

from __future__ import annotations

import difflib
import io
import os
import reprlib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, TypeVar

import numpy as np
from pydantic import ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import YAMLError

from flow.disk.files import write_text
from flow.disk.regular import refuse_devices
from flow.error_sources import ErrorSource
from flow.errors import DataError
from flow.module_keys import described
from flow.section_sigmas import AlignmentSigma, CameraSigma, GyroSigma, Provenance, RangeSigma, Section
from flow.sections import NOMINAL_MOUNTING_WXYZ, Alignment, Camera, Gyro, Range
from flow.unknown_key import unknown_key

__all__ = [
    "NOMINAL_MOUNTING_WXYZ",
    "Alignment",
    "AlignmentSigma",
    "Camera",
    "CameraSigma",
    "Gyro",
    "GyroSigma",
    "Module",
    "PartialModule",
    "Provenance",
    "Range",
    "RangeSigma",
    "read_module",
    "read_partial_module",
    "section_diff",
    "section_update",
    "write_module",
]

M = TypeVar("M", bound="Module")


class Module(Section):
    """A calibrated module; the camera section is the only one a measurement cannot do without.

    Examples
    --------
    >>> from flow import Module
    >>> module = Module.model_validate({"camera": {"width_px": 640, "height_px": 480, "fx_px": 531.2, "fy_px": 531.9,
    ...                                            "cx_px": 322.4, "cy_px": 236.8}})
    >>> module.range.beam, module.alignment.time_offset_s
    ('wide', 0.0)
    """

    name: Annotated[
        str,
        described("text", "what the module is called on reports", "your choice; one name a module", example="fern-03"),
    ] = "unnamed"
    camera: Camera
    alignment: Alignment = Alignment()
    gyro: Gyro = Gyro()
    range: Range = Range()

    @property
    def unstated_sources(self) -> tuple[ErrorSource, ...]:
        """Sources that every row's band leans on and whose sigma is that of a careful calibration for want of one."""
        lens, mounting = self.camera.sigma.model_fields_set, self.alignment.sigma.model_fields_set
        stated = {
            ErrorSource.FOCAL_LENGTH: {"fx_px", "fy_px"} <= lens,
            ErrorSource.MOUNTING: bool({"camera_to_body_rad", "camera_to_body_wxyz"} & mounting),
            ErrorSource.CLOCK: "time_offset_s" in mounting,
            ErrorSource.GYRO_BIAS: "bias_rad_s" in self.gyro.sigma.model_fields_set,
        }
        return tuple(source for source, is_stated in stated.items() if not is_stated)

    @property
    def unstated_sigmas(self) -> tuple[str, ...]:
        """The keys of these (:attr:`unstated_sources`) in the module file."""
        return tuple(source.module_key for source in self.unstated_sources)


class PartialModule(Module):
    """A module file as found while calibration is still under way: the camera may be missing."""

    camera: Camera | None = None  # type: ignore[assignment]


def read_module(path: str | os.PathLike[str]) -> Module:
    """Read and check a module file.

    Raises
    ------
    DataError
        Unreadable, not YAML, an unknown key, a wrong type or an impossible value: names file, key, value
        and what was expected.

    Examples
    --------
    >>> import flow
    >>> module = flow.read_module("sample_video/flight/module.yaml")
    >>> module.camera.readout_s, module.gyro.bias_rad_s
    (0.014, (0.008, -0.012, 0.005))
    """
    tree = _read_tree(Path(path))
    if "camera" not in tree:
        raise DataError("missing; `groundpace calibrate lens` finds it", path=path, key="camera")
    return _validated(Module, tree, Path(path))


def read_partial_module(path: str | os.PathLike[str]) -> PartialModule:
    """Read a module file that may still lack sections; a file that does not exist has none."""
    return _validated(PartialModule, _read_tree(Path(path)) if Path(path).exists() else {}, Path(path))


def section_update(path: str | os.PathLike[str], section: str, values: Mapping[str, Any]) -> str:
    """Merge ``values`` into one section of the module file, and give its new text.

    Every other line stays, with comments and the order of keys; so do keys of the section that ``values``
    does not name. A file that does not exist is begun. The result is checked as a module before it is given.

    Raises
    ------
    DataError
        The file as it is, or with the new values, is no module file.
    """
    target = Path(path)
    tree: Any = {"name": target.stem}
    if target.exists():
        tree = _read_tree(target)
        _validated(PartialModule, tree, target)
    if tree.get(section) is None:
        tree[section] = CommentedMap()
    held = tree[section]
    for key, value in values.items():
        if isinstance(value, Mapping) and isinstance(held.get(key), dict):
            held[key].clear()
            held[key].update(_flow_style(value))
        else:
            held[key] = _flow_style(value)
    _validated(PartialModule, tree, target)
    return _text(tree)


def section_diff(path: str | os.PathLike[str], new_text: str) -> str:
    """Give the unified difference between the module file and its new text, for a dry run."""
    old = Path(path).read_text(encoding="utf-8") if Path(path).exists() else ""
    lines = old.splitlines(keepends=True), new_text.splitlines(keepends=True)
    return "".join(difflib.unified_diff(*lines, f"{path} (now)", f"{path} (new)"))


def write_module(path: str | os.PathLike[str], module: Module) -> None:
    """Write a whole module file."""
    tree = module.model_dump(exclude_none=True, exclude_unset=True)
    write_text(Path(path), _text(_flow_style(tree)))


def _text(tree: Any) -> str:
    out = io.StringIO()
    _yaml().dump(tree, out)
    return out.getvalue()


def _flow_style(value: Any) -> Any:
    """Put lists on one line, as a person writes a vector."""
    if isinstance(value, np.ndarray):
        value = value.tolist()
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, list | tuple):
        sequence = CommentedSeq(_flow_style(v) for v in value)
        sequence.fa.set_flow_style()
        return sequence
    if isinstance(value, Mapping):
        return CommentedMap((k, _flow_style(v)) for k, v in value.items())
    return value


def _yaml() -> YAML:
    yaml = YAML(typ="rt")  # round trip: keeps comments; builds data only, never objects
    yaml.preserve_quotes = True
    yaml.width = 4096
    return yaml


def _read_tree(path: Path) -> dict[str, Any]:
    refuse_devices(path)
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise DataError("no such file; give the calibrated module with --module", path=path) from None
    except IsADirectoryError:
        raise DataError("is a folder; a module file is expected", path=path) from None
    except UnicodeDecodeError:
        raise DataError("cannot be read as text in UTF-8; a module file is expected", path=path) from None
    except OSError as error:
        raise DataError(f"cannot be read as text ({error.strerror})", path=path) from None
    try:
        tree = _yaml().load(text)
    except (YAMLError, ValueError, RecursionError) as error:
        mark = getattr(error, "problem_mark", None)
        problem = getattr(error, "problem", None) or str(error).splitlines()[0]
        raise DataError(f"not valid YAML: {problem}", path=path, line=mark and mark.line + 1) from None
    if not isinstance(tree, dict):
        raise DataError("expected sections such as `camera:` and `gyro:`", path=path)
    return tree


def _validated(kind: type[M], tree: dict[str, Any], path: Path) -> M:
    plain = {key: {} if value is None and key != "name" else value for key, value in _plain(tree).items()}
    try:
        return kind.model_validate(plain)
    except ValidationError as error:
        first = error.errors()[0]
        loc = _keys(plain, first["loc"], missing=first["type"] == "missing")
        found = first["input"]
        shown = "" if isinstance(found, dict) else f"found {_SHORT.repr(found)}: "
        problem = _PROBLEMS.get(first["type"], first["msg"].removeprefix("Value error, "))
        if first["type"] == "missing":
            shown = ""
        elif first["type"] == "extra_forbidden":
            problem = unknown_key(kind, loc)
        elif len(loc) < len(first["loc"]) and loc[-1] == "noise_rad_s_rthz":
            problem = "should be a number of 0 or more, or one for each axis"
        problem = problem.replace("Input should be", "should be")
        key = ".".join(str(part) for part in loc)
        raise DataError(shown + problem, path=path, line=_line(tree, loc), key=key) from None


_SHORT = reprlib.Repr()
_SHORT.maxlevel, _SHORT.maxstring = 2, 80
_PROBLEMS = {
    "missing": "missing",
    "model_type": "should be a section of `key: value` lines",
    "finite_number": "should be a finite number",
}


def _keys(plain: Any, loc: tuple[int | str, ...], *, missing: bool) -> tuple[int | str, ...]:
    """Keep the parts of ``loc`` that the file has; the rest names branches of a union."""
    kept: list[int | str] = []
    for i, part in enumerate(loc):
        try:
            plain = plain[part]
        except (KeyError, IndexError, TypeError):
            if not (missing and i == len(loc) - 1):
                break
        kept.append(part)
    return tuple(kept)


def _line(tree: Any, loc: tuple[int | str, ...]) -> int | None:
    """Find the line of the innermost key of ``loc`` that the file has."""
    line = None
    for part in loc:
        try:
            line = tree.lc.data[part][0] + 1
            tree = tree[part]
        except (AttributeError, KeyError, IndexError, TypeError):
            break
    return line


def _plain(node: Any, made: dict[int, Any] | None = None) -> Any:
    """Turn ruamel's containers and scalars into plain Python.

    A part that is meant several times (a YAML alias) stays one: written out, a few lines may mean a billion values.
    """
    made = {} if made is None else made
    if isinstance(node, dict | list) and id(node) in made:
        return made[id(node)]
    if isinstance(node, dict):
        mapping = made[id(node)] = {}
        mapping.update((str(k), _plain(v, made)) for k, v in node.items())
        return mapping
    if isinstance(node, list):
        sequence = made[id(node)] = []
        sequence.extend(_plain(v, made) for v in node)
        return sequence
    if isinstance(node, bool) or node is None:
        return node
    for kind in (int, float, str):
        if isinstance(node, kind):
            return kind(node)
    return str(node)
