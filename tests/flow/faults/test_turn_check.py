"""A gyro that does not belong to the picture is found out; one that does is never accused."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from flow import Estimator, GyroSamples, scene
from flow.faults.turn_check import Misfit, TurnCheck
from flow.pair.equations import PairGeometry
from flow.pair.velocity import solve
from flow.row import SpeedRow

DURATION_S = 2.0
SLIPS = {
    "none": np.eye(3),
    "sign": -np.eye(3),
    "one sign": np.diag([-1.0, 1.0, 1.0]),
    "axes": np.eye(3)[[1, 0, 2]],
    "dead": np.zeros((3, 3)),
}


def lively() -> scene.Motion:
    """Hover, rocking by 6 degrees and yawing by 8 at about 1 Hz: 0.46 rad/s RMS about roll and pitch."""

    def channels(t: np.ndarray) -> np.ndarray:
        angle, still = 2 * np.pi * t, np.zeros_like(t)
        roll, pitch = np.radians(6) * np.sin(angle), np.radians(6) * np.sin(1.3 * angle + 1)
        return np.column_stack([still, still, still - 1.0, roll, pitch, np.radians(8) * np.sin(0.9 * angle)])

    return scene.from_function(channels, DURATION_S)


@pytest.fixture(scope="module")
def flight() -> tuple[scene.SyntheticRecording, list[tuple[float, np.ndarray]]]:
    module = scene.preset_module("small")
    spec = scene.SceneSpec(
        motion=lively(), ground=scene.make_ground("gravel"), module=module, frame_rate_hz=30.0, seed=3
    )
    made = scene.render(spec)
    return made, [(frame.time_s, frame.luma) for frame in made.frames()]


def rows_with(
    slip: np.ndarray, flight: tuple[scene.SyntheticRecording, list[tuple[float, np.ndarray]]]
) -> list[SpeedRow]:
    made, frames = flight
    bias = np.array(made.module.gyro.bias_rad_s)
    estimator = Estimator(made.module, attitude="level")
    rate = (made.gyro.rate_rad_s - bias) @ slip.T + bias
    estimator.add_gyro(GyroSamples(time_s=made.gyro.time_s, rate_rad_s=rate, accel_m_s2=None))
    estimator.add_range(made.range)
    results = [estimator.add_frame(time_s, picture) for time_s, picture in frames]
    return [result.row for result in results if result is not None]


@pytest.mark.parametrize("slip", SLIPS)
def test_only_a_wrong_gyro_is_accused(slip: str, flight: tuple[scene.SyntheticRecording, list]) -> None:  # type: ignore[type-arg]
    """By construction; of the rows after the first second none may vouch for a speed from a wrong gyro."""
    rows = rows_with(SLIPS[slip], flight)
    late = [row.status for row in rows[30:]]
    if slip == "none":
        assert "gyro_disagrees" not in [row.status for row in rows]
        assert late.count("ok") >= 0.95 * len(late)
    else:
        assert "ok" not in late
        assert "gyro_disagrees" in late or late.count("contradictory") == len(late)


def turned_pair() -> PairGeometry:
    """See 200 points of level ground move by a turn of 0.01 rad about the optical axis that no gyro knows."""
    rng = np.random.default_rng(4)
    first = np.column_stack([rng.uniform(-0.6, 0.6, 200), rng.uniform(-0.45, 0.45, 200), np.ones(200)])
    second = first + 0.01 * np.column_stack([-first[:, 1], first[:, 0], np.zeros(200)])
    second[:, :2] += rng.normal(0, 3e-4, (200, 2))
    none = np.zeros((200, 3))
    return PairGeometry(
        first_ray=first, second_ray=second, first_s=np.full(200, -1 / 60), second_s=np.full(200, 1 / 60),
        first_lever_m=none, second_lever_m=none, down=np.array([0.0, 0.0, 1.0]), distance_m=1.0,
        flow=second[:, :2] - first[:, :2], covariance=np.tile(np.eye(2) * 1e-5, (200, 1, 1)),
    )  # fmt: skip


@pytest.mark.parametrize("matches", [200, 12])
def test_a_handful_of_matches_accuses_nobody(matches: int) -> None:
    # Six unknowns from a dozen matches of a picture that was not found again: some turn fits them, and closely.
    pair = turned_pair()
    solution = solve(pair, None, 1.0, np.random.default_rng(0))
    assert solution is not None
    solution = dataclasses.replace(solution, used=solution.used & (np.arange(200) < matches))
    check = TurnCheck(scene.preset_module("small"))
    said = [check.disagrees(pair, solution, np.zeros(3), np.zeros(3), 1 / 30, 1.0) for _ in range(12)]
    assert any(said) == (matches == 200)


@pytest.mark.parametrize(("right", "calm"), [(30, False), (30, True), (0, False)])
def test_a_gyro_that_was_right_before_was_not_wrong_throughout(
    right: int, calm: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # By construction: so many pairs in which the picture turns as the gyro says, then others in which it does not turn at
    # all. A calm beginning, less than noise, shows nothing.
    rng, check, pair = np.random.default_rng(6), TurnCheck(scene.preset_module("small")), turned_pair()
    solution = solve(pair, None, 1.0, rng)
    assert solution is not None
    for k in range(90):
        rate = 0.8 * np.sin(2 * np.pi * np.array([1.0, 1.3, 0.9]) * k / 30)
        rate *= 0.01 if calm and k < right else 1
        left = (rate if k >= right else 0) + rng.normal(0, 0.002, 3)
        shown = left / 30, np.full(3, 0.002 / 30), 1.0
        monkeypatch.setattr("flow.faults.turn_check.turn_left_over", lambda *_, shown=shown: shown)
        wrong = check.disagrees(pair, solution, rate / 30, np.zeros(3), 1 / 30, 1.0)
        assert not (wrong and k < right)
    assert wrong
    assert check.wrong_throughout == (calm or not right)


def weighed(
    monkeypatch: pytest.MonkeyPatch, seed: int, *, late_s: float = 0.0, longer: float = 0.0, noise: float, told: float
) -> list[Misfit]:
    """Let 4 s of pairs speak; the turns left over are what clock and focal length leave that are off, and noise.

    A clock leaves the rate's change over the delay, a focal length a share of the rate about x and y.
    """
    rng, check, pair = np.random.default_rng(seed), TurnCheck(scene.preset_module("small")), turned_pair()
    solution = solve(pair, None, 1.0, rng)
    assert solution is not None
    by_axis, hertz, said = np.array([1.0, 1.0, 0.3]), np.array([1.0, 1.3, 0.9]), []
    for k in range(240):
        angle = 2 * np.pi * hertz * k / 60 + seed
        rate, change = 0.2 * np.sin(angle), 0.2 * 2 * np.pi * hertz * np.cos(angle)
        left = late_s * change + longer * rate * [1.0, 1.0, 0.0] + rng.normal(0, noise * by_axis)
        shown = left / 60, told * by_axis / 60, 1.0
        monkeypatch.setattr("flow.faults.turn_check.turn_left_over", lambda *_, shown=shown: shown)
        check.disagrees(pair, solution, rate / 60, change / 60, 1 / 60, 1.0)
        said.append(check.misfit)
    return said


def test_noise_of_a_codec_is_no_wrong_clock_or_lens(monkeypatch: pytest.MonkeyPatch) -> None:
    # H.264 on soil: turns of 42 mrad/s RMS about x and y that are noise and 13 about z, where matches by their own scatter
    # tell 16 and 5. The figures are right: of 12 flights next to no moment may doubt them. (When one and a half sigma were
    # a finding, a third of all moments doubted the focal length, and fused bands were ten times too wide.)
    said = [m for seed in range(12) for m in weighed(monkeypatch, seed, noise=0.042, told=0.016)]
    assert np.mean([m.focal > 0 for m in said]) < 0.08
    assert np.sqrt(np.mean([m.focal**2 for m in said])) < 0.01
    assert np.sqrt(np.mean([m.clock_s**2 for m in said])) < 0.0015


@pytest.mark.parametrize(("late_s", "longer"), [(0.004, 0.0), (0.0, 0.05)])
def test_a_figure_that_is_off_is_found(late_s: float, longer: float, monkeypatch: pytest.MonkeyPatch) -> None:
    # Lossless: turns of 5 mrad/s; at least 12 are allowed for, so that 0.05 of 0.2 rad/s is four sigma. Exact truth: what is
    # put in, of which three quarters show as a turn. A fifth for noise: the mean of six flights.
    said = [
        weighed(monkeypatch, seed, late_s=late_s, longer=0.75 * longer, noise=0.005, told=0.002)[-1]
        for seed in range(6)
    ]
    clock_s, focal = np.mean([m.clock_s for m in said]), np.mean([m.focal for m in said])
    assert clock_s == pytest.approx(late_s, rel=0.2, abs=1e-4)
    assert focal == pytest.approx(longer, rel=0.2, abs=2e-3)
