"""What is said of the module file's keys is what the code does with them."""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

import pytest
from pydantic import BaseModel
from ruamel.yaml import YAML

from calib.boards import Kind
from flow import choices
from flow.columns.column import AXES
from flow.errors import DataError
from flow.module import Module, read_module
from flow.module_keys import described
from flow.module_reference import _keys, example_module_text, module_keys
from flow.scene import CODECS, MOTIONS
from flow.scene.ground import KINDS
from flow.scene.modules import PRESETS
from flow.section_sigmas import Section

KEYS = {key.path: key for key in module_keys()}
LENS_ALONE = "camera: {width_px: 640, height_px: 480, fx_px: 531.2, fy_px: 531.9, cx_px: 322.4, cy_px: 236.8}"

# What the endings of names mean by the recording format. The longest counts.
UNITS = {
    "_px": "px", "_m": "m", "_s": "s", "_rad": "rad", "_rad_s": "rad/s", "_rad_s_rthz": "rad/s/√Hz", "_c": "°C",
    "_wxyz": "1", "distortion": "1", "scale": "1",
}  # fmt: skip


def leaves(section: type[BaseModel], place: str = "") -> Iterator[str]:
    for name, field in section.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            yield from leaves(field.annotation, f"{place}{name}.")
        else:
            yield place + name


def test_every_key_is_explained() -> None:
    assert list(KEYS) == list(leaves(Module))
    for key in KEYS.values():
        assert key.meaning and key.how and key.default and key.axes in AXES, key.path


@pytest.mark.parametrize("path", KEYS)
def test_the_unit_is_the_one_in_the_name(path: str) -> None:
    endings = sorted((ending for ending in UNITS if path.endswith(ending)), key=len)
    without = "true or false" if path == "range.air_dependent" else "text"
    assert KEYS[path].unit == (UNITS[endings[-1]] if endings else without)


def test_a_key_without_a_text_is_an_error() -> None:
    class Silent(Section):
        wind_m_s: float = 0.0

    with pytest.raises(KeyError, match="key wind_m_s of the module file is not described"):
        list(_keys(Silent, ""))
    with pytest.raises(ValueError, match="lacks a text"):
        described("m/s", "wind", "", example=1.0)


def test_a_word_without_a_text_is_an_error() -> None:
    class Silent(Section):
        beam: Annotated[Literal["wide", "narrow"], described("text", "beam", "ask", values={"wide": "w"}, example=None)]

    with pytest.raises(KeyError, match="beam may be"):
        list(_keys(Silent, ""))


@pytest.mark.parametrize("path", [path for path, key in KEYS.items() if re.fullmatch(r"\[?[-\d., e]+\]?", key.default)])
def test_the_default_told_is_the_one_taken(path: str, tmp_path: Path) -> None:
    (tmp_path / "module.yaml").write_text(LENS_ALONE)
    value: Any = read_module(tmp_path / "module.yaml")
    for part in path.split("."):
        value = getattr(value, part)
    told = YAML(typ="safe").load(KEYS[path].default)
    assert value == (tuple(told) if isinstance(told, list) else told)


def beyond() -> Iterator[tuple[str, float]]:
    """Give each key with a value just outside each limit that is told for it."""
    for path, key in KEYS.items():
        for word, bound in re.findall(r"(at least|more than|at most|less than) (-?[\d.]+(?:e-?\d+)?)", key.limits):
            limit, step = float(bound), max(1.0, 1e-6 * abs(float(bound))) if key.unit == "px" else 1e-6
            step = max(step, 1e-6 * abs(limit))
            yield (
                path,
                {"at least": limit - step, "more than": limit, "at most": limit + step, "less than": limit}[word],
            )


@pytest.mark.parametrize(("path", "value"), list(beyond()))
def test_a_value_beyond_a_limit_that_is_told_is_refused(path: str, value: float, tmp_path: Path) -> None:
    tree = YAML(typ="safe").load(example_module_text())
    *sections, name = path.split(".")
    place = tree
    for section in sections:
        place = place.setdefault(section, {})
    size = re.search(r"(\d+) numbers", KEYS[path].limits)
    whole = int(value) if name in ("width_px", "height_px") else value
    if isinstance(place.get(name), list) or (name not in place and size):
        place[name] = [whole] * (len(place[name]) if name in place else int(size[1]) if size else 1)
    else:
        place[name] = whole
    with (tmp_path / "module.yaml").open("w") as file:
        YAML(typ="safe").dump(tree, file)
    with pytest.raises(DataError, match=re.escape(path)):
        read_module(tmp_path / "module.yaml")


def test_the_example_is_a_valid_file_and_shows_what_it_says(tmp_path: Path) -> None:
    (tmp_path / "module.yaml").write_text(example_module_text(), encoding="utf-8")
    module = read_module(tmp_path / "module.yaml")
    for path, key in KEYS.items():
        if key.example is None:
            continue
        value: Any = module
        for part in path.split("."):
            value = getattr(value, part)
        if isinstance(key.example, list):
            assert value == pytest.approx(tuple(key.example), abs=1e-4), path  # the quaternion is made exactly unit
        else:
            assert value == key.example, path


def test_the_example_shows_every_key_with_a_comment() -> None:
    lines = example_module_text().splitlines()
    shown = [k for k, line in enumerate(lines) if ":" in line and not line.lstrip().startswith("#")]
    keys = [k for k in shown if not lines[k].endswith(":")]
    assert len(keys) == sum(key.example is not None for key in KEYS.values())
    assert all(lines[k - 1].lstrip().startswith("# ") for k in keys)
    assert all(len(line) <= 100 for line in lines)


def test_each_limit_of_the_lens_is_kept() -> None:
    # The rules beyond the types, told in words: each is broken once here.
    tree = YAML(typ="safe").load(example_module_text())
    rules = {key.path: key.limits for key in KEYS.values()}
    assert "0.05 to 50 times the larger side" in rules["camera.fx_px"]
    assert "below max_m" in rules["range.min_m"]
    assert "length 1" in rules["alignment.camera_to_body_wxyz"]
    for section, name, value in (
        ("camera", "fx_px", 0.049 * 640), ("camera", "fy_px", 50.1 * 640), ("camera", "cx_px", 2.01 * 640),
        ("camera", "cy_px", -1.01 * 480), ("camera", "distortion", [0.0] * 4), ("range", "min_m", 8.0),
        ("alignment", "camera_to_body_wxyz", [0.72, 0.0, 0.0, 0.72]),
    ):  # fmt: skip
        broken = copy.deepcopy(tree)
        broken[section][name] = value
        with pytest.raises(ValueError, match=name):
            Module.model_validate(broken)
    assert math.hypot(0.72, 0.72) > 1.01


def test_words_are_those_that_the_code_knows() -> None:
    assert tuple(choices.MOTIONS) == MOTIONS
    assert tuple(choices.CODECS) == CODECS
    assert tuple(choices.GROUNDS) == KINDS
    assert tuple(choices.SAMPLE_MODULES) == PRESETS
    assert tuple(choices.BOARDS) == get_args(Kind)
