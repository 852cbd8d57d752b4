"""Mounting, clock, gyro bias and readout by robust least squares over all matches of a turned module."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from calib.aligned import AlignmentFit
from calib.turn_algebra import eliminated, missing_turn, relief, scatter, times, whitening
from calib.turn_model import UNKNOWNS, Bend, TurnModel, Unknowns
from calib.turn_pairs import TurnPairs
from flow.module import Camera
from flow.series import GyroSamples

__all__ = ["AlignmentFit", "fit_alignment"]

Array: TypeAlias = NDArray[np.float64]

_STEPS = np.array([1e-5] * 3 + [1e-5] + [1e-5] * 3 + [1e-4] * 2 + [1e-5] + [1e-5] * 3)  # of the numerical derivative
_SIZES = np.array(
    [0.1] * 3 + [0.01] + [0.01] * 3 + [0.3] * 2 + [0.01] + [0.1] * 3
)  # of the unknowns, for the trust region
_MOST_SCALES, _SCALE_STANDS = 4, 3.0  # rounds of it; sigmas: weights for another scale cost some 6 % of a step
_SCALE_STEP = 1e-4  # of the gyro's scale, for its numerical derivative
_TILT_SIGMA = 0.5  # rad a round: steadies the normal of a plane too far away to tell
_TUKEY = 4.685  # 95 % efficiency on Gaussian scatter (Huber and Ronchetti 2009)
_CAUCHY2 = 2.0
_ROUGH, _FINE, _MOST = 2, 2, 8  # rounds with Cauchy's weights, with Tukey's at least, in all at most
_SETTLED = 0.1  # sigma: a round that moves no unknown farther is the last
_USED = 0.1
_TILT = slice(7, 9)
_LAG_S = 0.5  # errors of pairs so far apart may still be correlated


def fit_alignment(
    pairs: TurnPairs,
    gyro: GyroSamples,
    camera: Camera,
    start: Unknowns,
    *,
    readout: bool = False,
    rough: bool = False,
    free: Sequence[int] | None = None,
    prior: Array | None = None,
) -> AlignmentFit:
    """Find mounting, clock, bias, plane and perhaps readout; or whatever is ``free``.

    The displacement of each pair is eliminated (variable projection, Golub and Pereyra 1973). A match is weighed by its
    own covariance, by the scatter of its pair, and along its parallax by the relief of the scene, which is estimated
    too: over a plane both coordinates of a match count, over a heap of boxes only the one across the parallax, which
    is the epipolar constraint.

    Parameters
    ----------
    pairs
        Matches, camera's clock; the gyro must cover them.
    gyro
        The log, bias not subtracted.
    camera
        The lens.
    start
        Within some 20 degrees and some 20 ms.
    readout
        Whether the readout time is unknown too.
    rough
        Stop after the first rounds: to compare starts.
    free
        Places in ``turn_model.UNKNOWNS`` of those to be found; ``readout`` counts for nothing then.
    prior
        One-sigma (13,) by which they may be off at the start; without, nothing is known of them.
    """
    chosen = range(10 if readout else 9) if free is None else free
    fit = _Fit(
        TurnModel(pairs, gyro, camera), start, chosen, np.full(len(UNKNOWNS), np.inf) if prior is None else prior
    )
    for _ in range(_ROUGH):
        fit.round(trim=False)
    for count in range(0 if rough else _MOST - _ROUGH):
        fit.round(trim=True)
        if count + 1 >= _FINE and np.all(np.abs(fit.step) < _SETTLED * np.sqrt(np.diag(fit.covariance()))):
            break
    return fit.result((1.0, np.inf) if rough or free is not None else fit.gyro_scale())


class _Fit:
    """Rounds of weighing and least squares."""

    def __init__(self, model: TurnModel, start: Unknowns, free: Sequence[int], prior: Array) -> None:
        self._model, self.at = model, start
        self._free, self._count, self._given = np.array(free, np.intp), len(free), prior
        self._tilts = (self._free == _TILT.start) | (self._free == _TILT.start + 1)
        self._prior = np.where(self._tilts, _TILT_SIGMA, prior[self._free])
        self._moved = np.zeros(self._count)
        self._bend: Bend | None = None
        covariance, px_per_ray = model.noise_at(start)
        white = whitening(covariance) * model.known[..., None, None]
        self._white_px = white @ np.linalg.inv(px_per_ray)
        self._relief = 0.0

    def round(self, *, trim: bool) -> None:
        """Weigh all matches by their residuals, then fit."""
        self._weigh(trim=trim)
        found = least_squares(
            self._residual,
            np.zeros(self._count),
            jac=self._jacobian,
            x_scale=_SIZES[self._free],
            xtol=1e-6,
            ftol=1e-6,
        )
        self.at = self.at.moved(self._whole(found.x))
        self._moved += np.where(self._tilts, 0.0, found.x)
        self.step = np.asarray(found.x)
        self._jac, self._left = np.asarray(found.jac), np.asarray(found.fun)

    def result(self, gyro_scale: tuple[float, float]) -> AlignmentFit:
        """Judge the fit; ``gyro_scale`` comes with its sigma."""
        model, equations = self._model, self._model.equations(self.at, self._bend)
        white = self._white_at(self.at)
        _, displacement = eliminated(equations, white)
        residual = equations.target - times(equations.rows, displacement[:, None])
        noise, px_per_ray = model.noise_at(self.at)
        residual_px = np.linalg.norm(times(px_per_ray, residual), axis=-1)
        covariance = self.covariance()
        ends = np.stack([model.pairs.first_s, model.pairs.second_s], axis=1)
        turns = model.camera_turns(self.at, ends)
        weight = self.weight * self.used
        squares = np.sum(weight * residual_px**2, axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
        return AlignmentFit(
            unknowns=self.at,
            covariance=covariance,
            information=self._jac.T @ self._jac,
            squares=np.where(model.known, np.sum(times(whitening(noise), residual) ** 2, axis=-1), 0.0),
            used=self.used,
            known=model.known,
            residual_px=np.where(self.used.any(axis=1), np.sqrt(squares), np.nan),
            typical_px=float(np.median(residual_px[model.known])),
            relief=self._relief,
            missing_rad=missing_turn(equations, white),
            gyro_turn_rad=Rotation.from_matrix(turns[:, 0].transpose(0, 2, 1) @ turns[:, 1]).as_rotvec(),
            halves_differ=self._halves_differ(covariance),
            gyro_scale=gyro_scale[0],
            gyro_scale_sigma=gyro_scale[1],
        )

    def covariance(self) -> Array:
        """Covariance from the scatter of all matches, or of whole pairs if that is larger.

        Matches of a pair err together (codec, gyro noise), and so do successive pairs that share frames and texture:
        the second form sums products of the scores of pairs up to half a second apart (Newey and West 1987).
        """
        return self._sandwich(self._jac, self._left)

    def _sandwich(self, jac: Array, left: Array) -> Array:
        inverse = np.linalg.inv(jac.T @ jac)
        scores, count = self._scores(jac, left), jac.shape[1]
        middle = scores.T @ scores
        step_s = float(np.median(np.diff(self._model.pairs.middle_s)))
        lags = min(int(_LAG_S / step_s), len(scores) // 4)
        for lag in range(1, lags + 1):
            shared = scores[lag:].T @ scores[:-lag]
            middle += (1 - lag / (lags + 1)) * (shared + shared.T)
        paired = inverse @ middle @ inverse
        paired *= 1 + count / max(len(scores) - count, 1)
        alone, together = np.diag(inverse), np.maximum(np.diag(paired), 1e-30)
        widen = np.sqrt(np.maximum(alone / together, 1.0))
        return np.asarray(paired * widen[:, None] * widen)

    def _scores(self, jac: Array, left: Array) -> Array:
        each = (jac * left[:, None])[: -self._count]  # the last rows are the prior's
        return np.asarray(each.reshape(len(self._model.pairs), -1, jac.shape[1]).sum(axis=1))

    def gyro_scale(self) -> tuple[float, float]:
        """Scale of the gyro and its one-sigma, all other unknowns free with it.

        What mounting, clock, bias and the plane can make up for is not told of the scale; the covariance then says so. A
        Gauss-Newton step from weights made for another scale falls short of it: rounds at the new scale follow.
        """
        fit = self
        for _ in range(_MOST_SCALES):
            step, sigma = fit._scale_step()
            if abs(step) < _SCALE_STANDS * sigma:
                break
            at = replace(fit.at, gyro_scale=fit.at.gyro_scale * (1 + step))
            fit = _Fit(self._model, at, [int(place) for place in self._free], self._given)
            for _ in range(_FINE):
                fit.round(trim=True)
        step, sigma = fit._scale_step()
        return fit.at.gyro_scale * (1 + step), fit.at.gyro_scale * sigma

    def _scale_step(self) -> tuple[float, float]:
        at, white = self.at, self._white_at(self.at)
        scaled = replace(at, gyro_scale=at.gyro_scale * (1 + _SCALE_STEP))
        moved, here = (eliminated(self._model.equations(each, self._bend), white)[0] for each in (scaled, at))
        column = np.append((moved - here).ravel() / _SCALE_STEP, np.zeros(self._count))
        jac = np.column_stack([self._jac, column])
        step = -np.linalg.lstsq(jac, self._left, rcond=None)[0]
        covariance = self._sandwich(jac, self._left + jac @ step)
        return float(step[-1]), float(np.sqrt(covariance[-1, -1]))

    def _halves_differ(self, covariance: Array) -> Array:
        """One step of each half of the recording alone; the difference in sigmas."""
        scores, half = self._scores(self._jac, self._left), len(self._model.pairs) // 2
        prior = self._jac[-self._count :].T @ self._jac[-self._count :]
        jac = self._jac[: -self._count].reshape(len(scores), -1, self._count)
        steps, spread = [], np.zeros(self._count)
        for part in (slice(half), slice(half, None)):
            rows = jac[part].reshape(-1, self._count)
            inverse = np.linalg.inv(rows.T @ rows + prior)
            steps.append(inverse @ scores[part].sum(axis=0))
            spread += np.diag(inverse)
        widened = np.diag(covariance) / np.diag(np.linalg.inv(self._jac.T @ self._jac))
        return np.asarray((steps[0] - steps[1]) / np.sqrt(spread * widened))

    def _whole(self, step: Array) -> Array:
        whole = np.zeros(len(UNKNOWNS))
        whole[self._free] = step
        return whole

    def _white_at(self, at: Unknowns) -> Array:
        """Whitening matrices for ray coordinates through the lens of ``at``."""
        return np.asarray(self._white_px @ self._model.noise_at(at)[1])

    def _residual(self, step: Array) -> Array:
        at = self.at.moved(self._whole(step))
        left, _ = eliminated(self._model.equations(at, self._bend), self._white_at(at))
        return np.concatenate([left.ravel(), (self._moved + step) / self._prior])

    def _jacobian(self, step: Array) -> Array:
        here = self._residual(step)
        columns = [
            (self._residual(step + size * unit) - here) / size
            for size, unit in zip(_STEPS[self._free], np.eye(self._count), strict=True)
        ]
        return np.stack(columns, axis=1)

    def _weigh(self, *, trim: bool) -> None:
        model, equations = self._model, self._model.equations(self.at, self._bend)
        _, displacement = eliminated(equations, self._white_at(self.at))
        noise, px_per_ray = model.noise_at(self.at)
        known = model.known
        parallax = times(equations.rows, displacement[:, None])
        residual = equations.target - parallax
        plain = whitening(noise)
        factor = scatter(np.sum(times(plain, residual) ** 2, axis=-1), known)[:, None, None, None]
        covariance = noise * factor
        plain /= np.sqrt(factor)
        self._relief = relief(times(plain, residual), times(plain, parallax), known)
        covariance = covariance + self._relief**2 * parallax[..., :, None] * parallax[..., None, :]
        white = whitening(covariance)
        square = np.sum(times(white, residual) ** 2, axis=-1)
        tukey = np.square(np.maximum(1 - square / _TUKEY**2, 0.0))
        self.weight = np.where(known, tukey if trim else 1 / (1 + square / _CAUCHY2), 0.0)
        self.used: NDArray[np.bool_] = known & (tukey > _USED)
        self._white_px = white * np.sqrt(self.weight)[..., None, None] @ np.linalg.inv(px_per_ray)
        self._bend = model.bend(self.at, displacement)
