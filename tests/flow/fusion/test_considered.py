"""Constant figures that the filter considers: what they do to its states, against the states with the figures off by so much."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.anchoring.sight import Sight
from flow.error_sources import ErrorSource
from flow.fusion import Filter
from flow.fusion import layout as at
from flow.fusion.anchors import AnchorReader
from flow.fusion.considered import BY_ROWS, FIGURES, OF_ROWS, WHERE, SightColumns
from flow.fusion.quantities import correct_values
from flow.fusion.ranging import RangeReader
from flow.module import Module
from flow.stated_sigmas import stated_sigma
from tests.flow.fusion.flown import MODULE, NOISE, Array, Flown, Run, fly, fuse, hover

SMALL = 1e-3
TIMES = slice(100, None, 150)  # of the samples


@functools.cache
def flight(*, sights: bool = False) -> Flown:
    return fly(hover(3.0, 5, speed_m_s=0.8), 5, sights=sights)


def exact() -> Module:
    """Make a module without any uncertainty: nothing is considered but what a test sets."""
    base = MODULE.model_dump(exclude_none=True)
    base["camera"]["sigma"] |= {"fx_px": 0.0, "fy_px": 0.0}
    base["alignment"]["sigma"] |= {
        "camera_to_body_rad": [0.0] * 3,
        "camera_position_m": [0.0] * 3,
        "time_offset_s": 0.0,
    }
    base["range"] |= {"air_dependent": False}
    base["range"].pop("assumed_air_temperature_c", None)
    base["range"]["sigma"] |= {"scale": 0.0, "offset_m": 0.0}
    return Module.model_validate(base)


def added(run: Run, plain: Run) -> Array:
    """One-sigma (K, 4) that figures have added to velocity and height."""
    velocity = run.of("velocity_sigma_m_s")[TIMES] ** 2 - plain.of("velocity_sigma_m_s")[TIMES] ** 2
    height = run.of("height_sigma_m")[TIMES] ** 2 - plain.of("height_sigma_m")[TIMES] ** 2
    return np.sqrt(np.maximum(np.column_stack([velocity, height]), 0.0))


def moved(run: Run, plain: Run) -> Array:
    """How far velocity and height (K, 4) have moved."""
    parts = (run.of("velocity_m_s") - plain.of("velocity_m_s"), (run.of("height_m") - plain.of("height_m"))[:, None])
    return np.abs(np.hstack(parts))[TIMES]


@pytest.mark.parametrize("place", range(OF_ROWS.stop))
def test_a_figure_that_rows_carry_is_as_wrong_in_the_states_as_they_are(place: int) -> None:
    # Truth: the filter and the smoother themselves, with the rows off by one sigma of the figure. They are linear but for
    # turns: a per cent of the largest. The effect goes with the velocity, and alternates, as a clock's does.
    plain_flight = replace(flight(), module=exact())
    columns = []
    for k, row in enumerate(plain_flight.rows):
        effect = np.zeros((3, OF_ROWS.stop))
        assert row.velocity_m_s is not None
        effect[:, place] = SMALL * (row.velocity_m_s + np.array([0.2, -0.1, 0.05]) * np.sin(0.3 * k + place))
        columns.append(effect)
    off = [
        replace(row, velocity_m_s=row.velocity_m_s + effect[:, place])  # type: ignore[operator]
        for row, effect in zip(plain_flight.rows, columns, strict=True)
    ]
    told = [replace(row, considered_m_s=effect) for row, effect in zip(plain_flight.rows, columns, strict=True)]
    plain = fuse(plain_flight)
    shown = added(fuse(replace(plain_flight, rows=told)), plain)
    true = moved(fuse(replace(plain_flight, rows=off)), plain)
    assert true[:, 0].max() > 0.3 * SMALL * 0.8
    np.testing.assert_allclose(shown, true, atol=0.02 * true.max())


def test_a_range_that_is_off_is_as_wrong_in_the_states() -> None:
    # Truth as above: readings, heights and speeds longer by a thousandth. Mutation: with the height of the state taken as
    # certain the velocity would not show it.
    plain_flight = replace(flight(), module=exact())
    base = plain_flight.module.model_dump(exclude_none=True)
    base["range"]["sigma"]["scale"] = SMALL
    ranges = replace(plain_flight.ranges, range_m=(1 + SMALL) * plain_flight.ranges.range_m)
    off = [
        replace(row, velocity_m_s=(1 + SMALL) * row.velocity_m_s, height_m=(1 + SMALL) * row.height_m)  # type: ignore[operator]
        for row in plain_flight.rows
    ]
    plain = fuse(plain_flight)
    shown = added(fuse(replace(plain_flight, module=Module.model_validate(base))), plain)
    true = moved(fuse(replace(plain_flight, ranges=ranges, rows=off)), plain)
    assert true[:, 3].max() > 0.5 * SMALL
    np.testing.assert_allclose(shown, true, atol=0.05 * true.max())


def sight() -> Sight:
    return Sight(
        time_s=1.0, anchor=1, way_m=np.array([0.3, -0.2, 0.05]),
        R_anchor_now=Rotation.from_rotvec([0.02, -0.03, 0.1]).as_matrix(), covariance=np.eye(6), lasting=np.zeros((6, 6)),
        by_slope=np.zeros((6, 2)), slope_axes=np.eye(3)[:, :2], tilt_sigma_rad=0.01, height_m=1.0, distance_m=1.0,
    )  # fmt: skip


def seen_with(source: ErrorSource, axis: int, unit: float) -> tuple[Array, Array]:
    """Way and turn of the sight by a module whose figure is off by a unit, with the sign of the rows' effects."""
    seen, mounting = sight(), MODULE.alignment.R_body_camera
    way, R = seen.way_m, seen.R_anchor_now
    vector = unit * np.eye(3)[axis]
    if source is ErrorSource.MOUNTING:
        off = Rotation.from_rotvec(-vector).as_matrix()
        return off @ way, off @ R @ off.T
    if source is ErrorSource.LEVER_ARM:  # the camera moves by way + (R - 1) arm, whatever is believed of the arm
        return way + (R - np.eye(3)) @ vector, R
    assert source is ErrorSource.FOCAL_LENGTH
    # Image motion over the focal length: shift and turn about the other axis.
    shift, turned = mounting.inv().apply(way), mounting.inv().apply(Rotation.from_matrix(R).as_rotvec())
    shift[axis] /= 1 + unit
    turned[1 - axis] /= 1 + unit
    return mounting.apply(shift), Rotation.from_rotvec(mounting.apply(turned)).as_matrix()


