"""Rows from a baseline of several pairs, on a rendered flight whose images are shifted as a codec would: exact truth.

Each image is registered where it was taken, less a shift of its own: white, a twentieth of a pixel along each axis, as H.264
leaves at a constant rate factor of 23.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from typing import cast

import cv2
import numpy as np
import pytest

from flow import scene
from flow.accuracy.reference import Reference
from flow.measure import measure
from flow.motion.change import Change
from flow.motion.motion_filter import MotionFilter
from flow.pair.search import Found
from flow.recording import Recording
from flow.result import FrameResult
from flow.row import LevelVelocity
from flow.stages.state import State
from flow.stages.values import Predicted, Weighed
from flow.stages.weigh import weigh
from tests.flow.flights import Flight, flight, gusty, module

SHIFT_PX, SECONDS = 0.05, 5.0
SETTLED_S = 1.5  # windows of 24 rows must have been seen before a sigma is more than a belief


@functools.cache
def shifted() -> Flight:
    flown = flight(gusty(SECONDS), imu=scene.ImuErrors(accel_bias_m_s2=(0.05, -0.08, 0.06)), exposure_s=0.001)
    rng = np.random.default_rng(8)

    def moved(luma: np.ndarray) -> np.ndarray:
        x, y = rng.normal(0, SHIFT_PX, 2)
        by = np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
        # Four times as large and back: interpolation then bends nothing but the finest detail.
        size = luma.shape[::-1]
        large = cv2.resize(luma, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
        by[:, 2] *= 4
        turned = cv2.warpAffine(
            large, by, (4 * size[0], 4 * size[1]), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        return cv2.resize(turned, size, interpolation=cv2.INTER_AREA)

    return replace(flown, frames=[replace(frame, luma=moved(frame.luma)) for frame in flown.frames])


def results(flown: Flight) -> list[FrameResult]:
    return list(measure(cast("Recording", flown), positions=False))


def errors(flown: Flight, found: list[FrameResult], *, pairs: bool) -> tuple[np.ndarray, np.ndarray]:
    """Errors and sigmas (N, 2), level directions, of settled rows, or of their pairs alone."""
    truth, error, sigma = Reference(flown.truth), [], []
    for result in found:
        row = result.row
        if row.time_s < SETTLED_S or not isinstance(row.velocity, LevelVelocity):
            continue
        known = truth.mean_velocity_m_s(np.array([row.time_s]), np.array([row.interval_s]))[0]
        velocity, spread = row.velocity.vector_m_s, row.velocity.sigma_m_s
        if pairs and result.pair is not None:
            velocity = result.pair.velocity_m_s
            spread = np.sqrt(np.square(np.hstack(list(result.pair.effects_m_s.values()))).sum(axis=1))
        error.append((velocity - known)[:2])
        sigma.append(spread[:2])
    return np.array(error), np.array(sigma)


def rms(error: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(error))))


def test_a_baseline_is_several_times_better_than_its_pair_and_says_how_good_it_is() -> None:
    # By the shifts alone a pair errs by sqrt(2) * 0.05 px, a baseline of m pairs by an m-th of that; the accelerometer, gyro and
    # height leave the rest: three times better is less than half of what shifts alone would let expect of eight pairs.
    found = results(shifted())
    alone, best = (errors(shifted(), found, pairs=pairs) for pairs in (True, False))
    assert rms(alone[0]) > 3 * rms(best[0]), (rms(alone[0]), rms(best[0]))
    # 200 rows of two directions, of which some tens are independent: a mean square is known to a third.
    for error, sigma in (alone, best):
        nees = float(np.mean(np.square(error / sigma)))
        assert 0.4 < nees < 1.6, nees


def test_the_pair_is_handed_on_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    # The fusion takes rows for differences of two images: what it is given must be the pair, to the last bit.
    weighed: dict[float, np.ndarray] = {}

    def watched(state: State, predicted: Predicted, found: Found) -> Weighed:
        row = weigh(state, predicted, found)
        weighed[predicted.view.middle_s] = row.level_m_s
        return row

    monkeypatch.setattr("flow.estimator.weigh", watched)
    found = results(shifted())
    refined = [result for result in found if result.pair is not None]
    assert len(refined) > 0.5 * len(found)
    for result in refined:
        row, pair = result.row, result.pair
        assert pair is not None and isinstance(row.velocity, LevelVelocity)
        np.testing.assert_array_equal(pair.velocity_m_s, weighed[row.time_s])
        assert (pair.velocity_m_s != row.velocity.vector_m_s).any()


@pytest.mark.parametrize("sign", [0.0, -1.0])
def test_without_the_change_of_speed_a_baseline_is_no_better(monkeypatch: pytest.MonkeyPatch, sign: float) -> None:
    # The mutation of the first test. The craft changes its speed by 1 m/s^2 in gusts: 6 cm/s over half of eight pairs.
    change = MotionFilter.change

    def wrong(self: MotionFilter, frames_s: np.ndarray) -> Change | None:
        right = change(self, frames_s)
        return None if right is None else replace(right, vector_m_s=sign * right.vector_m_s)

    monkeypatch.setattr(MotionFilter, "change", wrong)
    error, sigma = errors(shifted(), results(shifted()), pairs=False)
    assert float(np.mean(np.square(error / sigma))) > 1.6 or rms(error) > 0.01


def test_images_that_are_not_shifted_stay_pairs() -> None:
    # Strong texture, no codec, a range sensor of 3 cm: the height is what is left, and no second registration is paid for but
    # the rare closure.
    flown = flight(gusty(3.0), exposure_s=0.001, module=module(noise_m=0.03))
    refined = [result.pair is not None for result in results(flown)]
    assert np.mean(refined[90:]) < 0.2


def test_without_an_accelerometer_every_row_is_its_pair() -> None:
    flown = shifted()
    blind = replace(flown, gyro_log=replace(flown.gyro_log, accel_m_s2=None))
    for result in results(blind):
        if result.pair is not None and isinstance(result.row.velocity, LevelVelocity):
            np.testing.assert_allclose(result.pair.velocity_m_s, result.row.velocity.vector_m_s, atol=1e-12)
