"""The fixed-interval smoother: takes down what the filter does, and reads it backwards.

It is that of Rauch, Tung and Striebel in the form of Bryson and Frazier: it carries back what later
measurements say about the errors (an adjoint vector and its matrix) instead of inverting predicted covariances, which
are singular here whenever a chain of pictures begins anew. (Bierman 1973, "Fixed interval smoothing with discrete
measurements", Int. J. Control 18.)

A long log is smoothed in blocks, each with some seconds of what follows: later measurements hardly matter by then, and
memory does not grow.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.fusion import layout as at
from flow.fusion.considered import FIGURES
from flow.fusion.motion import look_back
from flow.fusion.quantities import FusedStates, corrected, fused_states, level_turns

Array: TypeAlias = NDArray[np.float64]

_BLOCK, _BEYOND = 6000, 4000  # size: steps, buffers: smoothed at a time, and those after them that are looked at


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Steps from sample to sample, see :func:`flow.fusion.motion.integrate`; ``time_s`` (N,) at their ends."""

    time_s: Array
    values: Array
    force: Array
    covariance: Array
    considered: Array
    noise: Array
    lasting_m_s: Array
    row_s: float
    ends_at_sample: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """Errors through a ``transition``, then corrected: ``miss`` read through ``rows``, ``keep`` of them kept.

    ``considered`` (M, C) is how the miss errs by the considered figures.
    """

    transition: Array | None = None
    rows: Array | None = None
    weight: Array | None = None
    miss: Array | None = None
    considered: Array | None = None
    keep: Array | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Smoothed:
    """Smoothed states at N inertial samples.

    ``since_row_s`` (N,) is how long before each the newest row ended; ``accel_m_s2_rthz`` (N,) the noise density that the
    accelerometer was taken to have; ``constant_m2_s2`` (N, 3) the part of the velocity's variance by what is constant.

    Examples
    --------
    >>> import numpy as np
    >>> from flow import GyroSamples, read_module
    >>> from flow.fusion import Filter, ImageRow, Smoothed, Smoother
    >>> module, parts = read_module("sample_video/flight/module.yaml"), []
    >>> filter_ = Filter(module, smoother=Smoother(parts.append))
    >>> filter_.push_gyro(GyroSamples(time_s=np.arange(100) / 200, rate_rad_s=np.tile(module.gyro.bias_rad_s, (100, 1)),
    ...                               accel_m_s2=np.tile([0.0, 0.0, -9.80665], (100, 1))))
    >>> for k in range(20):
    ...     filter_.push_row(ImageRow(start_s=0.02 * k, end_s=0.02 * (k + 1), velocity_m_s=np.zeros(3),
    ...                               image_m2_s2=np.full(3, 1e-4), drift_m2_s2=np.zeros(3), lasting_m_s=np.zeros(3),
    ...                               considered_m_s=np.zeros((3, 9)), lean_m_s=np.zeros((3, 2)), height_m=1.0,
    ...                               height_sigma_m=0.01, reach_gain=1.0))
    >>> filter_.finish()
    >>> all(isinstance(part, Smoothed) for part in parts), bool(np.abs(parts[0].states.velocity_m_s).max() < 1e-3)
    (True, True)
    """

    states: FusedStates
    since_row_s: Array
    accel_m_s2_rthz: Array
    constant_m2_s2: Array