@pytest.mark.parametrize("source", [ErrorSource.FOCAL_LENGTH, ErrorSource.MOUNTING, ErrorSource.LEVER_ARM])
def test_sights_are_off_by_figures_as_their_geometry_says(source: ErrorSource) -> None:
    # Truth: the geometry with the figure off. First order in the turn of 0.1 rad.
    columns = SightColumns(MODULE).of(sight(), np.zeros(6))
    sigma = stated_sigma(source, MODULE)
    for axis in range(source.figures):
        way, R = seen_with(source, axis, 1e-5)
        turn = Rotation.from_matrix(R @ sight().R_anchor_now.T).as_rotvec()
        expected = np.concatenate([way - sight().way_m, turn]) / 1e-5 * sigma[axis]
        np.testing.assert_allclose(columns[:, WHERE[source]][:, axis], expected, atol=0.03 * sigma[axis] * 0.4)


def test_a_late_clock_shows_a_sight_of_later() -> None:
    # Closed form: the way since the anchor grows by the velocity gained since, the turn by the rate gained.
    gained = np.array([0.5, 0.1, -0.2, 0.3, -0.4, 0.2])
    columns = SightColumns(MODULE).of(sight(), gained)
    clock = float(stated_sigma(ErrorSource.CLOCK, MODULE)[0])
    np.testing.assert_allclose(columns[:, WHERE[ErrorSource.CLOCK]][:, 0], clock * gained)


def test_every_figure_that_is_considered_reaches_sights_or_ranges() -> None:
    columns = SightColumns(MODULE).of(sight(), np.ones(6))
    assert all(columns[:, WHERE[source]].any() for source in BY_ROWS)
    by_range = RangeReader(MODULE).considered(1.0)
    assert by_range[OF_ROWS.stop :].all() and not by_range[: OF_ROWS.stop].any() and len(by_range) == FIGURES


