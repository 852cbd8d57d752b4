"""What the log must do with each fault that recordings have; see ``fault_flights.py``.

Expected is exact synthetic truth. A row may be off by more than 4 of its own sigmas and 2 cm/s once in 200 over all
faults together: 4 sigma of a Gaussian is one in 16 000, the rest is for what no band knows beforehand.
"""

from __future__ import annotations

import functools
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from tests.flow import flights
from tests.flow.fault_flights import FAULTS, Fault, clean
from tests.flow.flights import HEIGHT_RECOVERY_S, Measured, inertial, rocking_pass
from tests.flow.spoils import range_gap, ranges

ONE_IN = 200
FRAMES_AFTER = 3


def usable(rows: Measured) -> np.ndarray:
    return np.array([word == "ok" for word in rows.status])


def off(rows: Measured) -> np.ndarray:
    return (np.abs(rows.error_m_s) > np.maximum(4 * rows.sigma_m_s, 0.02)).any(axis=1)


def complaints(fault: Fault, rows: Measured) -> list[str]:
    """Say what a log does not hold."""
    told, said = usable(rows), []
    if told.mean() < fault.least:
        said.append(f"gives {told.mean():.2f} of its rows, not {fault.least}")
    if fault.clean_from_s is not None:
        begin_s = rows.time_s - [row.interval_s / 2 for row in rows.rows]
        after = told[begin_s >= fault.clean_from_s - 1e-6]
        if not after[FRAMES_AFTER - 1 :].all():
            said.append(f"is not back {FRAMES_AFTER} frames after the fault")
    if fault.silent_from_s is not None and told[rows.time_s > fault.silent_from_s].any():
        said.append("gives speeds")
    if fault.silent_from_s is not None and "gyro_disagrees" not in rows.status:
        said.append("does not name the gyro")
    high = np.abs(rows.height_error_m) > np.maximum(4 * rows.height_sigma_m, 0.01)
    high &= (rows.time_s < fault.height_blind_s[0]) | (rows.time_s > fault.height_blind_s[1])
    if high.any():
        said.append(f"has a wrong height at {rows.time_s[high][:3]}")
    return [*said, str(Counter(rows.status))] if said else []


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_costs_what_it_must_and_no_row_is_off(name: str) -> None:
    fault = FAULTS[name]
    rows = fault.measured()
    assert not complaints(fault, rows)
    assert off(rows).sum() <= fault.off


def test_next_to_no_row_may_be_off() -> None:
    # Of some 80 rows a flight, half of them with a velocity at least over all faults (2,800 of 4,600, measured).
    assert sum(fault.off for fault in FAULTS.values()) < 40 * len(FAULTS) / ONE_IN


def test_the_height_is_back_within_half_a_second() -> None:
    whole = rocking_pass()
    long = replace(whole, attitude_log=None, frames=whole.frames[::2])
    rows = flights.measured(range_gap(0.4, 3.2)(long))
    assert "no_height" in rows.status
    assert usable(rows)[rows.time_s > 3.2 + HEIGHT_RECOVERY_S].all()
    assert not off(rows).any()
    assert rows.rows[-1].time_s > 3.2 + HEIGHT_RECOVERY_S + 0.1


@functools.cache
def without_fault() -> flights.Measured:
    return flights.measured(inertial())


@pytest.mark.parametrize("near_m", [0.2, 0.35, 0.5])
def test_a_ranger_that_hung_leaves_no_doubt_behind(near_m: float) -> None:
    # A third of a second after the last wrong reading the bands are those of the same flight without: what was uncertain meanwhile
    # must not have been learnt from. (The vertical hangs on the climb, which takes some seconds to settle.)
    begin_s, end_s = 1.2, 2.0
    hung = ranges(lambda t, r: np.where((t > begin_s) & (t < end_s), near_m, r))
    rows, clean_rows = flights.measured(hung(inertial())), without_fault()
    after = (rows.time_s > end_s + 0.3) & (rows.time_s < end_s + 0.8)
    assert usable(rows)[after].all()
    assert not off(rows).any()
    wider = np.median(rows.sigma_m_s[after] / clean_rows.sigma_m_s[after], axis=0)
    assert (wider < [1.3, 1.3, 2.0]).all(), wider


def test_a_clean_flight_is_not_accused() -> None:
    # The guards against each fault, on flights without one: rocking, gusts, at all rates.
    for flown in (clean(), rocking_pass()):
        assert set(flights.measured(flown).status) == {"ok"}
