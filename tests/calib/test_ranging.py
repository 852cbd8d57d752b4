"""Range scale and offset: recovered from simulated tables with strays; unfit tables are refused."""

from __future__ import annotations

import numpy as np
import pytest

from calib.ranging import calibrate_range
from flow.errors import DataError
from flow.height import origin_height
from flow.module import Range

SCALE, OFFSET, NOISE, TAPE = 1.012, -0.020, 0.004, 1e-3
HEIGHTS = (0.3, 0.5, 1.0, 2.0, 3.0, 4.0)
SETS = 60


def table(path, rows, header="reference_m,range_m"):
    path.write_text("\n".join([header, *(",".join(f"{x:.6g}" for x in row) for row in rows)]) + "\n")
    return path


def readings(rng, *, heights=HEIGHTS, count=20, noise=NOISE, strays=0.0, tape=TAPE, bend=0.0, step=0.0):
    """Rows at the taped heights, give or take the tape; strays are double echoes and clutter."""
    rows = []
    for taped in heights:
        distance = taped + tape * rng.standard_normal()
        read = (distance - OFFSET) / SCALE + bend * distance**2 + noise * rng.standard_normal(count)
        stray, double = rng.random(count) < strays, rng.random(count) < 0.4
        read = np.where(stray, np.where(double, 2 * read, rng.uniform(0.1, 6.0, count)), read)
        rows += [(taped, r) for r in (np.round(read / step) * step if step else read)]
    return rows


def coverage(tmp_path, **options):
    """Errors over sigma of scale and offset, (sets, 2), and the calibrations."""
    rng = np.random.default_rng(7)
    found = []
    for _ in range(SETS):
        heights = np.round(HEIGHTS + rng.uniform(0, 0.05, len(HEIGHTS)), 4)
        found.append(calibrate_range(table(tmp_path / "t.csv", readings(rng, heights=heights, **options))))
    z = [((c.scale - SCALE) / c.scale_sigma, (c.offset_m - OFFSET) / c.offset_sigma_m) for c in found]
    return np.array(z), found


@pytest.mark.parametrize(
    "options",
    [{"strays": 0.15}, {"strays": 0.4}, {"count": 5}, {"noise": 1e-4}, {"step": 0.01, "noise": 1e-3}],
    ids=["strays", "many strays", "few readings", "tape is the limit", "coarse sensor"],
)
def test_scale_and_offset_within_an_honest_sigma(tmp_path, options):
    z, _ = coverage(tmp_path, **options)
    inside = (np.abs(z) <= 1.96).sum(axis=0)
    # 95 % of 60 are 57; 53 or more happens 98 times in 100.
    assert inside.min() >= 53
    assert z.std(axis=0).min() > 0.5  # no more than twice too wide
    assert np.abs(z.mean(axis=0)).max() < 4 / np.sqrt(SETS)  # no bias


def test_exact_readings_give_the_exact_line(tmp_path):
    rows = [(h, (h - OFFSET) / SCALE + wobble) for h in HEIGHTS for wobble in (-1e-3, 0, 1e-3)]
    found = calibrate_range(table(tmp_path / "t.csv", rows))
    # Six digits in the file: 5e-6 of the readings above 1 m.
    assert found.scale == pytest.approx(SCALE, abs=5e-6)
    assert found.offset_m == pytest.approx(OFFSET, abs=5e-6)
    assert found.noise_m == pytest.approx(1e-3 * SCALE, rel=1e-3)  # variance of -1, 0, 1 mm with n - 1 is 1 mm^2
    assert found.linear


def test_strays_and_double_echoes_are_counted(tmp_path):
    rng = np.random.default_rng(3)
    rows = readings(rng)
    rows[45] = (1.0, 2 * rows[45][1])  # the echo went to and fro twice
    rows[50] = (1.0, 0.31)
    found = calibrate_range(table(tmp_path / "t.csv", rows))
    at_1_m = found.heights[2]
    assert (at_1_m.strays, at_1_m.multiples, at_1_m.readings) == (2, 1, 20)
    assert sum(h.strays for h in found.heights) <= 3  # one good reading in 2000 goes
    assert found.section()["provenance"]["strays"] == sum(h.strays for h in found.heights)


def test_a_bent_sensor_is_said_and_its_sigma_covers_the_bend(tmp_path):
    _, found = coverage(tmp_path, bend=0.004)  # 6 cm at 4 m
    assert sum(not c.linear for c in found) >= 57
    assert all(any("not linear" in remark for remark in c.remarks) for c in found if not c.linear)
    for c in found:
        worst = c.largest_residual
        if not c.linear:  # off by about as much at any height: an offset nobody knows
            assert c.offset_sigma_m > np.sqrt(np.mean([h.residual_m**2 for h in c.heights]))
        assert abs(worst.residual_m) < 3 * np.hypot(c.offset_sigma_m, worst.reference_m * c.scale_sigma)


def test_a_straight_sensor_is_rarely_called_bent(tmp_path):
    _, found = coverage(tmp_path)
    # One per cent by definition; 4 or more of 60 happens once in 300.
    assert sum(not c.linear for c in found) <= 3


