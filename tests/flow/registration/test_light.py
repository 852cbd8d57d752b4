"""What all blocks together say of the light, on sums whose gain and offset are known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from flow.registration import equations, kernels
from flow.registration.light import shared_light

SIZE, COUNT, NOISE = 16, 200, 1.0
PLACE = np.random.default_rng(4).uniform(-0.5, 0.5, (COUNT, 2))
FREE = np.zeros((COUNT, 3)), np.zeros((COUNT, 2))
VARIANCE = NOISE**2 / SIZE**2


def blocks(gain: np.ndarray, offset: np.ndarray, step: np.ndarray, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Make the sums of blocks whose texture slopes up to one side; the other picture has white noise, ours none."""
    rng = np.random.default_rng(seed)
    own, compared = [], []
    ramp = np.mgrid[:SIZE, :SIZE] - 0.5 * (SIZE - 1)
    for k in range(COUNT):
        value = (
            rng.uniform(60, 200) + rng.normal(0, 8, (SIZE, SIZE)) + np.einsum("i,iyx->yx", rng.normal(0, 1.5, 2), ramp)
        )
        gy, gx = np.gradient(value)
        value, gx, gy = (a.astype(np.float32) for a in (value, gx, gy))
        (sums,) = kernels.own_sums(value, gx, gy, np.array([[0, 0]]), SIZE)
        miss = gain[k] * (value - 128.0) + offset[k] - gx * step[0] - gy * step[1] + rng.normal(0, NOISE, value.shape)
        t = value - value[0, 0]
        own.append(sums)
        compared.append([(m * miss).sum() for m in (np.ones_like(t), miss, gx, gy, t)])
    return np.array(own), np.array(compared)


def believed(told: np.ndarray, belief: np.ndarray) -> np.ndarray:
    """Gain and offset (N, 2) that the information stands for."""
    matrix = np.stack([told[:, [0, 1]], told[:, [1, 2]]], axis=1)
    return np.linalg.solve(matrix, belief[:, :, None])[:, :, 0]


def test_one_light_over_the_picture_is_found_whatever_the_step() -> None:
    # Closed form: 200 blocks know a gain to 1 / (16 sqrt(200) x contrast of 10) = 0.0004 and the offset to 0.0044 levels.
    gain = -0.02 + 0.01 * PLACE[:, 0] - 0.015 * PLACE[:, 1]
    own, compared = blocks(gain, np.full(COUNT, 1.5), np.array([0.05, -0.03]))
    told, belief = shared_light(own, compared, PLACE, SIZE**2, 0.0, VARIANCE)
    found = believed(told, belief)
    assert found[:, 0] == pytest.approx(gain, abs=4 * 0.0008)  # at the border a slope counts as much again
    assert found[:, 1] == pytest.approx(1.5, abs=4 * 0.009)


def test_light_that_all_share_costs_the_steps_less() -> None:
    own, compared = blocks(np.full(COUNT, -0.02), np.full(COUNT, 1.5), np.array([0.05, -0.03]))
    light = shared_light(own, compared, PLACE, SIZE**2, 0.0, VARIANCE)
    spread = {}
    for name, known in (("shared", light), ("free", FREE)):
        step, *_ = equations.solved(*equations.steps(own, compared, SIZE**2, 0.0, *known), 0.0, 0.0, 1.0)
        assert step.mean(axis=0) == pytest.approx([0.05, -0.03], abs=4 * step.std() / np.sqrt(COUNT))
        spread[name] = float(np.square(step - step.mean(axis=0)).sum())
    assert spread["shared"] < 0.95 * spread["free"]


def test_a_block_with_light_of_its_own_is_left_alone() -> None:
    # One tenth lie in a shadow that has come: far off, they neither bend the rest nor are bent.
    offset = np.where(np.arange(COUNT) < COUNT // 10, -12.0, 1.5)
    own, compared = blocks(np.zeros(COUNT), offset, np.zeros(2))
    told, belief = shared_light(own, compared, PLACE, SIZE**2, 0.0, VARIANCE)
    alone = ~told.any(axis=1)
    assert alone[: COUNT // 10].all() and alone[COUNT // 10 :].mean() < 0.01
    assert believed(told[~alone], belief[~alone])[:, 1] == pytest.approx(1.5, abs=0.1)


def test_where_each_block_has_its_own_light_all_together_say_little() -> None:
    # Offsets that scatter by half a level, eight times what noise explains: all together are then worth a sixtieth.
    own, compared = blocks(np.zeros(COUNT), np.random.default_rng(9).normal(0, 0.5, COUNT), np.zeros(2))
    told, _ = shared_light(own, compared, PLACE, SIZE**2, 0.0, VARIANCE)
    alike, _ = shared_light(*blocks(np.zeros(COUNT), np.zeros(COUNT), np.zeros(2)), PLACE, SIZE**2, 0.0, VARIANCE)
    assert np.median(told[:, 2]) < 0.05 * np.median(alike[:, 2])


def test_noise_in_the_block_itself_is_no_gain() -> None:
    # Noise in t makes the other picture seem flatter by its share of the contrast, 1 / 65 here, unless it is told apart.
    rng = np.random.default_rng(3)
    own, compared = [], []
    for _ in range(COUNT):
        ground = rng.normal(128, 8, (SIZE, SIZE))  # all at one level, or their levels would tell the gain
        value, other = (ground + rng.normal(0, NOISE, ground.shape) for _ in range(2))
        gy, gx = np.gradient(value)
        value, gx, gy = (a.astype(np.float32) for a in (value, gx, gy))
        own.append(kernels.own_sums(value, gx, gy, np.array([[0, 0]]), SIZE)[0])
        t, miss = value - value[0, 0], other - value
        compared.append([(m * miss).sum() for m in (np.ones_like(t), miss, gx, gy, t)])
    for hidden, gain in ((NOISE**2, 0.0), (0.0, -1 / 65)):
        told, belief = shared_light(np.array(own), np.array(compared), PLACE, SIZE**2, hidden, 2 * VARIANCE)
        # 1.4 / 16 / sqrt(200) / 8 = 0.0008 of chance, some of the noise in the slopes besides.
        kept = told.any(axis=1)
        assert np.median(believed(told[kept], belief[kept])[:, 0]) == pytest.approx(gain, abs=0.003)
