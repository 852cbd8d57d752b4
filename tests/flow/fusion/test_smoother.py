"""Filter and smoother against what others make of the same log: one least-squares solution, and filterpy.

The log is a real one (hover with ranges, rows that share pictures, positions), taken down while the filter runs over it
as plain matrices: transitions, noises, readings. What is compared are the errors against values that no reading has
touched, so that all is one linear problem with one answer.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter, rts_smoother

from flow.fusion import Filter, FusedStates, Smoother
from flow.fusion import layout as at
from flow.fusion.considered import FIGURES, SightColumns
from flow.fusion.estimate import Estimate
from flow.fusion.motion import integrate, transition
from flow.fusion.quantities import corrected, fused_states
from flow.fusion.ranging import RangeReader
from tests.flow.fusion.flown import NOISE, Array, fly, hover

N = at.ERRORS


@dataclass(kw_only=True)
class Stage:
    """Errors become ``by_before`` times those before with ``noise`` added; then ``rows`` of them are read, if any."""

    by_before: Array
    noise: Array
    rows: Array = field(default_factory=lambda: np.zeros((0, N)))
    miss: Array = field(default_factory=lambda: np.zeros(0))  # against values that no reading has touched
    read_noise: Array = field(default_factory=lambda: np.zeros((0, 0)))
    shift: Array = field(
        default_factory=lambda: np.zeros(N)
    )  # by which the values had been put right before the reading
    values: Array | None = None  # at an inertial sample
    time_s: float = 0.0
    lasting: Array = field(default_factory=lambda: np.zeros(3))


@dataclass(kw_only=True)
class Account:
    """The log as matrices, what the smoother gave out, and the filter's covariance at the end."""

    prior: Array
    stages: list[Stage] = field(default_factory=list)
    smoothed: list[FusedStates] = field(default_factory=list)
    shift: Array = field(default_factory=lambda: np.zeros(N))
    covariance: Array = field(default_factory=lambda: np.zeros((N, N)))

    def step(self, estimate: Estimate, samples: tuple[Array, Array, Array], *, at_sample: bool) -> None:
        """Take down one step between samples, about to be made."""
        values, noise = estimate.values.copy(), np.zeros((N, N))
        kept = np.empty((2, at.VALUES)), np.empty((1, 4)), np.empty((1, N, N)), np.empty((1, 12, FIGURES))
        integrate(values, noise, *samples, estimate.noise, np.zeros((N, FIGURES)), *kept)
        F = transition(kept[0][0], kept[1][0, :3], kept[1][0, 3], estimate.noise)
        self.shift = F @ self.shift
        known = values if at_sample else None
        stage = Stage(by_before=F, noise=noise, shift=self.shift, values=known, time_s=samples[0][1])
        stage.lasting = estimate.lasting_m_s
        self.stages.append(stage)