def test_the_air_is_reckoned_with(tmp_path):
    """A sensor that assumes 20 degrees C reads d sqrt(293.15 / T): sound at 343.2 sqrt(T / 293.15) m/s."""
    rng = np.random.default_rng(5)
    cold = np.sqrt(293.15 / (273.15 + 2.0))
    rows = [(h, r * cold, 2.0) for h, r in readings(rng, noise=1e-4, tape=0)]
    path = table(tmp_path / "t.csv", rows, "reference_m,range_m,air_temperature_c")
    found = calibrate_range(path, assumed_air_temperature_c=20.0, tape_sigma_m=1e-4)
    assert found.scale == pytest.approx(SCALE, abs=3e-4)  # three sigma of noise; the correction is 3.2e-2
    # Half a kelvin of thermometer, and half of that relative error in the root.
    assert found.scale_sigma == pytest.approx(SCALE * 0.5 * 0.5 / 275.15, rel=0.1)
    assert found.remarks == ()


def test_unknown_air_widens_the_scale_and_unused_air_is_said(tmp_path):
    rows = readings(np.random.default_rng(5))
    for stated_c in (20.0, None):
        path = table(tmp_path / "t.csv", rows)
        blind = calibrate_range(path, assumed_air_temperature_c=stated_c, air_dependent=True)
        assert blind.scale_sigma > 0.5 * 5 / 293.15  # five kelvin of an unmeasured room
        assert "give --air" in blind.remarks[0]
        assert blind.section().get("assumed_air_temperature_c") == stated_c  # what nobody measured is not written
    with_air = [(*row, 2.0) for row in rows]
    path = table(tmp_path / "u.csv", with_air, "reference_m,range_m,air_temperature_c")
    assert "was not used" in calibrate_range(path).remarks[0]


@pytest.mark.parametrize("stated_c", [None, 20.0])
@pytest.mark.parametrize("in_table", [True, False])
def test_the_scale_holds_in_the_air_of_the_bench(tmp_path, in_table, stated_c):
    """Calibrated at 8 degrees C, flown at 31: the height is right by the thermometer's half kelvin.

    Exact synthetic truth: a sensor made for 20 degrees C times the echo, sound at 343.2 sqrt(T / 293.15 K) m/s.
    """
    made_for = np.sqrt(293.15 / (273.15 + 8.0))
    rows = [(h, r * made_for) for h, r in readings(np.random.default_rng(5), noise=1e-4, tape=0)]
    path = table(tmp_path / "t.csv", rows)
    if in_table:
        path = table(tmp_path / "t.csv", [(*row, 8.0) for row in rows], "reference_m,range_m,air_temperature_c")
    air = {} if in_table else {"air_temperature_c": 8.0}
    found = calibrate_range(path, stated_c, 1e-4, air_dependent=True, **air)
    section = found.section()
    assert section["assumed_air_temperature_c"] == (8.0 if stated_c is None else stated_c)
    assert found.scale_sigma == pytest.approx(found.scale * 0.5 * 0.5 / 281.15, rel=0.1)
    sensor = Range.model_validate({k: v for k, v in section.items() if k != "provenance"})
    flown = (2.0 - OFFSET) / SCALE * np.sqrt(293.15 / (273.15 + 31.0))
    # Three sigma of the readings' noise on the scale; flown in an air 23 K off, the height would be 4 % off.
    assert origin_height(sensor, flown, 31.0, np.array([0.0, 0.0, 1.0])) == pytest.approx(2.0, rel=6e-4)


def test_an_air_given_twice_is_refused(tmp_path):
    rows = [(*row, 8.0) for row in readings(np.random.default_rng(5))]
    path = table(tmp_path / "t.csv", rows, "reference_m,range_m,air_temperature_c")
    with pytest.raises(DataError, match="leave --air out"):
        calibrate_range(path, air_temperature_c=8.0, air_dependent=True)


def test_an_empty_air_cell_takes_its_neighbour(tmp_path):
    """The afternoon warms the room by 28 K: a cell that took a far row's air would be 5 % off."""
    rows = readings(np.random.default_rng(5), noise=1e-4, tape=0)
    air_c = [2.0 if k < 60 else 30.0 for k in range(len(rows))]
    lines = [
        f"{h:g},{r * np.sqrt(293.15 / (273.15 + t)):.6g},{f'{t:g}' if k % 3 else ''}"
        for k, ((h, r), t) in enumerate(zip(rows, air_c, strict=True))
    ]
    path = tmp_path / "t.csv"
    path.write_text("\n".join(["reference_m,range_m,air_temperature_c", *lines]))
    found = calibrate_range(path, assumed_air_temperature_c=20.0)
    # Exact but for 0.1 mm of noise; the first row after the change, at 2 m, has two neighbours as near.
    assert found.scale == pytest.approx(SCALE, abs=5e-4)
    assert found.offset_m == pytest.approx(OFFSET, abs=1e-3)


def test_a_rounded_tape_is_in_the_sigma(tmp_path):
    path = table(tmp_path / "t.csv", readings(np.random.default_rng(1), noise=1e-4))
    fine, coarse = calibrate_range(path), calibrate_range(path, tape_sigma_m=5e-3)
    assert coarse.offset_sigma_m > 3 * fine.offset_sigma_m


