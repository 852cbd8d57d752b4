"""Time columns: exact nanoseconds, counters that come round, units that change."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from flow.errors import DataError
from flow.intake.log_times import check_units, increasing, pace, time_zero_ns, to_ns, unwrapped

LOG = Path("log.csv")


def ns(values, unit="us"):
    cells = np.array(values)
    return to_ns(cells, unit, LOG, np.arange(len(cells)) + 2, "t")


def test_nanoseconds_since_1970_keep_every_digit():
    stamps = 1_780_000_000_123_456_789 + np.arange(5) * 2_000_001
    np.testing.assert_array_equal(ns(stamps, "ns"), stamps)
    zero = time_zero_ns([int(stamps[0])])
    assert zero == 1_780_000_000_000_000_000
    np.testing.assert_allclose((stamps - zero) * 1e-9, 0.123456789 + np.arange(5) * 0.002000001, rtol=0, atol=1e-15)


def test_a_log_that_starts_at_its_own_zero_keeps_its_times():
    assert time_zero_ns([37_400_000_000, 5]) == 0


@pytest.mark.parametrize(
    ("unit", "factor"), [("s", 10**9), ("ms", 10**6), ("us", 10**3), ("ns", 1), ("min", 60 * 10**9)]
)
def test_units_of_time(unit, factor):
    np.testing.assert_array_equal(ns([3, 5, 11], unit), np.array([3, 5, 11]) * factor)
    np.testing.assert_array_equal(ns([3.0, 5.5, 11.25], unit), np.rint(np.array([3.0, 5.5, 11.25]) * factor))


def test_dates_are_understood_with_their_zone():
    # The same instant twice; 2026-05-01 00:00 UTC is 20574 days after 1970 (numpy counts them).
    day = int(np.datetime64("2026-05-01", "ns").astype(np.int64))
    found = ns(["2026-05-01T02:00:00.5+02:00", "2026-05-01 00:00:00.502"], "iso8601")
    np.testing.assert_array_equal(found, [day + 500_000_000, day + 502_000_000])


@pytest.mark.parametrize(
    ("bits", "tick", "unit", "name"),
    [
        (32, 1000, "us", "32-bit microsecond"),
        (32, 10**6, "ms", "32-bit millisecond"),
        (16, 10**6, "ms", "16-bit millisecond"),
    ],
)
def test_counters_that_come_round_are_carried_on(bits, tick, unit, name):
    true = (1 << bits) - 5000 + np.arange(0, 40_000 if bits == 32 else 60_000, 7)
    true = true[true < 2 * (1 << bits) - 1]
    wrapped = true % (1 << bits)
    assert (np.diff(wrapped) < 0).sum() == 1
    carried, counter = unwrapped(ns(wrapped, unit))
    assert counter == f"{name} counter"
    np.testing.assert_array_equal(carried, true * tick)


def test_a_counter_may_come_round_more_than_once_and_lose_rows_there():
    true = np.arange(0, 5 * 65536, 3)
    true = true[(true % 65536 < 65400) & (true % 65536 > 60)]
    carried, counter = unwrapped(ns(true % 65536, "ms"))
    assert counter == "16-bit millisecond counter"
    np.testing.assert_array_equal(carried, true * 10**6)


def test_a_log_that_starts_again_is_no_counter_that_came_round():
    again = ns([*range(0, 1000, 10), *range(0, 1000, 10)], "ms")
    carried, counter = unwrapped(again)
    assert counter is None
    with pytest.raises(DataError, match=r"log.csv:102: t: time runs backwards: 0 s after 0.99 s"):
        increasing(carried, np.arange(200.0)[:, None], LOG, np.arange(200) + 2, "t")


def test_a_unit_that_changes_on_the_way_is_refused_where_it_does():
    seconds = [*(0.002 * np.arange(400)), *(1000 * 0.002 * np.arange(400, 800))]
    with pytest.raises(
        DataError, match=r"log.csv:402: t: time changes its unit: rows are 0.002 s apart, from here on 2 s"
    ):
        check_units(ns(seconds, "s"), LOG, np.arange(800) + 2, "t")


def test_a_leap_of_hours_is_two_logs():
    seconds = [*(0.002 * np.arange(300)), *(1_780_000_000 + 0.002 * np.arange(300))]
    with pytest.raises(DataError, match=r"log.csv:302: t: time leaps by 1.78e\+09 s; does the file hold two logs"):
        check_units(ns(seconds, "s"), LOG, np.arange(600) + 2, "t")


def test_holes_and_jitter_are_no_change_of_unit():
    rng = np.random.default_rng(1)
    seconds = np.cumsum(rng.uniform(0.001, 0.004, 2000))
    seconds[1000:] += 60.0  # a minute was not recorded
    check_units(ns(seconds, "s"), LOG, np.arange(2000) + 2, "t")


def test_rows_logged_twice_count_once():
    keep, doubled = increasing(ns([1, 2, 2, 3]), np.array([[1.0], [5.0], [5.0], [2.0]]), LOG, np.arange(4) + 2, "t")
    np.testing.assert_array_equal(keep, [True, True, False, True])
    assert doubled == 1


def test_a_clock_that_counts_too_coarsely_is_named():
    coarse = np.arange(0, 100, 1) // 4
    with pytest.raises(
        DataError, match=r"log.csv:3: t: time repeats .* so do 75 % of the rows: the clock counts too coarsely"
    ):
        increasing(ns(coarse, "ms"), np.arange(100.0)[:, None], LOG, np.arange(100) + 2, "t")


@pytest.mark.parametrize(
    ("cells", "unit", "problem"),
    [
        ([1.0, np.nan], "s", "empty cell where every row needs its time"),
        ([1.0, 1e12], "s", "s is beyond any time"),
        (["2026-05-01", "half past nine"], "iso8601", "half past nine is no date"),
    ],
)
def test_cells_that_are_no_time_are_refused(cells, unit, problem):
    with pytest.raises(DataError, match=rf"log.csv:3: t: .*{problem}"):
        ns(cells, unit)


def test_pace_is_rate_jitter_and_the_longest_gap():
    rng = np.random.default_rng(2)
    steps = 0.002 + rng.normal(0, 1e-4, 20_000)
    steps[777] = 0.5
    found = pace(np.cumsum(steps))
    # Median and quartiles of 20,000 Gaussian steps: one-sigma of the median 1e-4 * 1.25 / 141, of the spread 1 %.
    assert found.rate_hz == pytest.approx(500, rel=4e-3)
    assert found.jitter_s == pytest.approx(1e-4, rel=0.05)
    assert found.longest_s == pytest.approx(0.5)
    assert str(found).startswith("500") or str(found).startswith("499")
