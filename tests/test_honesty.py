"""What :mod:`tests.benchmarks.honesty` counts, on errors drawn with known sigmas and on paths in closed form."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from flow import scene
from tests.benchmarks.honest_figures import Errors, Figures, _errors
from tests.benchmarks.honest_flights import KINDS, flights
from tests.benchmarks.honest_store import _flown
from tests.benchmarks.honesty import comparison, report, verdict

COUNT = 40_000


def drawn(factor: float, sigma_m_s: float = 0.01) -> Errors:
    """Draw normal errors ``factor`` times as large as their sigma says."""
    noise = np.random.default_rng(3).normal(size=(COUNT, 3))
    found = _errors(factor * sigma_m_s * noise, np.full((COUNT, 3), sigma_m_s))
    assert found is not None
    return found


@pytest.mark.parametrize(
    # Of a normal distribution: within 1.96 and 1.96 / 2 sigma; beyond 4 / 2 in one of three axes, 1 - (1 - 0.0455)^3.
    ("factor", "cover", "beyond"),
    [(1.0, 0.950, 0.0002), (2.0, 0.673, 0.130)],
)
def test_errors_in_their_own_sigmas(factor: float, cover: float, beyond: float) -> None:
    found = drawn(factor)
    # 40,000 draws know a variance to 0.7 % and a share to 0.25 %: three times.
    assert found.nees == pytest.approx([factor**2] * 3, rel=0.021)
    assert found.rms_mm == pytest.approx([10 * factor] * 3, rel=0.011)
    assert found.cover == pytest.approx([cover] * 3, abs=0.008)
    assert found.beyond == pytest.approx(beyond, abs=0.006)


def test_small_errors_are_never_beyond() -> None:
    # Ten times the sigma, and far under 2 cm/s.
    assert drawn(10.0, 1e-4).beyond == 0
    assert drawn(10.0, 1e-4).nees == pytest.approx([100.0] * 3, rel=0.021)


def test_rows_without_truth_do_not_count() -> None:
    error, sigma = np.array([[0.01, 0.0, 0.0], [np.nan, 0.0, 0.0]]), np.full((2, 3), 0.01)
    found = _errors(error, sigma)
    assert found is not None
    assert (found.samples, found.nees) == (1, (1.0, 0.0, 0.0))
    assert _errors(error[1:], sigma[1:]) is None


def figures(name: str, speed: Errors | None) -> Figures:
    return Figures(
        kind="small", group="small lossless", name=name, rows=300, usable=1.0, speed=speed, fused=None, place=None
    )


def test_verdict_averages_recordings_and_names_the_worst() -> None:
    members = [figures("a", drawn(1.0)), figures("b", drawn(2.1)), figures("c", None)]
    found = verdict(members, "speed")
    assert found is not None
    assert (found.recordings, found.worst_name) == (2, "b")
    assert found.mean.nees == pytest.approx([(1 + 2.1**2) / 2] * 3, rel=0.021)
    assert found.passes == (False, False, False)
    calm = verdict(members[:1], "speed")
    assert calm is not None
    assert calm.passes == (True, True, True)
    wide = verdict([figures("w", drawn(0.5))], "speed")  # too wide a band is no honest one either
    assert wide is not None
    assert wide.passes == (False, True, True)
    assert verdict(members, "place") is None


def test_report_and_comparison_of_what_was_read_back() -> None:
    before = [figures("a", drawn(2.0)), figures("only before", drawn(1.0))]
    after = [Figures.of(json.loads(json.dumps(figures("a", drawn(1.0)).as_dict())))]
    assert after[0] == figures("a", drawn(1.0))
    line = next(text for text in comparison(before, after) if text.startswith("a "))
    assert "0.50/0.50/0.50" in line  # RMS after over before
    assert any("FAIL" in text for text in report(before))
    assert not any("FAIL" in text for text in report(after))


def test_path_is_given_in_the_axes_of_its_start() -> None:
    # Flying north at 2 m/s with the nose east, that is to the left; the nose turns on, the axes of the start stay.
    motion = scene.straight(2, height_m=1, speed_m_s=2, yaw_rad=np.pi / 2, yaw_rate_rad_s=0.0)
    way = _flown(motion).since(0.5, np.array([0.5, 1.25]))
    assert way == pytest.approx(np.array([[0.0, 0.0], [0.0, -1.5]]), abs=1e-9)


def test_flights_have_names_of_their_own_and_modules_that_are_off() -> None:
    all_of_them = flights()
    assert len({(one.kind, one.name) for one in all_of_them}) == len(all_of_them)
    assert {one.kind for one in all_of_them} < set(KINDS)
    assert all(one.variants for one in all_of_them)
    # A flight's text is what says that a rendered one is still the same: it must change with what flies.
    one = all_of_them[0]
    assert repr(replace(one, height_m=one.height_m + 0.1)) != repr(one)
    assert len({one.seed for one in all_of_them}) == len(all_of_them)
