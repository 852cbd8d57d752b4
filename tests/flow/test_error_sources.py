"""Sources of error: each has all that its consumers need, and every consumer knows each."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from calib.acceptance import REMEDIES
from calib.speed_error import HOVER, speed_error
from flow import scene
from flow.error_sources import SOURCES, ErrorSource, Follows, Lasts, Sensitivity, SigmaFrom, Unit
from flow.module import Module
from flow.stated_sigmas import stated_sigma

ROOT = Path(__file__).parents[2]
MODULE = scene.preset_module("small")


def keys_of(tree: dict[str, object], before: str = "") -> set[str]:
    return {before + key for key in tree} | {
        full for key, value in tree.items() if isinstance(value, dict) for full in keys_of(value, f"{before}{key}.")
    }


@pytest.mark.parametrize("source", SOURCES)
def test_it_has_all_that_consumers_need(source: ErrorSource) -> None:
    assert source == source.value == source.name.lower()
    assert source.label and source.words and source.remedy
    assert "_" not in source.label + source.words and not source.remedy.endswith(".")
    assert isinstance(source.lasts, Lasts) and isinstance(source.follows, Follows)


def test_names_and_words_tell_them_apart() -> None:
    for told in ("value", "label", "words"):
        assert len({getattr(source, told) for source in SOURCES}) == len(SOURCES)


@pytest.mark.parametrize("source", [source for source in SOURCES if source.module_key])
def test_its_key_is_one_of_the_module_file(source: ErrorSource) -> None:
    section, *key = source.module_key.split(".")
    part = Module.model_fields[section].annotation
    for name in key:
        assert name in part.model_fields, source.module_key  # type: ignore[union-attr]
        part = part.model_fields[name].annotation  # type: ignore[union-attr]
    assert section in REMEDIES


def test_one_that_lacks_something_is_none() -> None:
    with pytest.raises(TypeError):
        ErrorSource.__new__(ErrorSource, "new", "new", "something new")  # type: ignore[call-arg]


@pytest.mark.parametrize("source", SOURCES)
def test_what_the_module_states_of_it_is_one_figure_or_one_an_axis(source: ErrorSource) -> None:
    stated = stated_sigma(source, MODULE, 1.0)
    assert len(stated) == (source.figures if source.module_key else 0)
    assert bool(source.module_key) == (source.sigma_from is SigmaFrom.MODULE or source is ErrorSource.HEIGHT)
    assert isinstance(source.unit, Unit) and isinstance(source.acts_on, Sensitivity)


def test_acceptance_has_a_remedy_for_each_that_it_counts() -> None:
    for source in speed_error(MODULE, HOVER, 1.0).parts_m_s:
        assert source.section in REMEDIES


def test_nobody_spells_a_source_as_text() -> None:
    """A string that is the value of a source may mean something else; as a key of effects it may not."""
    values = {source.value for source in SOURCES}
    for path in (p for package in ("flow", "calib", "cli") for p in (ROOT / package).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            key = None
            if isinstance(node, ast.Subscript) and isinstance(node.value, ast.Name | ast.Attribute):
                key, held = node.slice, node.value
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "get":
                key, held = (node.args or [None])[0], node.func.value
            if isinstance(key, ast.Constant) and key.value in values:
                name = held.id if isinstance(held, ast.Name) else held.attr if isinstance(held, ast.Attribute) else ""
                assert name not in ("effects", "units", "effects_m_s", "shared", "sigmas", "doubts"), (
                    f"{path}: {key.value}"
                )


@pytest.mark.parametrize("source", SOURCES)
def test_how_it_adds_up_along_a_path_follows_from_what_it_acts_on(source: ErrorSource) -> None:
    # A share of the height or of the focal length is a share of the velocity; what a clock, an acceleration or a false
    # interval does alternates with the rocking, as what is new in each pair or frame does by chance; the rest is fixed to the
    # body's axes.
    if source.acts_on in (Sensitivity.HEIGHT, Sensitivity.FOCAL_LENGTH):
        expected = Follows.VELOCITY
    elif source.acts_on in (Sensitivity.CLOCK, Sensitivity.ACCELERATION, Sensitivity.INTERVAL):
        expected = Follows.CHANCE
    else:
        expected = Follows.CHANCE if source.lasts in (Lasts.PAIR, Lasts.FRAME) else Follows.BODY
    assert source.follows is expected
