"""The attitude log against gyro and accelerometer, on rocking in closed form.

With a steady heading the body rates of intrinsic z-y-x angles are ``(r', p' cos r, -p' sin r)``, and a craft that does not
accelerate feels ``g (sin p, -sin r cos p, -cos r cos p)``.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import cast

import numpy as np
import pytest

from calib.fitness import check_recording
from calib.fitness.attitude_log import attitude_facts, attitude_findings, gathered_attitude
from flow import scene
from flow.recording import Recording
from flow.series import AttitudeSamples, GyroSamples
from tests.calib.fitness.flights import climbing_pass, half_size
from tests.calib.fitness.memory_flight import fly

Array = np.ndarray
Spoil = Callable[[AttitudeSamples], AttitudeSamples]
BIAS = np.array([0.01, -0.02, 0.005])
LASTS_S = 12.0


def angles(t: Array) -> tuple[Array, Array]:
    """Roll and pitch; no common period, so that neither sign nor delay passes for the other."""
    return 0.05 * np.sin(4.1 * t) + 0.02 * np.sin(9.7 * t), 0.04 * np.sin(3.3 * t + 1) + 0.02 * np.sin(7.9 * t)


def logs(rate_hz: float = 100.0) -> tuple[AttitudeSamples, GyroSamples]:
    rng = np.random.default_rng(1)
    t = np.arange(0, LASTS_S, 0.002)
    roll, pitch = angles(t)
    roll_s = 0.205 * np.cos(4.1 * t) + 0.194 * np.cos(9.7 * t)
    pitch_s = 0.132 * np.cos(3.3 * t + 1) + 0.158 * np.cos(7.9 * t)
    rate = np.column_stack([roll_s, pitch_s * np.cos(roll), -pitch_s * np.sin(roll)]) + BIAS
    force = 9.81 * np.column_stack([np.sin(pitch), -np.sin(roll) * np.cos(pitch), -np.cos(roll) * np.cos(pitch)])
    gyro = GyroSamples(
        time_s=t, rate_rad_s=rate + rng.normal(0, 2e-3, rate.shape), accel_m_s2=force + rng.normal(0, 0.05, force.shape)
    )
    at = np.arange(-0.5, LASTS_S + 0.5, 1 / rate_hz)
    noise = rng.normal(0, 1e-3, (2, len(at)))
    roll, pitch = angles(at)
    return AttitudeSamples(time_s=at, roll_rad=roll + noise[0], pitch_rad=pitch + noise[1]), gyro


def frozen(log: AttitudeSamples) -> AttitudeSamples:
    held = (log.time_s > 4) & (log.time_s < 5.5)
    k = int(held.argmax())
    return replace(
        log,
        roll_rad=np.where(held, log.roll_rad[k], log.roll_rad),
        pitch_rad=np.where(held, log.pitch_rad[k], log.pitch_rad),
    )


def hole(log: AttitudeSamples) -> AttitudeSamples:
    kept = (log.time_s < 4) | (log.time_s > 4.6)
    return AttitudeSamples(time_s=log.time_s[kept], roll_rad=log.roll_rad[kept], pitch_rad=log.pitch_rad[kept])


FAULTS: dict[str, tuple[Spoil, str, str]] = {
    "sign of roll": (lambda a: replace(a, roll_rad=-a.roll_rad), "stop", "roll turns against the gyro: wrong sign"),
    "both signs": (
        lambda a: replace(a, roll_rad=-a.roll_rad, pitch_rad=-a.pitch_rad), "stop", "roll and pitch turn against the gyro",
    ),
    "swapped": (
        lambda a: replace(a, roll_rad=a.pitch_rad, pitch_rad=a.roll_rad), "stop", "does not turn as the gyro does",
    ),
    "another flight": (
        lambda a: replace(a, roll_rad=angles(0.71 * a.time_s)[0], pitch_rad=angles(1.37 * a.time_s)[1]), "stop", "does not turn",
    ),
    "late": (lambda a: replace(a, time_s=a.time_s + 0.1), "care", "comes 100 ms too late"),
    "early": (lambda a: replace(a, time_s=a.time_s - 0.1), "care", "comes 100 ms too early"),
    "frozen": (frozen, "stop", r"stand still .* gyro turns \(1.5 s\)"),
    "gap": (hole, "care", r"no attitude for up to 0.6[01] s"),
    "leaning": (lambda a: replace(a, roll_rad=a.roll_rad + 0.1), "care", r"leans by \+5.7° roll and [-+]0.0° pitch"),
}  # fmt: skip


def test_a_good_log_has_no_finding() -> None:
    log, gyro = logs()
    facts = attitude_facts(log, [gyro], BIAS)
    assert list(attitude_findings(facts, 0.0)) == []
    assert facts.gain is not None and facts.late_s is not None
    # 12 s of 0.03 rad RMS in 0.0014 rad of noise: gains to 1 %, and the delay to a step of the search, 5 ms.
    assert facts.gain == pytest.approx((1.0, 1.0), abs=0.02)
    assert facts.late_s == pytest.approx(0.0, abs=0.0051)
    assert facts.rate_hz == pytest.approx(100.0)


@pytest.mark.parametrize(("spoil", "severity", "words"), FAULTS.values(), ids=FAULTS)
def test_each_fault_is_found_and_nothing_else(spoil: Spoil, severity: str, words: str) -> None:
    log, gyro = logs()
    found = list(attitude_findings(attitude_facts(spoil(log), [gyro], BIAS), 0.0))
    assert [(f.severity, f.topic) for f in found] == [(severity, "attitude")]
    assert re.search(words, found[0].what), found[0].what


def test_a_slow_log() -> None:
    log, gyro = logs(10.0)
    found = list(attitude_findings(attitude_facts(log, [gyro], BIAS), 0.0))
    assert [f.what for f in found] == ["10 readings/s"]


def test_what_is_far_from_the_stretches_is_not_kept() -> None:
    log, _ = logs()
    kept = gathered_attitude(iter([log]), [(4.0, 5.0)])
    assert kept is not None and (kept.time_s[0], kept.time_s[-1]) == pytest.approx((3.0, 6.0), abs=0.011)
    assert gathered_attitude(None, [(4.0, 5.0)]) is None


def test_the_check_looks_at_it() -> None:
    """A rendered flight: the log as it was passes, and one with the other sign of roll does not."""
    flight = fly(climbing_pass(), seed=2, module=half_size(), attitude=scene.AttitudeErrors())
    assert flight.attitude_log is not None
    wrong = replace(flight, attitude_log=replace(flight.attitude_log, roll_rad=-flight.attitude_log.roll_rad))
    said = [
        [f.what for f in check_recording(cast("Recording", given)).findings if f.topic == "attitude"]
        for given in (flight, wrong)
    ]
    assert said == [[], ["roll turns against the gyro: wrong sign"]]
