"""Values and covariance of their errors, and the three things that happen to them: propagation, blending, correction."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.fusion import layout as at
from flow.fusion.considered import FIGURES
from flow.fusion.motion import integrate
from flow.fusion.quantities import FusedStates, correct_values, fused_states
from flow.fusion.smoother import Correction, Run, Smoother

Array: TypeAlias = NDArray[np.float64]


class Estimate:
    """State and covariance at a time; all that happens to it is handed to the smoother.

    Parameters
    ----------
    time_s
        Of the values.
    values, covariance
        See ``layout``.
    noise
        See :meth:`flow.fusion.noise.InertialNoise.packed`; rows change what is theirs in it.
    smoother
        None where nobody smooths.
    """

    def __init__(
        self, time_s: float, values: Array, covariance: Array, noise: Array, smoother: Smoother | None
    ) -> None:
        self.time_s = time_s
        self.values = values
        self.covariance = covariance
        self.noise = noise
        self.considered = np.zeros((at.ERRORS, FIGURES))
        self.lasting_m_s = np.zeros(3)
        self.row_s = time_s
        self._smoother = smoother

    def propagate(self, time_s: Array, rate_rad_s: Array, force_m_s2: Array, *, ends_at_sample: bool = True) -> None:
        """Carry on over N steps between samples, the first of which is at the time of the values."""
        steps = len(time_s) - 1
        shown = at.SHOWN.stop - at.SHOWN.start
        kept = (
            np.empty((steps + 1, at.VALUES)),
            np.empty((steps, 4)),
            np.empty((steps, at.ERRORS, at.ERRORS)),
            np.empty((steps, shown, FIGURES)),
        )
        integrate(self.values, self.covariance, time_s, rate_rad_s, force_m_s2, self.noise, self.considered, *kept)
        self.time_s = float(time_s[-1])
        if self._smoother is not None:
            self._smoother.run(
                Run(
                    time_s=time_s[1:],
                    values=kept[0],
                    force=kept[1],
                    covariance=kept[2],
                    considered=kept[3],
                    noise=self.noise.copy(),
                    lasting_m_s=self.lasting_m_s,
                    row_s=self.row_s,
                    ends_at_sample=ends_at_sample,
                )
            )

    def renew(self, place: slice, variance: Array, considered: Array | None = None) -> None:
        """Forget what was known of some errors: they are new, with this covariance and these considered errors (n, C)."""
        F = np.eye(at.ERRORS)
        F[place] = 0.0
        more = np.zeros((at.ERRORS, at.ERRORS))
        more[place, place] = variance
        self.blend(F, more)
        if considered is not None:
            self.considered[place] = considered

    def blend(self, transition: Array, more: Array) -> None:
        """Let errors become linear combinations of themselves, and something more on top."""
        self.covariance = transition @ self.covariance @ transition.T + more
        self.considered = transition @ self.considered
        if self._smoother is not None:
            self._smoother.correction(Correction(transition=transition))

    def correct(
        self, rows: Array, miss: Array, noise: Array, considered: Array | None = None, *, gate: float
    ) -> tuple[bool, Array]:
        """Correct by a reading (Joseph's form), unless its squared normalised miss is beyond the gate; give that (M,) too.

        ``rows`` (M, 28) are the errors that it shows, ``miss`` (M,) how far it is from the values, ``noise`` (M, M) its
        own covariance; ``considered`` (M, C) its errors by one sigma of each constant figure.
        """
        P = self.covariance
        across = P @ rows.T
        whiten = np.asarray(np.linalg.inv(np.linalg.cholesky(rows @ across + noise)), np.float64)
        normal = whiten @ miss
        if not normal @ normal <= gate:
            return False, normal
        weight = whiten.T @ whiten
        gain = across @ weight
        keep = np.eye(at.ERRORS) - gain @ rows
        P = keep @ P @ keep.T + gain @ noise @ gain.T
        self.covariance = 0.5 * (P + P.T)
        correct_values(self.values, gain @ miss)
        missed = rows @ self.considered
        if considered is not None:
            missed = missed + considered
        self.considered = self.considered - gain @ missed
        if self._smoother is not None:
            self._smoother.correction(Correction(rows=rows, weight=weight, miss=miss, considered=missed, keep=keep))
        return True, normal

    def quantities(self) -> FusedStates:
        """Give what is estimated as quantities, N = 1."""
        return fused_states(
            np.array([self.time_s]), self.values[None].copy(), self.covariance[None], self.considered[None, at.SHOWN],
            self.lasting_m_s[None],
        )  # fmt: skip

    def copy(self) -> Estimate:
        """Give another of its own, with no smoother."""
        other = Estimate(self.time_s, self.values.copy(), self.covariance.copy(), self.noise, None)
        other.considered = self.considered.copy()
        other.lasting_m_s, other.row_s = self.lasting_m_s, self.row_s
        return other
