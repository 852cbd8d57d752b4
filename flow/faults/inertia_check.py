"""The speed by the picture held against the accelerometer: figures of the module that this flight contradicts.

What a wrong focal length, gyro bias, mounting, clock or range scale does to the velocity goes with how the craft turns and
speeds up. The accelerometer knows how the velocity changed, whatever those figures are; so within a second of rocking or
of a change of speed the two disagree by far more than noise. On a steady level flight nothing tells, and the module file
alone stands for its figures.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.faults.doubts import Doubts, Guess
from flow.faults.wandering import Wandering
from flow.force_sum import ForceSum
from flow.module import Module
from flow.rotation import skew

Array: TypeAlias = NDArray[np.float64]

# A figure is as the module says (and a little beside: what accelerometers and lens models leave), or off by about so much.
_CAUSES = {  # (number, off by, beside)
    "gyro_bias": (2, 0.03, 0.001),  # rad/s about body x and y: what it does about z is seen in the picture
    "gyro_scale": (3, 0.1, 0.003),  # share, about body x, y and z
    "focal_length": (1, 0.04, 0.002),
    "clock": (1, 0.01, 1e-4),  # s
    "height": (1, 0.04, 0.004),  # share
    "mounting": (3, 0.04, 0.002),  # rad
}
_TOLD_AS = {"gyro_scale": "gyro_noise"}
_OFF_CHANCE = 0.03  # of each, before anything is seen ...
_TOLD_APART = 0.05  # of the chance of one guess, that of another which is then ruled out
_BELIEVED = 2.0  # ... and as many times that before it counts
_ACCELEROMETER_M = 0.007  # one-sigma of where the accelerometer sits from the body origin, each axis
_ACCELEROMETER_M_S2 = 0.08  # of its bias, as for the tilt
_NOISE_M_S_RTS, _WANDER_M_S2_RTS = 0.01, 0.05  # of its least random walk, and of its bias with the direction of down
_PICTURE_M_S = 0.002  # what is left in a row beside its own noise
_SURPRISE, _SURPRISES = 30.0, 4  # squared misses in sigmas; so many of them running, and the velocity is begun anew
_TILT_S, _HEIGHT_S = 2.0, 0.3  # how long a wrong tilt and a wrong height stay about the same
_FADING = 0.999  # of what was found, a row
_LEAST_NOISE = 0.3  # of the noise assumed: rows that follow the force more closely than that tell no more
_CALM_S = 1.0
_OFTEN_S, _WEIGH_S = 0.024, 0.08  # between two rows that are learnt from, and two verdicts; one on each of the first
_EACH = 100
_JUMP_M_S, _JUMP_SIGMAS, _JUMP_M_S2 = 0.06, 5.0, 0.2
_SETTLED_S = 0.4
_BLIND_S = 1.0

_COUNTS = [count for count, _, _ in _CAUSES.values()]
_STOPS = np.cumsum(_COUNTS)
_WHERE = {cause: slice(stop - count, stop) for cause, count, stop in zip(_CAUSES, _COUNTS, _STOPS, strict=True)}
_OFF = np.repeat([off for _, off, _ in _CAUSES.values()], _COUNTS)
_BESIDE = np.repeat([beside for _, _, beside in _CAUSES.values()], _COUNTS)
# The first: all is well.
_GUESSES = [frozenset(some) for most in range(3) for some in itertools.combinations(_CAUSES, most)]
_FIGURES = len(_OFF)
_OF_HEIGHT = np.arange(_FIGURES) == _WHERE["height"].start
_U, _A, _TH = slice(0, 3), slice(3, 6), slice(6, 6 + _FIGURES)
_ARM, _TILT, _BIAS = (slice(first + _FIGURES, first + 3 + _FIGURES) for first in (6, 9, 12))
_HEIGHT = slice(15 + _FIGURES, 16 + _FIGURES)
_RATES = slice(6, 11)  # bias and scale of the gyro
_SIZE = 16 + _FIGURES


@dataclass(frozen=True, slots=True, kw_only=True)
class RowSeen:
    """A row in axes that do not rotate: velocity (3,), its covariance by the picture, and unit effects of each cause.

    ``units`` as :func:`flow.pair.shared_errors.unit_effects` names them, at the velocity that was expected
    (:meth:`InertiaCheck.expected`): those of the row itself have its noise in them, and would agree with it.
    ``rate_rad_s`` (3,) of the body, its own axes.
    """

    time_s: float
    interval_s: float
    velocity_m_s: Array
    expected_m_s: Array
    covariance: Array
    units: dict[str, Array]
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
        alignment, gyro = module.alignment.sigma, module.gyro.sigma
        said = np.concatenate(
            [
                gyro.bias_rad_s[:2],
                np.zeros(3),
                [module.camera.focal_sigma.max(), alignment.time_offset_s, module.range.sigma.scale],
                module.alignment.rotation_sigma_rad,
            ]
        )
        self._loose = np.hypot(said, _OFF) ** -2.0
        tight = np.hypot(said, _BESIDE) ** -2.0
        free = np.array([np.repeat([cause in guess for cause in _CAUSES], _COUNTS) for guess in _GUESSES])
        self._weights = np.where(free, self._loose, tight)
        self._chance = np.log(_OFF_CHANCE) * np.array([len(guess) for guess in _GUESSES])
        self._state, self._covariance = np.zeros(_SIZE), np.zeros((_SIZE, _SIZE))
        self._covariance[_TH, _TH] = np.diag(1 / self._loose)
        self._covariance[_ARM, _ARM] = _ACCELEROMETER_M**2 * np.eye(3)
        self._covariance[_BIAS, _BIAS] = _ACCELEROMETER_M_S2**2 * np.eye(3)
        self._remembered, self._surprises, self._learnt = 1.0, 0, 0
        self._usual = 3.0  # squared misses in sigmas, three of them a row
        self._guesses = self._foreseen.guesses
        self._time_s = self._begun_s = self._weighed_s = -np.inf
        self.scale_sigma = np.inf
        """How well the force tells the scale of speeds if only that is off, share: little on a steady flight."""
        self.wandering = Wandering()
        # Velocity less integrated force, with next to none of a single row's noise.
        self._calm = self._calm_change = np.zeros(3)

    @property
    def found(self) -> Doubts:
        """What the rows so far say against the module."""
        return Doubts(self._guesses, self._learnt)

    def doubts(
        self, units: dict[str, Array], velocity_m_s: Array, interval_s: float, rate_rad_s: Array
    ) -> dict[str, Array]:
        """Say what a row may be off by, by the rows before: effects (3, k), m/s, of the figures that seem wrong.

        Parameters
        ----------
        units, velocity_m_s
            The row's unit effects (:func:`flow.pair.shared_errors.unit_effects`) and velocity (3,), any axes.
        interval_s
            Time between the frames.
        rate_rad_s
            Of the body, (3,), its own axes.
        """
        effects: dict[str, list[Array]] = {}
        if not self._guesses:
            return {}
        by_figure = _by_figure(units, velocity_m_s, interval_s, rate_rad_s)
        for guess in self._guesses:
            parts = {cause: by_figure[:, _WHERE[cause]] @ guess.figures[_WHERE[cause]] for cause in guess.causes}
            most = max(parts, key=lambda cause: float(np.linalg.norm(parts[cause])))
            effects.setdefault(_TOLD_AS.get(most, most), []).append(np.sqrt(guess.more) * (by_figure @ guess.figures))
        return {cause: np.column_stack(columns) for cause, columns in effects.items()}

    def expected(self, time_s: float, interval_s: float) -> Array | None:
        """Velocity (3,) by the rows before and the force since, axes that do not rotate; None where nothing is known.

        None, too, sooner than a 40th of a second after the last row that was learnt from: more rows would tell little.
        """
        return self._carried(time_s, interval_s) if time_s - self._time_s >= _OFTEN_S else None

    def jump(self, time_s: float, interval_s: float, velocity_m_s: Array, sigma_m_s: float) -> Array | None:
        """Give what a velocity (3,), axes that do not rotate, has too much by the force; None where that may be.

        No craft jumps: a table edge that came under the camera, say, and that no range reading has shown yet.
        """
        carried = self._carried(time_s, interval_s)
        if carried is None or self._time_s - self._begun_s < _SETTLED_S:
            return None
        miss = velocity_m_s - carried
        most = _JUMP_M_S + _JUMP_SIGMAS * sigma_m_s + _JUMP_M_S2 * (time_s - self._time_s)
        return miss if float(np.linalg.norm(miss)) > most else None

    def _carried(self, time_s: float, interval_s: float) -> Array | None:
        since_s = time_s - self._time_s
        broken = since_s > _BLIND_S or self._force.broken_since(self._time_s) or self._surprises >= _SURPRISES
        force = None if broken else self._force.mean(time_s, interval_s)
        return None if force is None else self._calm + since_s * self._calm_change + force

    def begin(
        self, time_s: float, interval_s: float, velocity_m_s: Array, *, tilt_sigma_rad: float, height_sigma_m: float
    ) -> None:
        """Begin with a row, its velocity (3,) in axes that do not rotate, where none is expected of it.

        What was found of the figures stays.
        """
        since_s = time_s - self._time_s
        force = self._force.mean(time_s, interval_s)
        if since_s < _OFTEN_S or force is None:
            return
        for part, sigma in ((_U, 3.0), (_A, 20.0), (_TILT, tilt_sigma_rad), (_HEIGHT, height_sigma_m)):
            self._covariance[part, :], self._covariance[:, part] = 0.0, 0.0
            np.fill_diagonal(self._covariance[part, part], sigma**2)
        self._calm = velocity_m_s - force
        self._calm_change = -self._force.steady()  # gravity
        self._state[_U], self._state[_A], self._state[_TILT] = self._calm, self._calm_change, 0.0
        self._state[_HEIGHT] = 0.0
        self._surprises, self._time_s, self._begun_s = 0, time_s, time_s

    def learn(self, row: RowSeen) -> None:
        """Learn from a row that follows others."""
        force = self._force.mean(row.time_s, row.interval_s)
        if force is None:
            return
        since_s, self._time_s = row.time_s - self._time_s, row.time_s
        by_height = row.height_sigma_m * row.units["height"][:, 0]
        self.wandering.learn(
            since_s, row.velocity_m_s, row.expected_m_s, row.covariance.diagonal() + by_height**2, self._shaken
        )
        self._predict(since_s, row)
        self._correct(row, force)
        if row.time_s - self._begun_s < _SETTLED_S:
            self._calm = self._state[_U]
        else:
            self._calm = row.expected_m_s - force
            calm_s = _CALM_S / self._shaken  # what force adds to the noise of the picture must not build up
            self._calm += min(since_s / calm_s, 1.0) * (row.velocity_m_s - row.expected_m_s)
        self._calm_change = self._state[_A] + row.R_still_body @ self._state[_BIAS]
        foreseen = self._learnt < self._foreseen.rows
        if not foreseen and (self._learnt < _EACH or row.time_s - self._weighed_s >= _WEIGH_S):
            self._weighed_s = row.time_s
            self._weigh()
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

    def _correct(self, row: RowSeen, force: Array) -> None:
        seen = np.zeros((3, _SIZE))
        seen[:, _U], seen[:, _TH] = np.eye(3), _by_figure(row.units, row.expected_m_s, row.interval_s, row.rate_rad_s)
        seen[:, _TILT] = row.units["down"] @ row.R_still_camera.T
        seen[:, _HEIGHT] = row.units["height"]
        seen[:, _ARM] = -row.R_still_body @ skew(row.rate_rad_s[None])[0]
        miss = row.velocity_m_s - force - seen @ self._state
        lasting, noise = seen @ self._covariance @ seen.T, row.covariance + _PICTURE_M_S**2 * np.eye(3)
        surprise = float(miss @ np.linalg.solve(lasting + noise, miss))
        spread = lasting + self._quiet * noise
        self._surprises = self._surprises + 1 if surprise > _SURPRISE else 0
        self._usual += 0.05 * (min(surprise, _SURPRISE) - self._usual)
        spread *= max(1.0, surprise / _SURPRISE)
        gain = self._covariance @ seen.T @ np.linalg.inv(spread)
        self._state = self._state + gain @ miss
        left = self._covariance - gain @ spread @ gain.T
        self._covariance = 0.5 * (left + left.T)

    def _weigh(self) -> None:
        information = np.linalg.inv(self._covariance[_TH, _TH])
        learnt = information @ self._state[_TH]
        information -= self._remembered * np.diag(self._loose)
        # Rows that scatter more than they should tell less, and so does a force that shakes: it is in both sides.
        less_sure = max(1.0, self._usual / 3) * self._shaken**2
        information, learnt = information / less_sure, learnt / less_sure
        alone = np.linalg.inv(information + np.diag(np.where(_OF_HEIGHT, 1.0, self._weights[0])))
        self.scale_sigma = float(np.sqrt(alone[_OF_HEIGHT, _OF_HEIGHT].item()))
        covariance = np.linalg.inv(information + np.eye(_FIGURES) * self._weights[:, None, :])
        found = covariance @ learnt
        evidence = found @ learnt + np.linalg.slogdet(covariance)[1] + np.log(self._weights).sum(axis=1)
        weight = self._chance + 0.5 * evidence
        chance = np.exp(weight - weight.max())
        chance /= chance.sum()
        more = chance - _BELIEVED * np.exp(self._chance)
        self._guesses = tuple(
            Guess(float(more[k]), _GUESSES[k], found[k], _range_scale(k, chance, found))
            for k in range(1, len(more))
            if more[k] > 0
        )


def _range_scale(guess: int, chance: Array, found: Array) -> float:
    """How far off the range's scale may be by a guess: as it says, or as the one says that blames the range for the lens."""
    causes = _GUESSES[guess]
    if "focal_length" in causes and "height" not in causes:
        other = _GUESSES.index((causes - {"focal_length"}) | {"height"})
        guess = other if chance[other] > _TOLD_APART * chance[guess] else guess
    return float(found[guess, _WHERE["height"].start]) if "height" in _GUESSES[guess] else 0.0


def _by_figure(units: dict[str, Array], velocity: Array, interval_s: float, rate_rad_s: Array) -> Array:
    """Give the unit effects of all figures side by side, (3, number of figures)."""
    gyro = units["gyro"] * interval_s
    focal = units["focal_length"].sum(axis=1)[:, None]
    columns = [gyro[:, :2], gyro * rate_rad_s, focal, units["clock"], velocity[:, None], units["mounting"]]
    return np.hstack(columns)
