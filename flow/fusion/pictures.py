"""Rows of the speed log as readings of where the craft is.

Rows are differences of what two pictures show, and two rows share a picture: its error enters both, with opposite signs
(white noise it is not: adding rows up gives back the place within the error of two pictures). So the filter takes them
for what they are. It carries the way since the first picture of a chain less what the pictures showed of it (``SEEN``);
a row then is a reading of a *place* whose error is that of its last picture alone, new in every row, and what remains
afterwards is just that picture's error, waiting for the next row. No clone of the state is needed for that. What the gyro
adds to a row is the same noise that leans the tilt, and enters both at once (``motion``).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.fusion import layout as at
from flow.fusion.considered import OF_ROWS
from flow.fusion.estimate import Estimate
from flow.fusion.inputs import ImageRow
from flow.fusion.quantities import heading_rad, turned_about_down
from flow.fusion.ranging import RangeReader
from flow.motion.row import FRAME_SHARE, SAME_FRAME_S

Array: TypeAlias = NDArray[np.float64]

PICTURE_SHARE = FRAME_SHARE
"""Share of a row's image variance that each of its two pictures has; the rest is new in every row."""

_GATE = 25.9  # rate: 1 in 100,000 rows, chi-square with 3 degrees of freedom
_LOST_S = 1.0  # rows that contradict for so long are right, and the state is not
_REACH_MEMORY = 0.1  # size: share, a running mean of ten rows
_LEAST_HEIGHT_M = 0.02  # size: m, on the ground
_LEARNING = 0.05  # size: 1/rows, of a running mean over twenty rows
_EXPECTED = 1.1  # rate: 1 in 4, the mean square of twenty rows of three components strays by a tenth and more
_LOUDEST = 1e4
_ROWS = np.eye(at.ERRORS)[at.SEEN]


class PictureChain:
    """Pictures that rows link without a gap.

    Parameters
    ----------
    ranging
        Knows whether the height is in doubt.
    """

    def __init__(self, ranging: RangeReader) -> None:
        self._ranging = ranging
        self._end_s: float | None = None
        self._heading_rad = 0.0
        self._contradicted_s: float | None = None
        self._quiet: float | None = None  # the accelerometer's variance as told
        self.lost = False
        """Whether rows have contradicted the state for so long that it is the state that is wrong."""

    def reaches(self, time_s: float) -> bool:
        """Whether the chain ends with the picture at this time."""
        return self._end_s is not None and abs(self._end_s - time_s) <= SAME_FRAME_S

    def interrupt(self) -> None:
        """Hear that the next row has no picture in common with the last."""
        self._end_s = None

    def begin(self, estimate: Estimate, row: ImageRow) -> None:
        """Count the way from the picture of this moment, whose own error is not known yet."""
        self._end_s, self._heading_rad = estimate.time_s, heading_rad(estimate.values)
        estimate.renew(at.SEEN, _in_track(PICTURE_SHARE * row.image_m2_s2 * row.interval_s**2, self._heading_rad))
        estimate.values[at.V_SEEN] = 0.0

    def see(self, estimate: Estimate, row: ImageRow) -> Array:
        """Correct by a row that begins where the chain ends and ends now; give its normalised innovation (3,)."""
        if row.velocity_m_s is None:
            raise ValueError("a row without velocity shows nothing")
        if self._ranging.contradicted(row, estimate.values, estimate.covariance):
            height = row.height_m or 0.0
            variance = np.array([[(row.height_sigma_m or 0.0) ** 2]])
            estimate.renew(slice(at.HEIGHT, at.HEIGHT + 1), variance, -self._ranging.considered(height)[None])
            estimate.values[at.V_HEIGHT] = height
        now = heading_rad(estimate.values)
        middle = self._heading_rad + 0.5 * float((now - self._heading_rad + np.pi) % (2 * np.pi) - np.pi)
        seen = self._expect(estimate, row, row.velocity_m_s, middle)
        self._hear_noise(estimate, row, middle)
        picture = _in_track(PICTURE_SHARE * row.image_m2_s2 * row.interval_s**2, middle)
        fits, normal = estimate.correct(_ROWS, seen - estimate.values[at.V_SEEN], picture, gate=_GATE)
        self._doubt_samples(estimate, normal)
        if fits:
            self._contradicted_s = None
            estimate.values[at.V_SEEN] -= seen
            estimate.row_s = self._end_s = estimate.time_s
            self._heading_rad = heading_rad(estimate.values)
            return normal
        self._contradicted_s = row.start_s if self._contradicted_s is None else self._contradicted_s
        self.lost = row.end_s - self._contradicted_s > _LOST_S
        self.begin(estimate, row)
        return normal

    def _expect(self, estimate: Estimate, row: ImageRow, velocity: Array, middle_rad: float) -> Array:
        """Add to the way expected what a row sees of it; give the way (3,) that it did see, in the track frame."""
        values = estimate.values
        height = max(values[at.V_HEIGHT] + 0.5 * row.interval_s * values[at.V_VELOCITY][2], _LEAST_HEIGHT_M)
        # The row was scaled by a height of its own; ours is as good and its error is known.
        level = velocity * (row.interval_s if row.height_m is None else row.interval_s * height / row.height_m)
        seen = turned_about_down(middle_rad) @ level
        F = np.eye(at.ERRORS)
        F[at.SEEN, at.HEIGHT] = -seen / height
        in_track = turned_about_down(middle_rad) * row.interval_s
        F[at.SEEN, at.LEAN] = in_track @ row.lean_m_s
        values[at.V_SEEN] += F[at.SEEN, at.LEAN] @ values[at.V_LEAN]
        doubt = np.square(self._ranging.doubt_m / height * velocity)
        new = (1 - 2 * PICTURE_SHARE) * row.image_m2_s2 + doubt
        more = np.zeros((at.ERRORS, at.ERRORS))
        more[at.SEEN, at.SEEN] = _in_track(new * row.interval_s**2, middle_rad)
        estimate.blend(F, more)
        estimate.considered[at.SEEN, OF_ROWS] += in_track @ row.considered_m_s
        return seen

    def _doubt_samples(self, estimate: Estimate, normal: Array) -> None:
        """Take the accelerometer for noisier while rows miss by more than they should, and for itself again after that.

        Vibration that the log shows as a slow beat, or a sensor that sits away from the body's origin, would else speak
        louder than the pictures.
        """
        if self._quiet is None:
            self._quiet = float(estimate.noise[3])
        much = min(float(normal @ normal), _GATE) / len(normal) - _EXPECTED
        estimate.noise[3] = np.clip(estimate.noise[3] * np.exp(_LEARNING * much), self._quiet, _LOUDEST * self._quiet)

    def _hear_noise(self, estimate: Estimate, row: ImageRow, heading: float) -> None:
        """Take over what the row says of its own lasting errors."""
        estimate.lasting_m_s = row.lasting_m_s
        estimate.noise[12] += _REACH_MEMORY * (row.reach_gain - estimate.noise[12])
        estimate.noise[17:20] = _in_track(row.drift_m2_s2, heading).diagonal()


def _in_track(variance: Array, heading: float) -> Array:
    """Covariance (3, 3) in the track frame of variances (3,) along level axes."""
    turn = turned_about_down(heading)
    return np.asarray(turn @ np.diag(variance) @ turn.T)
