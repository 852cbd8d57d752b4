"""Every source of error, every status and every value of an option, shown wherever it may be shown."""

from __future__ import annotations

import html
import itertools
import json
import typing
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click
import numpy as np
import pytest
from pydantic import BaseModel

import flow
from cli.main import main
from cli.overlay import Overlay
from cli.page.benchmark_words import METHOD_WORDS
from cli.page.review import Review
from cli.page.review_findings import findings
from cli.page.review_range import range_readings
from cli.page.review_rows import FlightData, Rows
from cli.page.review_words import flight_facts, module_tables, remarks, summary_sentence, without_any_speed
from flow import scene
from flow.benchmark.rivals import RIVALS
from flow.error_sources import SOURCES, ErrorSource
from flow.module import Module
from flow.per_source import PerSource
from flow.result import FrameResult
from flow.row import REASONS, NoVelocity
from flow.speedlog import Summary
from tests.cli.review_flights import results, write_recording

WIDE_S = (1.0, 1.6)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> flow.Recording:
    return write_recording(tmp_path_factory.mktemp("words") / "flight", 3.0)


def widened(recording: flow.Recording, source: ErrorSource, *, uncertain: bool = False) -> Iterator[FrameResult]:
    """Rows of which a source widens the band to ten times the usual for 0.6 s, or beyond all use."""
    for result in results(recording):
        if not WIDE_S[0] < result.row.time_s < WIDE_S[1]:
            yield result
            continue
        assert result.effects_m_s is not None
        effects = result.effects_m_s.replaced(source, np.diag([0.04, 0.03, 0.01]))
        velocity = result.row.velocity
        assert not isinstance(velocity, NoVelocity)
        wide = NoVelocity(reason="uncertain") if uncertain else replace(velocity, covariance_m2_s2=2e-3 * np.eye(3))
        yield replace(result, row=replace(result.row, velocity=wide), effects_m_s=effects, doubted=frozenset({source}))


def gathered(recording: flow.Recording, rows: Iterator[FrameResult]) -> Rows:
    data = FlightData(recording)
    for result in rows:
        data.add(result)
    return data.finish()


def told(recording: flow.Recording, rows: Rows) -> dict[str, list[str]]:
    found = findings(rows, range_readings(recording, 1.0), recording.module.range, None)
    return {kind: [f.text for f in found if f.kind == kind] for kind in {f.kind for f in found}}


@pytest.mark.parametrize("source", SOURCES)
def test_a_band_that_widens_is_told_with_the_source_that_grew(recording: flow.Recording, source: ErrorSource) -> None:
    texts = told(recording, gathered(recording, widened(recording, source)))["band"]
    assert len(texts) == 1
    assert f"what grew is the part of {source.words}, from " in texts[0]
    assert "to 50.0 mm/s" in texts[0]  # 0.04, 0.03 m/s by construction
    assert source.remedy in texts[0]


def test_it_is_the_source_that_grew_not_the_largest(recording: flow.Recording) -> None:
    def rows() -> Iterator[FrameResult]:
        for result in widened(recording, ErrorSource.LIGHT):
            assert result.effects_m_s is not None
            # 85 mm/s all along, against 50 that are new.
            yield replace(result, effects_m_s=replace(result.effects_m_s, tilt=0.06 * np.eye(3)))

    texts = told(recording, gathered(recording, rows()))["band"]
    assert len(texts) == 1 and f"what grew is the part of {ErrorSource.LIGHT.words}, from 0.0 to 50.0 mm/s" in texts[0]


@pytest.mark.parametrize("source", SOURCES)
def test_rows_too_uncertain_name_the_source(recording: flow.Recording, source: ErrorSource) -> None:
    texts = told(recording, gathered(recording, widened(recording, source, uncertain=True)))["no speed"]
    assert texts == [f"no speed: {REASONS['uncertain']}; most of it from {source.words}"]


@pytest.mark.parametrize("source", SOURCES)
def test_a_figure_in_doubt_is_told_with_its_time(recording: flow.Recording, source: ErrorSource) -> None:
    texts = told(recording, gathered(recording, widened(recording, source)))["module"]
    assert len(texts) == 1
    assert texts[0].startswith(f"from 1.0 s to 1.6 s the accelerometer and the rows speak against {source.words}")
    assert source.remedy in texts[0] and "up to 50.0 mm/s" in texts[0]


def test_a_doubt_to_the_end_says_so_and_what_was_in_view_before(recording: flow.Recording) -> None:
    def crossed() -> Iterator[FrameResult]:
        for result in results(recording):
            if 0.8 < result.row.time_s < 1.1:
                result = replace(result, row=replace(result.row, inlier_share=0.5))
            yield replace(result, doubted=frozenset({ErrorSource.FOCAL_LENGTH} if result.row.time_s > 1.2 else ()))

    texts = told(recording, gathered(recording, crossed()))["module"]
    assert len(texts) == 1 and texts[0].startswith("from 1.2 s to the end ")
    assert "Something else was in view from 0.8 s on" in texts[0]