class Smoother:
    """Fixed-interval smoother: takes down the filter's steps and gives smoothed states in time order, in bounded memory.

    Parameters
    ----------
    receive
        Called with each stretch of smoothed states.
    without
        Called with times (N,) of samples for which there is no state.

    Examples
    --------
    >>> import numpy as np
    >>> from flow import GyroSamples, read_module
    >>> from flow.fusion import Filter, ImageRow, Smoother
    >>> module, parts = read_module("sample_video/flight/module.yaml"), []
    >>> filter_ = Filter(module, smoother=Smoother(parts.append))
    >>> filter_.push_gyro(GyroSamples(time_s=np.arange(100) / 200, rate_rad_s=np.tile(module.gyro.bias_rad_s, (100, 1)),
    ...                               accel_m_s2=np.tile([0.0, 0.0, -9.80665], (100, 1))))
    >>> for k in range(20):
    ...     filter_.push_row(ImageRow(start_s=0.02 * k, end_s=0.02 * (k + 1), velocity_m_s=np.zeros(3),
    ...                               image_m2_s2=np.full(3, 1e-4), drift_m2_s2=np.zeros(3), lasting_m_s=np.zeros(3),
    ...                               considered_m_s=np.zeros((3, 9)), lean_m_s=np.zeros((3, 2)), height_m=1.0,
    ...                               height_sigma_m=0.01, reach_gain=1.0))
    >>> filter_.finish()
    >>> sum(len(part.states.time_s) for part in parts) > 90
    True
    """

    def __init__(self, receive: Callable[[Smoothed], None], without: Callable[[Array], None] | None = None) -> None:
        self._receive = receive
        self._without = without
        self._entries: list[Run | Correction] = []
        self._steps = 0

    def run(self, steps: Run) -> None:
        """Take down steps."""
        self._entries.append(steps)
        self._steps += len(steps.time_s)
        if self._steps >= _BLOCK + _BEYOND:
            self._smooth(_BLOCK)

    def correction(self, correction: Correction) -> None:
        """Take down a correction."""
        self._entries.append(correction)

    def idle(self, time_s: Array) -> None:
        """Take down samples without a state."""
        if self._without is not None:
            self._without(time_s)

    def end(self) -> None:
        """Smooth what is left: the state ends here, or the log."""
        self._smooth(self._steps)
        self._entries, self._steps = [], 0

    def _smooth(self, upto: int) -> None:
        """Read backwards, give out the first ``upto`` steps or a few more, and keep the rest."""
        first, given = 0, 0
        while first < len(self._entries) and given < upto:
            entry = self._entries[first]
            given += len(entry.time_s) if isinstance(entry, Run) else 0
            first += 1
        # The last column is the adjoint state itself, those before it are its errors by the considered figures.
        pulls, weight = np.zeros((at.ERRORS, FIGURES + 1)), np.zeros((at.ERRORS, at.ERRORS))
        parts: list[_Part] = []
        for place in range(len(self._entries) - 1, -1, -1):
            entry = self._entries[place]
            if isinstance(entry, Correction):
                pulls, weight = _before(entry, pulls, weight)
                continue
            steps = len(entry.time_s)
            change, after = np.empty((steps, at.ERRORS)), np.empty((steps, at.ERRORS, at.ERRORS))
            pull, by_figures = pulls[:, -1].copy(), pulls[:, :-1].copy()
            considered = entry.considered.copy()
            look_back(
                entry.values,
                entry.force,
                entry.covariance,
                entry.noise,
                pull,
                weight,
                change,
                after,
                by_figures,
                considered,
            )
            pulls = np.column_stack([by_figures, pull])
            if place < first:
                parts.append(_Part(entry, change, after, considered))
        if parts:
            self._receive(_together(parts[::-1]))
        self._entries, self._steps = self._entries[first:], self._steps - given


@dataclass(frozen=True, slots=True)
class _Part:
    """A run, its smoothed errors (N, 28) with their covariance (N, 28, 28), and those by considered figures (N, 12, C)."""

    run: Run
    change: Array
    after: Array
    considered: Array


def _before(entry: Correction, pulls: Array, weight: Array) -> tuple[Array, Array]:
    if entry.rows is not None:
        assert entry.weight is not None and entry.miss is not None and entry.keep is not None
        assert entry.considered is not None
        seen = entry.rows.T @ entry.weight
        pulls = entry.keep.T @ pulls - seen @ np.column_stack([entry.considered, entry.miss])
        weight = entry.keep.T @ weight @ entry.keep + seen @ entry.rows
    if entry.transition is not None:
        pulls = entry.transition.T @ pulls
        weight = entry.transition.T @ weight @ entry.transition
    return pulls, 0.5 * (weight + weight.T)


def _together(parts: list[_Part]) -> Smoothed:
    """Join runs, at inertial samples only, and make states of them."""
    logged = [np.r_[np.ones(len(part.run.time_s) - 1, bool), part.run.ends_at_sample] for part in parts]

    def join(column: Callable[[_Part], Array]) -> Array:
        return np.concatenate([column(part)[kept] for part, kept in zip(parts, logged, strict=True)])

    def spread(value: Callable[[Run], Array | float]) -> Array:
        """Give what is the same throughout each run."""
        return join(lambda part: np.repeat(np.asarray(value(part.run))[None], len(part.run.time_s), axis=0))

    time_s = join(lambda part: part.run.time_s)
    values = corrected(join(lambda part: part.run.values[1:]), join(lambda part: part.change))
    covariance, considered = join(lambda part: part.after), join(lambda part: part.considered)
    lasting = spread(lambda run: run.lasting_m_s)
    by_figures = level_turns(values).transpose(0, 2, 1) @ considered[:, :3]
    return Smoothed(
        states=fused_states(time_s, values, covariance, considered, lasting),
        since_row_s=time_s - spread(lambda run: run.row_s),
        accel_m_s2_rthz=np.sqrt(spread(lambda run: float(run.noise[3]))),
        constant_m2_s2=np.square(by_figures).sum(axis=2) + np.square(lasting),
    )
