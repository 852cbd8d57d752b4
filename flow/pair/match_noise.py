"""How far matches scatter around the velocity they agree on: by the noise of the pixels, and whatever the texture.

A match's own covariance follows from pixel noise and texture. A video codec, ground that is not quite level and a lens
model that is not quite right add a displacement that strong texture does not lessen. Which share is which shows over
time: the one falls with texture, the other does not.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled
from flow.numerics.middle import MEDIAN_SQUARE, share_of, upper_median
from flow.tracks import Matches

Array: TypeAlias = NDArray[np.float64]

# prior: share one-sigma, of the height: low plants, creases, stones
RELIEF = 0.05
"""One-sigma of the ground's relief, as a share of the height, before anything is known."""
PATCHES = 12.0
"""Neighbouring blocks err alike: of what relief or a codec does to them, about so many patches of the view are independent."""

_LEAST_SHARE = 0.5  # size: share, a majority: with fewer there may be another motion that as many agree on
_MOST_SCATTER_PX = 0.85
_NOISIER = 2.0  # prior: ratio, pixel noise against the usual: photon noise doubles with four times the light


def allowed_px2(moved_px: Array) -> Array:
    """Covariance (N, 2, 2) that residuals of one motion of the ground may have, px^2.

    A scatter whatever the direction; and what stands higher moves faster along the same line, so that relief adds its
    square times the outer product of a match's translational motion (N, 2): a relative error of its distance, marginalised.
    """
    return np.asarray(_MOST_SCATTER_PX**2 * np.eye(2) + RELIEF**2 * moved_px[:, :, None] * moved_px[:, None, :])


def speak_of_one_motion(used: NDArray[np.bool_], residual_px: Array, moved_px: Array) -> bool:
    """Whether enough matches agree, ``used`` (N,), and their residuals (N, 2) are no larger than what is allowed."""
    if share_of(used) < _LEAST_SHARE:
        return False
    residual = residual_px[used]
    weighted = np.linalg.solve(allowed_px2(moved_px[used]), residual[:, :, None])[:, :, 0]
    # The median of chi-square with two degrees of freedom is 2 ln 2.
    return bool(upper_median((residual * weighted).sum(axis=1)) <= 2 * np.log(2))


class MatchNoise:
    """Covariance of matches as the pairs before have shown it: ``gain`` x their own + ``floor_px2`` x the identity."""

    _PAIRS = 20.0  # size: pairs, of a running mean
    _NEW, _NEW_UNUSUAL = 0.1, 0.01  # size: share, running means of ten pairs, and of a hundred unusual ones
    _BELIEF_PX = 0.03  # prior: px one-sigma, floor before anything is known
    _LEAST_GAIN, _MOST_GAIN = 0.25, 25.0
    _FINER = 0.6  # share of directions that tell: the rest holds what has next to no texture, and says nothing

    def __init__(self) -> None:
        self.gain, self.floor_px2 = 1.0, self._BELIEF_PX**2
        self.scale = 1.0
        """Scatter factor of the pairs before on the covariance given out."""
        self._levels = np.inf  # noise of a pixel, grey levels
        self._seen: Array | None = None  # (2, 2): variance by texture and variance shown, of the better and worse half

    def applied(self, matches: Matches) -> Matches:
        """Give the matches with the covariance that they should be weighed by."""
        return replace(matches, covariance_px2=self.gain * matches.covariance_px2 + self.floor_px2 * np.eye(2))

    def learn(self, matches: Matches, used: NDArray[np.bool_], miss_px: Array, scale: float) -> None:
        """Learn from a pair.

        Parameters
        ----------
        matches
            With their own covariance.
        used
            (N,), those that agree.
        miss_px
            (N, 2), how far each is from where the solution puts it.
        scale
            Scatter factor on the covariance given out.
        """
        self.scale += self._NEW * (scale - self.scale)
        levels = matches.noise_levels
        self._levels = levels if np.isinf(self._levels) else self._levels + self._NEW * (levels - self._levels)
        # Along and across its edges a match may scatter very differently: each direction counts on its own.
        by_texture, shown = _by_direction(matches.covariance_px2, miss_px, used)
        finer = int(self._FINER * len(by_texture))
        order = np.argpartition(by_texture, [finer // 2, finer])
        halves = order[: finer // 2], order[finer // 2 : finer]
        now = np.array([[upper_median(by_texture[half]), upper_median(shown[half])] for half in halves])
        self._seen = now if self._seen is None else self._seen + (now - self._seen) / self._PAIRS
        (fine, fine_shown), (coarse, coarse_shown) = self._seen
        gain = (coarse_shown - fine_shown) / max(coarse - fine, 1e-3 * coarse)
        self.gain = float(np.clip(gain, self._LEAST_GAIN, self._MOST_GAIN))
        self.floor_px2 = float(max(fine_shown - self.gain * fine, 0.0))

    def explains(self, matches: Matches, used: NDArray[np.bool_]) -> bool:
        """Whether matches found from a guess alone show the ground's motion, or want to be looked for from afar.

        From a wrong guess a few blocks agree by chance: most places with texture are not found, and those that are leave it
        in their residual, as more noise than a pixel has.
        """
        found = used.sum() >= _LEAST_SHARE * (len(used) + matches.lost)
        return bool(found and matches.noise_levels < _NOISIER * self._levels)

    def note_unusual(self, scale: float) -> None:
        """Let the scatter of a pair that shows more than one plane count a little, in case it lasts."""
        self.scale += self._NEW_UNUSUAL * (min(scale, 4 * self.scale) - self.scale)


@compiled
def _by_direction(covariance: Array, miss: Array, used: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Variance of the matches that are used along their worst direction and across it, and what it is by how they miss."""
    count = np.count_nonzero(used)
    variance, shown = np.empty(2 * count), np.empty(2 * count)
    k = 0
    for i in range(len(used)):
        if used[i]:
            a, b, c = covariance[i, 0, 0], covariance[i, 0, 1], covariance[i, 1, 1]
            x, y = miss[i]
            middle, apart = 0.5 * (a + c), np.hypot(0.5 * (a - c), b)
            # The square along the worst direction, by its projection; half of the whole where none is worse.
            whole, lean = x * x + y * y, 0.5 * (a - c) * (x * x - y * y) + 2 * b * x * y
            along = 0.5 * (whole + (lean / apart if apart > 0 else 0.0))
            variance[k], variance[k + 1] = middle + apart, middle - apart
            shown[k], shown[k + 1] = along / MEDIAN_SQUARE, (whole - along) / MEDIAN_SQUARE
            k += 2
    return variance, shown