def test_the_page_shows_every_source(recording: flow.Recording, tmp_path: Path) -> None:
    effects = PerSource.of(lambda _: 1e-3 * np.eye(3))
    page, _ = written(recording, tmp_path, (replace(r, effects_m_s=effects) for r in results(recording)))
    data = json.loads(page.split('id="review-data">')[1].split("</script>")[0])
    assert data["sources"] == {source.value: source.label for source in SOURCES}
    assert {f"by_{source}" for source in SOURCES} <= data["low"].keys()


@pytest.mark.parametrize("reason", REASONS)
def test_every_status_is_shown(recording: flow.Recording, tmp_path: Path, reason: str) -> None:
    def failing() -> Iterator[FrameResult]:
        for result in results(recording):
            row = replace(result.row, velocity=NoVelocity(reason=reason))
            yield replace(result, row=row, effects_m_s=None)

    page, facts = written(recording, tmp_path, failing())
    assert html.escape(REASONS[reason], quote=True).replace("&#x27;", "&#39;") in page.replace("&#x27;", "&#39;")
    assert facts["status"][reason]["meaning"] == REASONS[reason]
    assert REASONS[reason] in without_any_speed(facts)[0]
    assert any(fact.meaning == REASONS[reason] for fact in flight_facts(facts))
    assert summary_sentence(facts) and isinstance(remarks(facts), list)
    planes = Overlay(recording.module).draw(np.zeros((48, 64), np.uint8), next(failing()))
    assert planes.max() > 200


def written(recording: flow.Recording, folder: Path, rows: Iterator[FrameResult]) -> tuple[str, dict[str, typing.Any]]:
    summary = Summary()
    with Review(recording, folder) as review:
        for result in rows:
            summary.add(result.row)
            review.add(result)
        facts = summary.as_dict()
        review.write(facts)
    assert review.losses == []
    return (folder / "review.html").read_text(encoding="utf-8"), facts


def literals(model: type[BaseModel]) -> Iterator[tuple[str, str]]:
    for key, field in model.model_fields.items():
        if typing.get_origin(field.annotation) is typing.Literal:
            yield from ((key, value) for value in typing.get_args(field.annotation))


SECTIONS = ("camera", "alignment", "gyro", "range")
VALUES = [(s, *pair) for s in SECTIONS for pair in literals(Module.model_fields[s].annotation)]  # type: ignore[arg-type]


@pytest.mark.parametrize(("section", "key", "value"), VALUES)
def test_the_page_shows_every_value_of_the_module_file(section: str, key: str, value: str) -> None:
    tree = scene.preset_module("small").model_dump(exclude_unset=True)
    tree.setdefault(section, {})[key] = value
    if key == "model":
        tree[section].pop("distortion", None)
    figures = module_tables(Module.model_validate(tree))[0].rows
    assert (section, key, value) in [tuple(row[:3]) for row in figures]


UNSTATED = {
    "camera": {"fx_px": 0.1, "fy_px": 0.1},
    "alignment": {"camera_to_body_rad": [1e-3] * 3, "time_offset_s": 1e-4},
    "gyro": {"bias_rad_s": [1e-4] * 3},
}


@pytest.mark.parametrize("stated", [c for n in range(4) for c in itertools.combinations(UNSTATED, n)])
def test_every_sigma_that_may_be_missing_has_a_name(stated: tuple[str, ...]) -> None:
    tree = scene.preset_module("small").model_dump(exclude_unset=True)
    for section in UNSTATED:
        tree.setdefault(section, {}).pop("sigma", None)
        if section in stated:
            tree[section]["sigma"] = UNSTATED[section]
    module = Module.model_validate(tree)
    assert tuple(source.module_key for source in module.unstated_sources) == module.unstated_sigmas
    missing = {key.split(".")[0] for key in module.unstated_sigmas}
    assert missing == UNSTATED.keys() - set(stated)


def test_every_method_of_the_benchmark_has_a_name() -> None:
    assert set(METHOD_WORDS) == {"groundpace", *RIVALS}


def choices(command: click.Command, name: str = "") -> Iterator[tuple[str, click.Parameter]]:
    if isinstance(command, click.Group):
        context = click.Context(command)
        for word in command.list_commands(context):
            inner = command.get_command(context, word)
            assert inner is not None
            yield from choices(inner, f"{name} {word}".strip())
        return
    for parameter in command.params:
        if isinstance(parameter.type, click.Choice):
            yield name, parameter


@pytest.mark.parametrize(("command", "parameter"), [pytest.param(c, p, id=f"{c} {p.name}") for c, p in choices(main)])
def test_every_value_of_an_option_is_in_its_help(command: str, parameter: click.Parameter) -> None:
    """What a user may give is told, and nothing is told that is not taken."""
    from click.testing import CliRunner

    assert isinstance(parameter.type, click.Choice)
    said = CliRunner().invoke(main, [*command.split(), "--help"], terminal_width=200).output
    for value in parameter.type.choices:
        assert value in said
        assert parameter.type.convert(value, parameter, None) == value
    with pytest.raises(click.BadParameter):
        parameter.type.convert("no such value", parameter, None)