@pytest.fixture(scope="module")
def account() -> Account:
    flown = fly(hover(1.6, 3, speed_m_s=0.8), 3, rate_hz=120.0, sights=True)
    found = Account(prior=np.zeros((N, N)))
    smoother = Smoother(lambda part: found.smoothed.append(part.states))
    propagate, blend, correct = Estimate.propagate, Estimate.blend, Estimate.correct

    def note_propagation(
        self: Estimate, time_s: Array, rate: Array, force: Array, *, ends_at_sample: bool = True
    ) -> None:
        other = self.copy()
        for k in range(len(time_s) - 1):
            samples = time_s[k : k + 2], rate[k : k + 2], force[k : k + 2]
            found.step(other, samples, at_sample=k < len(time_s) - 2 or ends_at_sample)
            propagate(other, *samples)
        propagate(self, time_s, rate, force, ends_at_sample=ends_at_sample)

    def note_blend(self: Estimate, by_before: Array, more: Array) -> None:
        more = more + 1e-10 * np.eye(N)  # a clone is the state's own, which filterpy's smoother could not invert
        found.shift = by_before @ found.shift
        found.stages.append(Stage(by_before=by_before, noise=more, shift=found.shift))
        blend(self, by_before, more)

    def note_correct(
        self: Estimate, rows: Array, miss: Array, noise: Array, considered: Array | None = None, *, gate: float
    ) -> tuple[bool, Array]:
        gain = self.covariance @ rows.T @ np.linalg.inv(rows @ self.covariance @ rows.T + noise)
        answer = correct(self, rows, miss, noise, considered, gate=gate)
        assert answer[0], "no reading of this log is beyond the gate"
        stage = Stage(by_before=np.eye(N), noise=np.zeros((N, N)), rows=rows, read_noise=noise, shift=found.shift)
        stage.miss = miss + rows @ found.shift
        found.stages.append(stage)
        found.shift = found.shift + gain @ miss
        return answer

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Estimate, "propagate", note_propagation)
        patch.setattr(Estimate, "blend", note_blend)
        patch.setattr(Estimate, "correct", note_correct)
        # Constant figures come on top (test_considered): here they are exact.
        patch.setattr(RangeReader, "considered", lambda *_: np.zeros(FIGURES))
        patch.setattr(SightColumns, "of", lambda *_: np.zeros((6, FIGURES)))
        filter_ = Filter(flown.module, NOISE, smoother=smoother)
        filter_.push_range(flown.ranges)
        filter_.push_gyro(flown.gyro.part(slice(0, 60)))  # half a second
        estimate = filter_._begin(flown.rows[0])
        assert estimate is not None
        estimate.covariance += 1e-8 * np.eye(N)  # filterpy's smoother inverts covariances
        found.prior = estimate.covariance.copy()
        sights = {sight.time_s: sight for sight in flown.sights}
        for row in flown.rows[:9]:
            filter_.push_row(row)
            if row.end_s in sights:
                filter_.push_sight(sights[row.end_s])
        found.covariance = estimate.covariance.copy()
        smoother.end()
    assert sum(len(stage.miss) for stage in found.stages) > 30
    return found


def batch(account: Account) -> tuple[Array, Array]:
    """Means (K, 28) and covariance (28 K, 28 K) of the errors at all stages, by all readings at once.

    The errors of all stages are one Gaussian vector; its covariance follows from prior, transitions and noises, and
    conditioned on the readings it is the weighted least-squares solution of the whole log (Gauss-Markov).
    """
    count = len(account.stages)
    joint = np.zeros((count, N, count, N))
    prior = account.prior
    for i, stage in enumerate(account.stages):
        prior = stage.by_before @ prior @ stage.by_before.T + stage.noise
        across = prior
        joint[i, :, i] = prior
        for j in range(i + 1, count):
            across = account.stages[j].by_before @ across
            joint[j, :, i], joint[i, :, j] = across, across.T
    flat = joint.reshape(count * N, count * N)
    readings = [(k, stage) for k, stage in enumerate(account.stages) if len(stage.miss)]
    rows = np.zeros((sum(len(s.miss) for _, s in readings), count * N))
    noise, place = np.zeros((len(rows), len(rows))), 0
    for k, stage in readings:
        here = slice(place, place + len(stage.miss))
        rows[here, k * N : (k + 1) * N] = stage.rows
        noise[here, here] = stage.read_noise
        place = here.stop
    gain = np.linalg.solve(rows @ flat @ rows.T + noise, rows @ flat).T
    mean = gain @ np.concatenate([stage.miss for _, stage in readings])
    return mean.reshape(count, N), flat - gain @ rows @ flat


def test_smoothed_states_are_the_least_squares_solution(account: Account) -> None:
    # The same algebra in another order; what is left is rounding. Sigmas to 1e-5, values to a thousandth of a sigma.
    mean, spread = batch(account)
    at_samples = [(k, stage) for k, stage in enumerate(account.stages) if stage.values is not None]
    changes = np.array([mean[k] - stage.shift for k, stage in at_samples])
    expected = fused_states(
        np.array([stage.time_s for _, stage in at_samples]),
        corrected(np.array([stage.values for _, stage in at_samples]), changes),
        np.array([spread[k * N : (k + 1) * N, k * N : (k + 1) * N] for k, _ in at_samples]),
        np.zeros((len(at_samples), 12, FIGURES)),
        np.array([stage.lasting for _, stage in at_samples]),
    )
    (found,) = account.smoothed
    np.testing.assert_allclose(found.time_s, expected.time_s, atol=1e-12)
    for name, sigma_name in QUANTITIES.items():
        sigma = getattr(expected, sigma_name)
        np.testing.assert_allclose(getattr(found, sigma_name), sigma, rtol=1e-5, err_msg=name)
        off = np.abs(getattr(found, name) - getattr(expected, name)) / sigma
        assert off.max() < 1e-3, (name, off.max())
    # The smoother did something: the filter alone knew the first velocity to 0.3 m/s.
    assert (found.velocity_sigma_m_s[0] < 0.01).all()


