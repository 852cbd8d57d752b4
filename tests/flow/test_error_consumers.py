"""Every source of error reaches every consumer: leaving one out changes what the consumer adds up.

For each consumer the total is taken with and without a source, and the difference must be that source's part by a closed
form: variances of independent errors add.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calib.speed_error import Flight, speed_error
from cli.page.review_rows import _level_sigmas
from flow import scene
from flow.accuracy.dead_reckoning import DeadReckoning
from flow.anchoring.path_errors import ALONG, Along, row_errors
from flow.budget.conditions import Conditions
from flow.budget.prediction import foretold, predict
from flow.budget.situation import Situation
from flow.effects import Effects, sigmas_m_s, total_covariance
from flow.error_sources import SOURCES, ErrorSource, Follows, Lasts, SigmaFrom
from flow.faults.figures import FAULTS
from flow.fusion import ImageRow, RowReader
from flow.fusion.considered import BY_RANGES, BY_ROWS, WHERE
from flow.fusion.heard import HEARD, LEANING, Heard, heard_parts
from flow.fusion.inputs import _DRIFTING, _crept
from flow.module import Gyro, Module
from flow.per_source import PerSource
from flow.result import FrameResult
from flow.row import LevelVelocity, SpeedRow
from flow.stages.update import _CLIMB, _Climb, climb_errors
from flow.stages.values import Weighed
from flow.stated_sigmas import stated_sigma
from tests.effects import NOTHING

Array = NDArray[np.float64]
MODULE = scene.preset_module("small")
RNG = np.random.default_rng(8)
EFFECTS: Effects = PerSource.of(lambda source: RNG.normal(0, 0.01, (3, source.figures)))
"""Every source with effects of its own."""


def without(source: ErrorSource) -> Effects:
    return EFFECTS.replaced(source, np.empty((3, 0)))


def squares(effect: Array) -> Array:
    return np.asarray(np.square(effect).sum(axis=1))


@pytest.mark.parametrize("source", SOURCES)
def test_rows_hold_it(source: ErrorSource) -> None:
    effect = EFFECTS[source]
    np.testing.assert_allclose(
        total_covariance(EFFECTS) - total_covariance(without(source)), effect @ effect.T, atol=1e-15
    )


@pytest.mark.parametrize("source", SOURCES)
def test_the_page_shows_it(source: ErrorSource) -> None:
    shown = np.array(_level_sigmas(EFFECTS)), np.array(_level_sigmas(without(source)))
    place = SOURCES.index(source)
    np.testing.assert_allclose(shown[0][place], np.sqrt(squares(EFFECTS[source]))[:2])
    np.testing.assert_array_equal(shown[1][place], [0.0, 0.0])
    np.testing.assert_array_equal(np.delete(shown[0], place, axis=0), np.delete(shown[1], place, axis=0))


@pytest.mark.parametrize("source", SOURCES)
def test_dead_reckoning_on_the_page_adds_it_up(source: ErrorSource) -> None:
    # N rows straight ahead: errors by chance add as squares, scale errors and those fixed to the body as they are.
    rows, step_s, speed = 50, 0.1, 1.5
    still = Gyro.model_validate({"noise_rad_s_rthz": 0.0, "sigma": {"bias_rad_s": (0.0, 0.0, 0.0)}})

    def variance(effects: Effects) -> Array:
        stack = np.tile([sigma[:2] for sigma in sigmas_m_s(effects).values()], (rows, 1, 1))
        velocity = np.tile([speed, 0.0], (rows, 1))
        places = DeadReckoning(still).advance(np.full(rows, step_s), velocity, stack, np.zeros(rows))
        return np.asarray(np.square(places.sigma_m[-1]))

    part = squares(EFFECTS[source])[:2] * step_s**2
    expected = {
        Follows.CHANCE: rows * part,
        Follows.VELOCITY: rows**2 * np.array([part.sum(), 0.0]),
        Follows.BODY: rows**2 * part,
    }
    np.testing.assert_allclose(variance(EFFECTS) - variance(without(source)), expected[source.follows], atol=1e-12)


@pytest.mark.parametrize("source", SOURCES)
def test_the_position_carries_it(source: ErrorSource) -> None:
    fresh, carried = (a - b for a, b in zip(row_errors(EFFECTS), row_errors(without(source)), strict=True))
    part = EFFECTS[source] @ EFFECTS[source].T
    how = ALONG[source]
    np.testing.assert_allclose(fresh, part if how is Along.FRESH else 0 * part, atol=1e-15)
    np.testing.assert_allclose(carried, part if how is Along.CARRIED else 0 * part, atol=1e-15)
    # What is in neither turns or scales the path, which only errors of such a kind may.
    assert (how is Along.DISTANCE) == (source is ErrorSource.HEIGHT)
    assert (how is Along.SCALE) == (source in (ErrorSource.RANGE, ErrorSource.AIR, ErrorSource.FOCAL_LENGTH))
    assert (how is Along.HEADING) == (source is ErrorSource.MOUNTING)
    if how is Along.FRESH:
        assert source.lasts in (Lasts.PAIR, Lasts.FRAME)


@pytest.mark.parametrize("source", SOURCES)
def test_the_height_hears_it(source: ErrorSource) -> None:
    fresh, leaning = (a - b for a, b in zip(climb_errors(EFFECTS), climb_errors(without(source)), strict=True))
    part = squares(EFFECTS[source])
    expected = {
        _Climb.IMAGE: (0.35**2 * part[2], 0.0),
        _Climb.NEW: (part[2], 0.0),
        _Climb.RELIEF: (part.sum(), 0.0),
        _Climb.LEAN: (0.0, part[2]),
        _Climb.SCALE: (0.0, 0.0),
        _Climb.SMALL: (0.0, 0.0),
    }
    assert (fresh, leaning) == pytest.approx(expected[_CLIMB[source]], abs=1e-15)
    if _CLIMB[source] is _Climb.SCALE:
        assert source.follows is Follows.VELOCITY
    found_in_flight = source.lasts in (Lasts.STRETCH, Lasts.FRAME) and source is not ErrorSource.FRAME_TIMES
    assert not (_CLIMB[source] is _Climb.SMALL and found_in_flight)


@pytest.mark.parametrize("source", SOURCES)
def test_the_filter_hears_it(source: ErrorSource) -> None:
    with_it, rest = heard_parts(EFFECTS), heard_parts(without(source))
    effect, how = EFFECTS[source], HEARD[source]
    drift = {Heard.DRIFT: squares(effect), Heard.LEAN: [0.0, 0.0, LEANING**2 * squares(effect)[2]]}
    np.testing.assert_allclose(
        with_it.image_m2_s2 - rest.image_m2_s2, squares(effect) if how is Heard.IMAGE else 0.0, atol=1e-15
    )
    np.testing.assert_allclose(with_it.drift_m2_s2 - rest.drift_m2_s2, drift.get(how, 0.0), atol=1e-15)
    np.testing.assert_allclose(
        with_it.lasting_m2_s2 - rest.lasting_m2_s2, squares(effect) if how is Heard.LASTING else 0.0, atol=1e-15
    )
    np.testing.assert_array_equal(with_it.lean_m_s - rest.lean_m_s, effect if how is Heard.LEAN else np.zeros((3, 2)))
    columns = with_it.considered_m_s - rest.considered_m_s
    if how is Heard.CONSIDERED:
        np.testing.assert_array_equal(columns[:, WHERE[source]], effect)
        columns[:, WHERE[source]] = 0.0
    assert not columns.any()


@pytest.mark.parametrize("source", SOURCES)
def test_the_filter_hears_what_the_flight_has_found_beside_it(source: ErrorSource) -> None:
    # Columns beyond a source's own figures: whatever the filter does with the figures, these come on top.
    more = np.hstack([EFFECTS[source], [[0.02], [0.03], [0.04]]])
    before, after = heard_parts(EFFECTS), heard_parts(EFFECTS.replaced(source, more))
    grown = sum(
        getattr(after, name) - getattr(before, name) for name in ("image_m2_s2", "drift_m2_s2", "lasting_m2_s2")
    )
    if HEARD[source] is not Heard.LEAN:  # nothing in flight speaks against the tilt by columns
        np.testing.assert_allclose(grown, np.square([0.02, 0.03, 0.04]), atol=1e-15)


@pytest.mark.parametrize("source", SOURCES)
def test_the_filter_takes_it_by_how_long_it_lasts(source: ErrorSource) -> None:
    kinds = {
        Lasts.PAIR: {Heard.STATE},
        Lasts.FRAME: {Heard.IMAGE},
        Lasts.STRETCH: {Heard.STATE, Heard.DRIFT, Heard.LEAN},
        Lasts.FLIGHT: {Heard.STATE, Heard.CONSIDERED, Heard.RANGING, Heard.LASTING},
    }
    assert HEARD[source] in kinds[source.lasts]
    # Only what the filter has a state for, and is told of by other ways than rows, may be left out of what it hears of them.
    assert (HEARD[source] is Heard.STATE) == (source in STATES)
    assert (HEARD[source] is Heard.LEAN) == (source is ErrorSource.TILT)
    if HEARD[source] in (Heard.CONSIDERED, Heard.RANGING):
        assert source.sigma_from is SigmaFrom.MODULE and len(stated_sigma(source, MODULE)) == source.figures
    assert set(BY_ROWS) | set(BY_RANGES) == set(WHERE)


def row_of(effects: Effects) -> ImageRow:
    velocity = LevelVelocity(forward_m_s=0.5, right_m_s=0.0, down_m_s=0.0, covariance_m2_s2=1e-4 * np.eye(3))
    seen = SpeedRow(
        time_s=1.0, interval_s=0.02, velocity=velocity, height_m=1.0, height_sigma_m=0.01, tracks=9, inlier_share=1.0
    )
    row = RowReader(MODULE).row(FrameResult(row=seen, matches=None, used=None, effects_m_s=effects))
    assert row is not None
    return row


@pytest.mark.parametrize("source", SOURCES)
def test_the_row_reader_hands_it_on(source: ErrorSource) -> None:
    row, parts = (
        row_of(NOTHING.replaced(source, EFFECTS[source])),
        heard_parts(NOTHING.replaced(source, EFFECTS[source])),
    )
    image = squares(EFFECTS[source]) if source is ErrorSource.IMAGE else np.zeros(3)
    np.testing.assert_allclose(row.image_m2_s2, parts.image_m2_s2)
    np.testing.assert_allclose(row.drift_m2_s2, parts.drift_m2_s2 + _DRIFTING * image + _crept(image, 0.02))
    np.testing.assert_allclose(row.lasting_m_s, np.sqrt(parts.lasting_m2_s2))
    np.testing.assert_array_equal(row.considered_m_s, parts.considered_m_s)
    np.testing.assert_array_equal(row.lean_m_s, parts.lean_m_s)


def scaled(source: ErrorSource, factor: float) -> Module:
    """Make a module whose figures of a source are so many times as uncertain."""
    base = MODULE.model_dump(exclude_none=True)
    camera, alignment, gyro, ranging = (base[name] for name in ("camera", "alignment", "gyro", "range"))
    known = {
        ErrorSource.HEIGHT: (ranging, "noise_m", 0.005),
        ErrorSource.RANGE: (ranging["sigma"], "scale", 0.01),
        ErrorSource.FOCAL_LENGTH: (camera["sigma"], "fx_px", 2.0),
        ErrorSource.GYRO_NOISE: (gyro, "noise_rad_s_rthz", 1e-4),
        ErrorSource.GYRO_BIAS: (gyro["sigma"], "bias_rad_s", [3e-4, 3e-4, 3e-4]),
        ErrorSource.CLOCK: (alignment["sigma"], "time_offset_s", 1e-3),
        ErrorSource.MOUNTING: (alignment["sigma"], "camera_to_body_rad", [1e-3, 1e-3, 2e-3]),
        ErrorSource.LEVER_ARM: (alignment["sigma"], "camera_position_m", [2e-3, 2e-3, 2e-3]),
    }
    section, key, value = known[source]
    section[key] = (np.array(value) * factor).tolist()
    if source is ErrorSource.FOCAL_LENGTH:
        camera["sigma"]["fy_px"] = 2.0 * factor
    return Module.model_validate(base)


CRUISE = Conditions(
    height_m=1.2,
    speed_m_s=1.5,
    rocking_rad=0.05,
    rocking_hz=1.0,
    yaw_rate_rad_s=0.3,
    pitch_rad=0.05,
    tilt_noise_rad=0.002,
)
STATES = {ErrorSource.HEIGHT, ErrorSource.GYRO_NOISE, ErrorSource.GYRO_BIAS}
STATED = [source for source in SOURCES if source.module_key and source is not ErrorSource.AIR]


@pytest.mark.parametrize("source", STATED)
def test_the_prediction_grows_with_it(source: ErrorSource) -> None:
    # Closed form: three times the sigma adds eight times its variance to each axis, and nothing else.
    one, three = (predict(scaled(source, factor), CRUISE) for factor in (1.0, 3.0))
    before = {c.name: c for c in one.causes}
    own = [c for c in one.causes if c.source is source]
    assert own and any(c.forward_m_s > 0 or c.right_m_s > 0 for c in own)
    for axis, name in enumerate(("forward_m_s", "right_m_s")):
        grown = three.sigma_m_s()[axis] ** 2 - one.sigma_m_s()[axis] ** 2
        others = sum(
            getattr(c, name) ** 2 - getattr(before[c.name], name) ** 2 for c in three.causes if c.source is not source
        )
        expected = 8 * sum(getattr(c, name) ** 2 for c in own)
        if source is not ErrorSource.HEIGHT:  # its filter leaves the less the noisier the readings are
            assert grown - others == pytest.approx(expected, rel=1e-6)
        assert grown > 0 or expected == 0


@pytest.mark.parametrize("source", SOURCES)
def test_the_prediction_says_of_each_what_it_foretells(source: ErrorSource) -> None:
    # What a module file states, or conditions do, is foretold; and only what is learnt in flight is not.
    causes = foretold(Situation(MODULE, CRUISE))[source]
    assert all(cause.source is source for cause in causes)
    if source.sigma_from is SigmaFrom.MODULE or source in (ErrorSource.IMAGE, ErrorSource.HEIGHT, ErrorSource.TILT):
        assert causes
    else:
        assert not causes and not source.module_key


BOTH = Flight(name="both", speed_m_s=1.5, rocking_rad=0.05, rocking_hz=1.0)


@pytest.mark.parametrize("source", SOURCES)
def test_acceptance_counts_it(source: ErrorSource) -> None:
    part = speed_error(MODULE, BOTH, 1.2).by_source[source]
    assert (part is None) == (not source.module_key)
    if source not in STATED:
        return
    one, three = (speed_error(scaled(source, factor), BOTH, 1.2) for factor in (1.0, 3.0))
    for axis in (0, 1):
        grown = sum(p[axis] ** 2 for p in three.parts_m_s.values()) - sum(p[axis] ** 2 for p in one.parts_m_s.values())
        assert grown == pytest.approx(8 * one.parts_m_s[source][axis] ** 2, rel=1e-6, abs=1e-18)
    assert max(one.parts_m_s[source]) > 0


@pytest.mark.parametrize("source", SOURCES)
def test_a_figure_of_the_module_that_a_flight_can_contradict_has_a_hypothesis(source: ErrorSource) -> None:
    fault = FAULTS[source]
    if fault is None:
        return
    assert source.lasts is Lasts.FLIGHT and fault.figures <= source.figures and 0 < fault.beside < fault.off


def test_a_row_reads_its_covariance_from_its_effects() -> None:
    # The budget that a row hands on is the one its covariance was made of: no second list of sources.
    assert Weighed.__annotations__["effects"] == "Effects"


def test_a_table_that_lacks_a_source_is_none() -> None:
    fields = {source.value: 0 for source in SOURCES}
    assert PerSource(**fields) == PerSource.of(lambda _: 0)
    for source in SOURCES:
        with pytest.raises(TypeError):
            PerSource(**{name: 0 for name in fields if name != source.value})
    with pytest.raises(TypeError):
        replace(PerSource(**fields), another=1)  # type: ignore[call-arg]
