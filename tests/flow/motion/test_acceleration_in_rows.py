"""The acceleration within a pair, in the rows of rendered flights."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from flow import scene
from flow.motion.acceleration import Acceleration
from flow.motion.motion_filter import MotionFilter
from tests.flow.flights import Flight, flight, measured


def swaying(**keys: object) -> Flight:
    """Forward and back by 1.2 m/s^2 at 0.8 Hz, over gravel at 1 m; rows of 14 ms."""

    def channels(t: np.ndarray) -> np.ndarray:
        still, way = np.zeros_like(t), 1.2 / (2 * np.pi * 0.8) ** 2 * np.sin(2 * np.pi * 0.8 * t)
        return np.column_stack([-way, 0.5 * way, still - 1.0, still, still, still])

    return flight(scene.from_function(channels, 4.0), attitude=scene.AttitudeErrors(noise_rad=1e-4), **keys)


def climb_for_acceleration(flown: Flight) -> float:
    """Signed slope of the down speed's error against the forward acceleration, s."""
    found = measured(flown)
    known, forward = found.time_s > 1.0, 1.2 * np.sin(2 * np.pi * 0.8 * found.time_s)
    error = found.error_m_s[known, 2] - found.error_m_s[known, 2].mean()
    return float(error @ forward[known] / (forward[known] @ forward[known]))


def test_speed_that_changes_is_no_climb(monkeypatch: pytest.MonkeyPatch) -> None:
    # Exact truth. Rows of 14 ms that see 1 m/s^2 show a stretch along the rows that reads as 5 mm/s of climb (measured with
    # the acceleration left out); known to a tenth, a tenth of that is left. Turned about it reads as twice as much.
    flown = swaying()
    assert abs(climb_for_acceleration(flown)) < 0.4e-3
    real = MotionFilter.acceleration
    for factor, times in ((0.0, 1.0), (-1.0, 2.0)):

        def wrong(self: MotionFilter, *args: object, factor: float = factor) -> Acceleration:
            known = real(self, *args)  # type: ignore[arg-type]
            return replace(known, vector_m_s2=factor * known.vector_m_s2)

        monkeypatch.setattr(MotionFilter, "acceleration", wrong)
        assert climb_for_acceleration(flown) == pytest.approx(times * 5e-3, rel=0.3)