def test_what_the_flight_has_found_comes_on_top() -> None:
    # Closed form: variances add, axis by axis.
    lasting = np.array([0.01, 0.02, 0.03])
    rows = [replace(row, lasting_m_s=lasting) for row in flight().rows]
    grown = [
        fuse(replace(flight(), rows=some)).of("velocity_sigma_m_s")[TIMES] ** 2 for some in (rows, list(flight().rows))
    ]
    np.testing.assert_allclose(grown[0] - grown[1], np.tile(lasting**2, (len(grown[0]), 1)), rtol=1e-6)


def test_the_drift_of_rows_is_the_filters_own() -> None:
    # What rows say of uneven ground and moving light is the variance of the drift from their first to their last.
    drift = np.array([4e-4, 1e-4, 9e-4])
    rows = [replace(row, drift_m2_s2=drift) for row in flight().rows]
    filter_ = Filter(MODULE, NOISE)
    filter_.push_gyro(flight().gyro.part(slice(0, 400)))
    filter_.push_row(rows[0])
    assert filter_._estimate is not None
    # Less than a hundredth of it is learnt by one row, whose other errors are larger.
    held = np.diag(filter_._estimate.covariance)[at.DRIFT]
    assert (held <= drift).all() and held == pytest.approx(drift, rel=0.5)
    np.testing.assert_allclose(filter_._estimate.noise[17:20].sum(), drift.sum())


@pytest.mark.parametrize("error", range(at.ERRORS))
def test_sights_show_each_error_of_the_state_as_it_is(error: int) -> None:
    # Source: central differences of what is missing; the height of the anchor and its plane's slope among them. Second order
    # in the turn of 0.1 rad.
    values = np.zeros(at.VALUES)
    values[at.V_ROTATION] = Rotation.from_euler("ZYX", [0.4, 0.03, -0.02]).as_matrix().ravel()
    values[at.V_HEIGHT], values[at.V_ANCHOR_HEIGHT], values[at.V_SLOPE] = 0.95, 1.0, (2e-3, -1e-3)
    values[at.V_POSITION] = 0.28, -0.2
    reader = AnchorReader(MODULE)
    reader._R_anchor = Rotation.from_euler("ZYX", [0.3, 0.05, -0.04]).as_matrix()
    shown = replace(sight(), by_slope=np.random.default_rng(1).normal(0, 0.5, (6, 2)))
    rows, _ = reader._compare(values, shown)
    ends = []
    for sign in (1.0, -1.0):
        off, change = values.copy(), np.zeros(at.ERRORS)
        change[error] = sign * 1e-6
        correct_values(off, change)
        ends.append(reader._compare(off, shown)[1])
    np.testing.assert_allclose(rows[:, error], -(ends[0] - ends[1]) / 2e-6, atol=0.12)
    if error in (at.ANCHOR_HEIGHT, *range(at.SLOPE.start, at.SLOPE.stop)):
        np.testing.assert_allclose(rows[:, error], -(ends[0] - ends[1]) / 2e-6, atol=0.02)
        assert np.abs(rows[:, error]).max() > 0.1


@pytest.mark.parametrize("axis", [0, 1])
def test_the_slope_of_an_anchors_plane_is_what_its_tilt_was_off_by(axis: int) -> None:
    # Closed form: level axes believed that are turned by a small angle about forward or right take another direction for
    # down; by how much, along the slope's axes, is the slope of ground that is level. Rows have the same error of the tilt,
    # with the sign that tests/flow/pair/test_shared_errors.py holds. Mutation: the other sign, or none.
    off, sigma = 1e-5, 0.01
    R_level_body = Rotation.from_euler("YX", [0.05, -0.04]).as_matrix()  # true, heading 0
    believed = Rotation.from_rotvec(off * np.eye(3)[axis]).as_matrix() @ R_level_body
    missed = R_level_body[2] - believed[2]  # down, body axes: true less believed
    across = np.linalg.svd(believed[2][None])[2][1:].T
    reader = AnchorReader(MODULE)
    reader._R_anchor = Rotation.from_euler("Z", 0.7).as_matrix() @ R_level_body
    by_lean = reader._slope_by_lean(replace(sight(), slope_axes=across, tilt_sigma_rad=sigma))
    lean = -off / sigma * np.eye(2)[axis]
    np.testing.assert_allclose(by_lean @ lean, across.T @ missed, atol=0.01 * off)
