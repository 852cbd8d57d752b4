"""The speed by the picture held against the accelerometer: figures of the module that this flight contradicts.

What a wrong focal length, gyro bias, mounting, clock or range scale does to the velocity goes with how the craft turns and
speeds up. The accelerometer knows how the velocity changed, whatever those figures are; so within a second of rocking or
of a change of speed the two disagree by far more than noise. On a steady level flight nothing tells, and the module file
alone stands for its figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.error_sources import ErrorSource
from flow.faults.doubts import Doubts, Guess
from flow.faults.figures import FIGURES, HYPOTHESES, OF_RANGE, OFF_CHANCE, WHERE, by_figure, weights
from flow.faults.wandering import Wandering
from flow.force_sum import ForceSum
from flow.inertial_sensors import ACCELEROMETER_BIAS_M_S2, ACCELEROMETER_M
from flow.module import Module
from flow.pair.shared_errors import UnitEffects
from flow.rotation import skew

Array: TypeAlias = NDArray[np.float64]

_TOLD_APART = 0.05  # rate: 1 in 20, chance of one hypothesis against another that is then ruled out
_BELIEVED = 2.0  # as many times the chance before anything was seen before a hypothesis counts
# density: m/s/rts and m/s^2/rts, of its least random walk, and of bias and gravity
_NOISE_M_S_RTS, _WANDER_M_S2_RTS = 0.01, 0.05
_PICTURE_M_S = 0.002  # what is left in a row beside its own noise
# rate: 1 in 1000 rows, chi-square of 3, beyond which a row does not show the ground; four of them running are 1e-12, and
# the velocity is begun anew.
_SURPRISE, _SURPRISES = 16.3, 4
_TILT_S, _HEIGHT_S = 2.0, 0.3  # prior: s, how long a wrong tilt and a wrong height stay about the same
_FADING = 0.999  # prior: share a row, a figure that changes does so within a thousand rows
_LEAST_NOISE = 0.3  # of the noise assumed: rows that follow the force more closely than that tell no more
_CALM_S = 1.0  # size: s, over which a row's noise is averaged out of the velocity carried on
_OFTEN_S, _WEIGH_S = 0.024, 0.08  # size: s, between two rows that are learnt from, and two verdicts: cost only
_EACH = 100  # size: rows, of the first each has a verdict
_JUMP_M_S = 0.06
_JUMP_SIGMAS = 5.0  # rate: 6e-7 two-sided, five sigmas
_SETTLED_S = 0.4  # size: s, from a beginning on in which gravity is not known well enough to tell a jump
_BLIND_S = 1.0  # size: s, as long as the velocity preintegration reaches back

_U, _A, _TH = slice(0, 3), slice(3, 6), slice(6, 6 + FIGURES)
_ARM, _TILT, _BIAS = (slice(first + FIGURES, first + 3 + FIGURES) for first in (6, 9, 12))
_HEIGHT = slice(15 + FIGURES, 16 + FIGURES)
_RATES = slice(6 + WHERE[ErrorSource.GYRO_BIAS].start, 6 + WHERE[ErrorSource.GYRO_SCALE].stop)
_SIZE = 16 + FIGURES  # size: states, of all slices above


@dataclass(frozen=True, slots=True, kw_only=True)
class RowSeen:
    """A row in axes that do not rotate: velocity (3,), its covariance by the picture, and effects of errors of one unit.

    ``units`` (:class:`flow.pair.shared_errors.UnitEffects`) at the velocity that was expected
    (:meth:`InertiaCheck.expected`): those of the row itself have its noise in them, and would agree with it.
    ``rate_rad_s`` (3,) of the body, its mean over the interval, its own axes.
    """

    time_s: float
    interval_s: float
    velocity_m_s: Array
    expected_m_s: Array
    covariance: Array
    units: UnitEffects
    R_still_body: Array
    R_still_camera: Array
    tilt_sigma_rad: float
    height_sigma_m: float
    rate_rad_s: Array


class InertiaCheck:
    """Tells which figures of the module the accelerometer speaks against, and how wrong the velocity is then.

    A Kalman filter of velocity less integrated force, of gravity, and of all figures at once as if next to nothing were
    known of them. What it has learnt is then weighed (Bayes): all figures as the module says, against one or two of them off.

    Parameters
    ----------
    module
        Its sigmas are what counts as its word.
    force
        The accelerometer's samples, summed up.
    foreseen
        What the rows to come are known to say, from having measured them before: it holds until they have said it.
    """

    def __init__(self, module: Module, force: ForceSum, foreseen: Doubts | None = None) -> None:
        self._force = force
        self._foreseen = foreseen or Doubts()
        self._loose, self._weights = weights(module)
        self._chance = np.log(OFF_CHANCE) * np.array([len(guess) for guess in HYPOTHESES])
        self._state, self._covariance = np.zeros(_SIZE), np.zeros((_SIZE, _SIZE))
        self._covariance[_TH, _TH] = np.diag(1 / self._loose)
        self._covariance[_ARM, _ARM] = ACCELEROMETER_M**2 * np.eye(3)
        self._covariance[_BIAS, _BIAS] = ACCELEROMETER_BIAS_M_S2**2 * np.eye(3)
        self._remembered, self._surprises, self._learnt = 1.0, 0, 0
        self._usual = 3.0  # squared misses in sigmas, three of them a row
        self._guesses = self._foreseen.guesses
        self._time_s = self._begun_s = self._weighed_s = -np.inf
        self.scale_sigma = np.inf
        """How well the force tells the scale of speeds if only that is off, share: little on a steady flight."""
        self.wandering = Wandering()
        # Velocity less integrated force, with next to none of a single row's noise.
        self._calm = self._calm_change = np.zeros(3)
        self._calm_change_sigma = np.inf  # of its worst axis, m/s^2

    @property
    def found(self) -> Doubts:
        """What the rows so far say against the module."""
        return Doubts(self._guesses, self._learnt)

    def doubts(
        self, units: UnitEffects, velocity_m_s: Array, interval_s: float, rate_rad_s: Array
    ) -> dict[ErrorSource, Array]:
        """Say what a row may be off by, by the rows before: effects (3, k), m/s, of the figures that seem wrong.

        Parameters
        ----------
        units, velocity_m_s
            The row's unit effects (:func:`flow.pair.shared_errors.unit_effects`) and velocity (3,), any axes.
        interval_s
            Time between the frames.
        rate_rad_s
            Of the body, (3,), its mean over the interval, its own axes.
        """
        effects: dict[ErrorSource, list[Array]] = {}
        if not self._guesses:
            return {}
        effect = by_figure(units, velocity_m_s, interval_s, rate_rad_s)
        for guess in self._guesses:
            parts = {cause: effect[:, WHERE[cause]] @ guess.figures[WHERE[cause]] for cause in guess.causes}
            most = max(parts, key=lambda cause: float(np.linalg.norm(parts[cause])))
            effects.setdefault(most, []).append(np.sqrt(guess.more) * (effect @ guess.figures))
        return {cause: np.column_stack(columns) for cause, columns in effects.items()}

    def expected(self, time_s: float, interval_s: float) -> Array | None:
        """Velocity (3,) by the rows before and the force since, axes that do not rotate; None where nothing is known.

        None, too, sooner than a 40th of a second after the last row that was learnt from: more rows would tell little.
        """
        return self._carried(time_s, interval_s) if time_s - self._time_s >= _OFTEN_S else None

    def jump(self, time_s: float, interval_s: float, velocity_m_s: Array, sigma_m_s: float) -> Array | None:
        """Give what a velocity (3,), axes that do not rotate, has too much by the force; None where that may be.

        No craft jumps: a table edge that came under the camera, say, and that no range reading has shown yet; or a crate
        that fills most of the view and moves by itself. However long that lasts, the force tells how the craft's own
        velocity went on, less and less surely: what is allowed grows with what is not known of gravity and bias.
        """
        carried = self._carried(time_s, interval_s, blind_s=np.inf)
        if carried is None or self._time_s - self._begun_s < _SETTLED_S:
            return None
        miss = velocity_m_s - carried
        most = _JUMP_M_S + _JUMP_SIGMAS * float(np.hypot(sigma_m_s, self._drift_m_s(time_s - self._time_s)))
        return miss if float(np.linalg.norm(miss)) > most else None

    def _drift_m_s(self, since_s: float) -> float:
        """One-sigma of what the velocity carried on by the force is off by, so long after the last row that was heard."""
        noise_m_s_rts = max(_NOISE_M_S_RTS, self._force.noise_m_s_rts)
        return float(np.hypot(since_s * self._calm_change_sigma, np.sqrt(since_s) * noise_m_s_rts))

    def wandering_m_s(self, time_s: float) -> Array:
        """How far the speed of late wanders against the force (3,), one-sigma; see :class:`Wandering`."""
        return self.wandering.faded_m_s(time_s - self._time_s)

    def _carried(self, time_s: float, interval_s: float, *, blind_s: float = _BLIND_S) -> Array | None:
        since_s = time_s - self._time_s
        begun = np.isfinite(since_s)
        broken = (
            not begun or since_s > blind_s or self._force.broken_since(self._time_s) or self._surprises >= _SURPRISES
        )
        force = None if broken else self._force.mean(time_s, interval_s)
        return None if force is None else self._calm + since_s * self._calm_change + force

    def begin(
        self,
        time_s: float,
        interval_s: float,
        velocity_m_s: Array,
        *,
        tilt_sigma_rad: float,
        height_sigma_m: float,
        image_m2_s2: Array | None = None,
    ) -> None:
        """Begin with a row, its velocity (3,) in axes that do not rotate, where none is expected of it.

        What was found of the figures stays. ``image_m2_s2`` (3,) is the row's variance by the images.
        """
        since_s = time_s - self._time_s
        force = self._force.mean(time_s, interval_s)
        if since_s < _OFTEN_S or force is None:
            return
        # Gravity does not change while no row is heard: what was found of it stays, unless that itself is new.
        known = self._time_s - self._begun_s >= _SETTLED_S and not self._force.broken_since(self._time_s)
        if known:
            open_m2_s2 = self._drift_m_s(since_s) ** 2 + (np.zeros(3) if image_m2_s2 is None else image_m2_s2)
            carried = self._calm + since_s * self._calm_change + force
            self.wandering.disagree(velocity_m_s, carried, open_m2_s2, self._shaken)
        begun = [(_U, 3.0), (_TILT, tilt_sigma_rad), (_HEIGHT, height_sigma_m), *([] if known else [(_A, 20.0)])]
        for part, sigma in begun:
            self._covariance[part, :], self._covariance[:, part] = 0.0, 0.0
            np.fill_diagonal(self._covariance[part, part], sigma**2)
        self._calm = velocity_m_s - force
        self._state[_U], self._state[_TILT], self._state[_HEIGHT] = self._calm, 0.0, 0.0
        if known:
            self._covariance[_A, _A] += _WANDER_M_S2_RTS**2 * since_s * np.eye(3)
        else:
            self._calm_change, self._calm_change_sigma = -self._force.steady(), np.inf
            self._state[_A] = self._calm_change
        self._surprises, self._time_s, self._begun_s = 0, time_s, time_s

    def learn(self, row: RowSeen) -> None:
        """Learn from a row that follows others."""
        force = self._force.mean(row.time_s, row.interval_s)
        if force is None:
            return
        since_s, self._time_s = row.time_s - self._time_s, row.time_s
        calm_s = _CALM_S / self._shaken  # what force adds to the noise of the picture must not build up
        variance = row.covariance.diagonal() + np.square(row.height_sigma_m * row.units.height[:, 0])
        if np.isfinite(self._calm_change_sigma):
            variance += self._drift_m_s(since_s) ** 2
            lag_m_s = (
                self._calm_change_sigma * calm_s
            )  # a running mean lags by what its slope is off by over its length
            self.wandering.learn(since_s, row.velocity_m_s, row.expected_m_s, variance, self._shaken, lag_m_s)
        self._predict(since_s, row)
        heard = self._correct(row, force)
        if not heard:
            self._calm = row.expected_m_s - force
        elif row.time_s - self._begun_s < _SETTLED_S:
            self._calm = self._state[_U]
        else:
            self._calm = row.expected_m_s - force
            self._calm += min(since_s / calm_s, 1.0) * (row.velocity_m_s - row.expected_m_s)
        self._calm_change = self._state[_A] + row.R_still_body @ self._state[_BIAS]
        both = np.hstack([np.eye(3), row.R_still_body])  # gravity and bias together are known far better than either
        parts = np.r_[_A, _BIAS]
        variance = both @ self._covariance[np.ix_(parts, parts)] @ both.T
        self._calm_change_sigma = float(np.sqrt(variance.diagonal().max()))
        if self._learnt < _EACH or row.time_s - self._weighed_s >= _WEIGH_S:
            self._weighed_s = row.time_s
            self._weigh(judges=self._learnt >= self._foreseen.rows)
        self._learnt += 1

    @property
    def _shaken(self) -> float:
        """How many times the force is noisier than that of a quiet sensor."""
        return max(1.0, self._force.noise_m_s_rts / _NOISE_M_S_RTS)

    @property
    def _quiet(self) -> float:
        """Share of the variance assumed of rows and force that their misses show."""
        return min(max(self._usual / 3, _LEAST_NOISE), 1.0)

    def _predict(self, span_s: float, row: RowSeen) -> None:
        step = np.eye(_SIZE)
        step[_U, _A], step[_U, _BIAS] = span_s * np.eye(3), span_s * row.R_still_body
        # A wrong rate turns the axes that should not rotate: gravity and velocity turn in them.
        rates = np.hstack([np.eye(3)[:, :2], np.diag(row.rate_rad_s)])
        rates = span_s * row.R_still_body @ rates
        turned = skew(self._state[_A][None])[0] @ rates
        step[_A, _RATES] = turned
        step[_U, _RATES] = 0.5 * span_s * turned + skew(row.velocity_m_s[None])[0] @ rates
        wrong = (
            (_TILT, np.exp(-span_s / _TILT_S), row.tilt_sigma_rad),
            (_HEIGHT, np.exp(-span_s / _HEIGHT_S), row.height_sigma_m),
        )
        for part, kept, _ in wrong:
            np.fill_diagonal(step[part, part], kept)
        self._state = step @ self._state
        grown = step @ self._covariance @ step.T
        noise = max(self._quiet * _NOISE_M_S_RTS**2, self._force.noise_m_s_rts**2)
        grown[_U, _U] += noise * span_s * np.eye(3)
        grown[_A, _A] += _WANDER_M_S2_RTS**2 * span_s * np.eye(3)
        for part, kept, sigma in wrong:
            grown[part, part] += (1 - kept**2) * sigma**2 * np.eye(part.stop - part.start)
        grown[_TH, _TH] /= _FADING
        self._remembered *= _FADING
        self._covariance = grown

    def _correct(self, row: RowSeen, force: Array) -> bool:
        """Correct the state by a row; says whether it was heard: one that no figure explains must not bend any."""
        seen = np.zeros((3, _SIZE))
        seen[:, _U], seen[:, _TH] = np.eye(3), by_figure(row.units, row.expected_m_s, row.interval_s, row.rate_rad_s)
        seen[:, _TILT] = row.units.down @ row.R_still_camera.T
        seen[:, _HEIGHT] = row.units.height
        seen[:, _ARM] = -row.R_still_body @ skew(row.rate_rad_s[None])[0]
        miss = row.velocity_m_s - force - seen @ self._state
        lasting, noise = seen @ self._covariance @ seen.T, row.covariance + _PICTURE_M_S**2 * np.eye(3)
        surprise = float(miss @ np.linalg.solve(lasting + noise, miss))
        spread = lasting + self._quiet * noise
        self._surprises = self._surprises + 1 if surprise > _SURPRISE else 0
        self._usual += 0.05 * (min(surprise, _SURPRISE) - self._usual)
        if surprise > _SURPRISE:
            return False
        gain = self._covariance @ seen.T @ np.linalg.inv(spread)
        self._state = self._state + gain @ miss
        left = self._covariance - gain @ spread @ gain.T
        self._covariance = 0.5 * (left + left.T)
        return True

    def _weigh(self, *, judges: bool) -> None:
        """Tell how well the rows so far know the scale; ``judges``: which figures they speak against, too."""
        information = np.linalg.inv(self._covariance[_TH, _TH])
        learnt = information @ self._state[_TH]
        information -= self._remembered * np.diag(self._loose)
        # Rows that scatter more than they should tell less, and so does a force that shakes: it is in both sides.
        less_sure = max(1.0, self._usual / 3) * self._shaken**2
        information, learnt = information / less_sure, learnt / less_sure
        alone = np.linalg.inv(information + np.diag(np.where(OF_RANGE, 1.0, self._weights[0])))
        self.scale_sigma = float(np.sqrt(alone[OF_RANGE, OF_RANGE].item()))
        if not judges:
            return  # what is foreseen holds
        covariance = np.linalg.inv(information + np.eye(FIGURES) * self._weights[:, None, :])
        found = covariance @ learnt
        evidence = found @ learnt + np.linalg.slogdet(covariance)[1] + np.log(self._weights).sum(axis=1)
        weight = self._chance + 0.5 * evidence
        chance = np.exp(weight - weight.max())
        chance /= chance.sum()
        more = chance - _BELIEVED * np.exp(self._chance)
        self._guesses = tuple(
            Guess(float(more[k]), HYPOTHESES[k], found[k], _range_scale(k, chance, found))
            for k in range(1, len(more))
            if more[k] > 0
        )


def _range_scale(hypothesis: int, chance: Array, found: Array) -> float:
    """How far off the range's scale may be by a hypothesis: as it says, or as the one says that blames the range for the lens."""
    sources = HYPOTHESES[hypothesis]
    if ErrorSource.FOCAL_LENGTH in sources and ErrorSource.RANGE not in sources:
        other = HYPOTHESES.index((sources - {ErrorSource.FOCAL_LENGTH}) | {ErrorSource.RANGE})
        hypothesis = other if chance[other] > _TOLD_APART * chance[hypothesis] else hypothesis
    if ErrorSource.RANGE not in HYPOTHESES[hypothesis]:
        return 0.0
    return float(found[hypothesis, WHERE[ErrorSource.RANGE].start])
