"""Steady flights: nothing rocks, so most figures cannot be told; what can must be, and the rest must be named.

Synthetic flights with exact truth; the injected fault is exact.
"""

from __future__ import annotations

from typing import cast

import numpy as np
import pytest

from calib.fitness import Fitness, check_recording
from calib.fitness.frames import usual_step
from flow import scene
from flow.recording import Recording
from tests.calib.fitness.flights import half_size
from tests.calib.fitness.memory_flight import MemoryFlight, fly, with_gyro, with_range

BIAS = np.array(scene.preset_module("small").gyro.bias_rad_s)
FIGURES = {
    "clock offset",
    "mounting",
    "gyro bias",
    "readout",
    "focal length",
    "speed scale",
    "range against the image scale",
}


def checked(flight: MemoryFlight) -> Fitness:
    return check_recording(cast("Recording", flight))


@pytest.fixture(scope="module")
def climb() -> MemoryFlight:
    """Straight up from 1 m at 0.3 m/s."""
    return fly(scene.flight("climb", 4.0, height_m=1.0, speed_m_s=0.3), module=half_size(), seed=5)


@pytest.fixture(scope="module")
def yaw() -> MemoryFlight:
    """Turn on the spot at 30 degrees/s."""
    return fly(scene.flight("yaw", 4.0, height_m=1.0, yaw_rate_rad_s=np.radians(30)), module=half_size(), seed=6)


def test_clean_steady_flights_are_fit_and_say_what_they_do_not_tell(climb: MemoryFlight, yaw: MemoryFlight) -> None:
    for flight, told in ((climb, {"gyro bias", "range against the image scale"}), (yaw, set())):
        found = checked(flight)
        assert found.findings == ()
        untold = {figure.figure for figure in found.untold}
        assert set(found.told) == told
        assert untold == FIGURES - told
        assert all(figure.fly for figure in found.untold)
        height_m = found.facts["flight"]["height_m"]
        assert height_m is not None
        assert 0.9 < float(height_m) < 2.3  # known without any turning
        assert found.as_dict()["untold"][0].keys() == {"figure", "fly"}


@pytest.mark.parametrize("offset_m", [0.3, -0.2])
def test_a_climb_shows_a_range_offset(climb: MemoryFlight, offset_m: float) -> None:
    found = checked(with_range(climb, lambda _, r: r + offset_m))
    (finding,) = found.findings
    assert (finding.severity, finding.topic) == ("stop", "range")
    (ratio,) = [e for e in found.estimates if e.quantity == "range changes over the image scale's"]
    assert ratio.by_flight is not None
    assert ratio.sigma is not None
    # Heights h above ground seen as h + offset: the same metres of climb are that much smaller a share. The typical
    # height of the climb, 1.6 m, weighs the shares within a few per cent.
    assert abs(ratio.by_flight - 1.6 / (1.6 + offset_m)) < 3 * ratio.sigma


def test_a_climb_shows_a_range_that_does_not_follow(climb: MemoryFlight) -> None:
    noise = np.random.default_rng(1)
    found = checked(with_range(climb, lambda _, r: noise.normal(1.0, 0.005, len(r))))
    assert not found.fit
    assert "it does not follow the height" in found.findings[0].what


@pytest.mark.parametrize(
    ("by", "said"),
    [
        (np.diag([1, 1, -1]), "+0.52 about z, the gyro -0.52"),
        (np.diag([1, 1, 0]), "+0.52 about z, the gyro +0.00"),
        (np.eye(3)[[0, 2, 1]], "about y, the gyro +0.52"),
    ],
)
def test_a_steady_turn_shows_a_gyro_that_turns_otherwise(yaw: MemoryFlight, by: np.ndarray, said: str) -> None:
    found = checked(with_gyro(yaw, lambda rate: (rate - BIAS) @ by.T + BIAS))
    worst = found.findings[0]
    assert (worst.severity, worst.topic, found.fit) == ("stop", "gyro", False)
    assert said in worst.what


def test_a_range_that_reads_some_per_cent_long_is_said() -> None:
    """Every reading is 5 % long, as the accelerometer shows at three sigma of its own scale: worth a tape measure."""

    def channels(t: np.ndarray) -> np.ndarray:
        still = np.zeros_like(t)
        return np.column_stack([0.6 * np.sin(2 * t), still, still - 1.0, still, still, still])

    motion = scene.motion.from_function(channels, 6.0) + scene.gusts(6.0, seed=1, strength=1.0)
    flight = fly(motion, module=half_size(), seed=1)
    assert checked(flight).findings == ()
    found = checked(with_range(flight, lambda _, r: 1.05 * r))
    (finding,) = found.findings
    assert (finding.severity, finding.topic, found.fit) == ("care", "range", True)
    assert "speed by image and range changes 1.0" in finding.what


def test_a_stabilised_picture_is_called_by_its_name() -> None:
    """Electronic stabilisation takes the rocking out of the picture: the gyro turns, the ground only slides."""
    slides = fly(scene.flight("slider", 4.0, height_m=1.0, speed_m_s=0.4), module=half_size(), seed=4)
    time_s = slides.gyro_log.time_s
    rocking = 0.3 * np.column_stack([np.sin(6 * time_s), np.cos(5 * time_s), 0.3 * np.sin(4 * time_s)])
    found = checked(with_gyro(slides, lambda rate: rate + rocking))
    assert not found.fit
    (finding,) = [f for f in found.findings if f.severity == "stop"]
    assert (finding.topic, "electronic image stabilization" in finding.remedy) == ("gyro", True)
    assert "does not rotate while the gyro does" in finding.what


def test_times_rounded_to_milliseconds_keep_their_rate() -> None:
    """A container that counts milliseconds shows 16 and 17 of them; a lost frame does not count."""
    times_s = np.round(np.delete(np.arange(600), 100) / 60, 3)
    assert abs(1 / usual_step(times_s) - 60) < 0.01  # 1 ms in 10 s