QUANTITIES = {
    "velocity_m_s": "velocity_sigma_m_s",
    "tilt_rad": "tilt_sigma_rad",
    "height_m": "height_sigma_m",
    "gyro_bias_rad_s": "gyro_bias_sigma_rad_s",
    "accel_bias_m_s2": "accel_bias_sigma_m_s2",
}


def test_the_filter_is_filterpys(account: Account) -> None:
    # filterpy 2.0 (R. Labbe) over the same matrices: the covariance at the end to a millionth.
    kalman = KalmanFilter(dim_x=N, dim_z=1)
    kalman.x, kalman.P = np.zeros((N, 1)), account.prior.copy()
    for stage in account.stages:
        kalman.predict(F=stage.by_before, Q=stage.noise)
        if len(stage.miss):
            kalman.update(stage.miss[:, None], R=stage.read_noise, H=stage.rows)
    sigma = np.sqrt(np.diag(account.covariance))
    np.testing.assert_allclose(
        kalman.P / np.outer(sigma, sigma), account.covariance / np.outer(sigma, sigma), atol=1e-6
    )
    np.testing.assert_allclose(kalman.x[:, 0] / sigma, account.shift / sigma, atol=1e-5)


def test_the_smoother_is_filterpys(account: Account) -> None:
    # filterpy's Rauch-Tung-Striebel smoother inverts predicted covariances, ours does not; smoothed errors agree to a
    # thousandth of a sigma (inverting 28 x 28 covariances of quantities from 1e-10 to 1 costs it most digits). It has no
    # measurement between two stages, so readings are put into the stage before them.
    means, covariances, transitions, noises, kept = [], [], [], [], []
    kalman = KalmanFilter(dim_x=N, dim_z=1)
    kalman.x, kalman.P = np.zeros((N, 1)), account.prior.copy()
    for k, stage in enumerate(account.stages):
        if len(stage.miss):
            kalman.update(stage.miss[:, None], R=stage.read_noise, H=stage.rows)
            means[-1], covariances[-1] = kalman.x[:, 0].copy(), kalman.P.copy()
            continue
        kalman.predict(F=stage.by_before, Q=stage.noise)
        means.append(kalman.x[:, 0].copy())
        covariances.append(kalman.P.copy())
        transitions.append(stage.by_before)
        noises.append(stage.noise)
        kept.append(k)
    before = [*transitions[1:], np.eye(N)], [*noises[1:], np.zeros((N, N))]
    smooth, spread, *_ = rts_smoother(np.array(means), np.array(covariances), *before)
    (found,) = account.smoothed
    rows = [(i, account.stages[k]) for i, k in enumerate(kept) if account.stages[k].values is not None]
    expected = fused_states(
        np.array([stage.time_s for _, stage in rows]),
        corrected(np.array([s.values for _, s in rows]), np.array([smooth[i] - s.shift for i, s in rows])),
        np.array([spread[i] for i, _ in rows]),
        np.zeros((len(rows), 12, FIGURES)),
        np.array([stage.lasting for _, stage in rows]),
    )
    for name, sigma_name in QUANTITIES.items():
        sigma = getattr(expected, sigma_name)
        np.testing.assert_allclose(getattr(found, sigma_name), sigma, rtol=1e-3, err_msg=name)
        assert (np.abs(getattr(found, name) - getattr(expected, name)) / sigma).max() < 1e-2, name