def test_growing_noise_is_said(tmp_path):
    rng = np.random.default_rng(4)
    rows = [(h, h + 0.01 * h * e) for h in HEIGHTS for e in rng.standard_normal(20)]
    found = calibrate_range(table(tmp_path / "t.csv", rows))
    assert any("noise changes with height" in remark for remark in found.remarks)
    # One per cent of the height; twenty readings know their scatter to 16 %.
    assert [h.noise_m / h.reference_m for h in found.heights] == pytest.approx([0.01] * 6, rel=0.5)


def refused(tmp_path, rows, header="reference_m,range_m", **options):
    path = tmp_path / "t.csv"
    path.write_text("\n".join([header, *(",".join(map(str, row)) for row in rows)]) + "\n")
    with pytest.raises(DataError) as error:
        calibrate_range(path, **options)
    return error.value


GOOD = [(h, h + e) for h in (0.5, 1.0, 2.0) for e in (-0.002, 0.001, 0.0, 0.002)]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([(0.5, 0.5 + e / 1000) for e in range(10)], "one height only (0.5 m)"),
        ([(h, 1000 * r) for h, r in GOOD], "range_m looks like millimetres"),
        ([(h, 100 * r) for h, r in GOOD], "range_m looks like centimetres"),
        (
            [(100 * h, r) for h, r in GOOD if h < 0.6] + [(10.0, 0.1), (10.0, 0.1), (10.0, 0.1)],
            "beyond a tape; is it in cm or mm?",
        ),
        ([(10 * h, r / 10) for h, r in GOOD], "reference_m looks like centimetres"),
        ([(h, r / 0.3048) for h, r in GOOD], "range_m looks like feet"),
        ([*GOOD, (4.0, 4.0)], "too few readings at 4 m: 1"),
        ([(h, "") for h, _ in GOOD], "every reading is empty"),
        ([(h, 0) for h, _ in GOOD], "every reading is zero"),
        (
            [(0.5, r) for r in (0.5, 0.52, 0.48, 0.51)] + [(0.51, r) for r in (0.5, 0.53, 0.49, 0.51)],
            "too close together",
        ),
        ([*GOOD, *((4.0, 3.0 + e / 1000) for e in range(5))], "agree but mean 3.0"),
        ([], "holds no reading"),
    ],
)
def test_tables_that_cannot_serve(tmp_path, rows, words):
    assert words in str(refused(tmp_path, rows))


def test_all_stray(tmp_path):
    rng = np.random.default_rng(9)
    error = refused(tmp_path, [(h, r) for h in HEIGHTS for r in rng.uniform(0.1, 6.0, 20)])
    assert "stray" in str(error)


def test_a_line_that_fewer_than_half_support_is_not_believed(tmp_path):
    rng = np.random.default_rng(9)
    rows = [(h, r) for h in HEIGHTS for r in (*(h + 1e-3 * rng.standard_normal(6)), *rng.uniform(0.1, 6.0, 14))]
    assert "lie on one line, the others are outliers" in str(refused(tmp_path, rows))


def test_two_heights_beside_a_lost_one_prove_nothing(tmp_path):
    rng = np.random.default_rng(9)
    rows = readings(rng, heights=(0.5, 1.0)) + [(4.0, r) for r in rng.uniform(0.1, 3.0, 10)]
    path = table(tmp_path / "t.csv", rows)
    with pytest.raises(DataError, match="any two define a line"):
        calibrate_range(path)


def test_half_a_height_lost_in_clutter_is_left_out_with_a_note(tmp_path):
    rng = np.random.default_rng(9)
    rows = readings(rng) + [(5.0, r) for r in rng.uniform(0.1, 3.0, 10)]
    found = calibrate_range(table(tmp_path / "t.csv", rows))
    assert [h.reference_m for h in found.heights] == list(HEIGHTS)
    assert any("5 m left out" in remark for remark in found.remarks)


@pytest.mark.parametrize(
    ("text", "line", "key"),
    [
        ("reference_m,distance\n1,1\n", 1, "range_m"),
        ("reference_m,range_m\n0.5,0.5\n0.5,half\n", 3, "range_m"),
        ("reference_m,range_m\n0.5,0.5\n,0.5\n", 3, "reference_m"),
        ("reference_m,range_m\n0.5,0.5\n0.5,-1\n", 3, "range_m"),
        ("reference_m,range_m,air_temperature_c\n0.5,0.5,293\n", 2, "air_temperature_c"),
    ],
)
def test_a_bad_cell_is_named(tmp_path, text, line, key):
    (tmp_path / "t.csv").write_text(text)
    with pytest.raises(DataError) as error:
        calibrate_range(tmp_path / "t.csv")
    assert (error.value.line, error.value.key) == (line, key)


def test_two_heights_cannot_show_a_bend(tmp_path):
    found = calibrate_range(table(tmp_path / "t.csv", readings(np.random.default_rng(2), heights=(0.5, 2.0))))
    assert found.bent_p == 1.0
    assert "two heights" in found.remarks[0]
