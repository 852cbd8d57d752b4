"""What reaches the filter beside inertial samples and range readings: image rows and positions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.effects import NO_EFFECT, Effects
from flow.fusion.heard import heard_parts
from flow.module import Module
from flow.pair.shared_errors import noise_span_s
from flow.per_source import PerSource
from flow.result import FrameResult
from flow.row import LevelVelocity

Array: TypeAlias = NDArray[np.float64]

DRIFT_LASTS_S = 0.1
"""How long the part of a row's error lasts that goes on for some rows."""

# prior: of the image variance, as measured (spectra of rendered hovers, lossless, MJPEG and H.264, 0.2 to 4 Hz). Registration is
# off by a thousandth of a pixel the same way while it sees the same ground, and a codec lets blocks creep for some frames: rows
# added up miss by so much more than differences of frames would.
_DRIFTING = 0.01

_SILENT: Effects = PerSource.of(lambda _: NO_EFFECT)


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageRow:
    """A row of the speed log as the filter takes it: errors parted by how they go on from row to row.

    Parameters
    ----------
    start_s, end_s
        When the two pictures were taken, gyro clock.
    velocity_m_s
        (3,), level axes, the mean between the two; None where the row has none.
    image_m2_s2
        (3,), variance by what belongs to single frames, level axes: the picture's noise and false stamps.
    drift_m2_s2
        (3,), variance by what lasts for some rows: see :data:`_DRIFTING`; uneven ground and moving light among it.
    lasting_m_s
        (3,), one-sigma of what the flight has found to be wrong for good, in no figure that is considered.
    considered_m_s
        (3, C), one-sigma effects of figures that are constant, :data:`flow.fusion.considered.BY_ROWS` in order, level axes.
    lean_m_s
        (3, 2), one-sigma effects of the tilt behind the row's level axes, about forward and right.
    height_m, height_sigma_m
        The height that the velocity was scaled by; None where unknown.
    reach_gain
        How much of (turn x height of the camera) a wrong turn adds to the velocity: 1 for a narrow view.

    Examples
    --------
    >>> import numpy as np
    >>> from flow.fusion import ImageRow
    >>> row = ImageRow(start_s=0.0, end_s=0.02, velocity_m_s=np.array([0.5, 0.0, 0.0]), image_m2_s2=np.full(3, 1e-5),
    ...                drift_m2_s2=np.zeros(3), lasting_m_s=np.zeros(3), considered_m_s=np.zeros((3, 9)),
    ...                lean_m_s=np.zeros((3, 2)), height_m=1.0, height_sigma_m=0.01, reach_gain=1.0)
    >>> row.interval_s
    0.02
    """

    start_s: float
    end_s: float
    velocity_m_s: Array | None
    image_m2_s2: Array
    drift_m2_s2: Array
    lasting_m_s: Array
    considered_m_s: Array
    lean_m_s: Array
    height_m: float | None
    height_sigma_m: float | None
    reach_gain: float

    @property
    def interval_s(self) -> float:
        """Time between the two pictures."""
        return self.end_s - self.start_s


class RowReader:
    """Turns results of the estimator into rows for the filter.

    Parameters
    ----------
    module
        The calibrated module.

    Examples
    --------
    >>> import flow
    >>> from flow.fusion import RowReader
    >>> recording = flow.open_recording("sample_video/flight")
    >>> result = next(flow.measure(recording, positions=False, first_pass=False))
    >>> row = RowReader(recording.module).row(result)
    >>> row.interval_s == result.row.interval_s, row.velocity_m_s.shape
    (True, (3,))
    """

    def __init__(self, module: Module) -> None:
        self._module = module
        self._copied_since_s: float | None = None

    def row(self, result: FrameResult) -> ImageRow | None:
        """Turn one result; the results of a recording come in order.

        A copied picture is no news: None. The velocity that follows is the mean since the first copy: that is the picture
        it was measured against.
        """
        row = result.row
        start_s, end_s = row.time_s - 0.5 * row.interval_s, row.time_s + 0.5 * row.interval_s
        if row.status == "repeated_frame":
            self._copied_since_s = start_s if self._copied_since_s is None else self._copied_since_s
            return None
        if self._copied_since_s is not None:
            start_s, self._copied_since_s = self._copied_since_s, None
        velocity = row.velocity.vector_m_s if isinstance(row.velocity, LevelVelocity) else None
        effects = result.effects_m_s if velocity is not None and result.effects_m_s is not None else _SILENT
        if velocity is not None and result.pair is not None:
            # Rows from a longer baseline share images with many others: the chain of images takes single pairs.
            velocity, effects = result.pair.velocity_m_s, result.pair.effects_m_s
        parts = heard_parts(effects)
        image = np.square(effects.image).sum(axis=1)
        return ImageRow(
            start_s=start_s,
            end_s=end_s,
            velocity_m_s=velocity,
            image_m2_s2=parts.image_m2_s2,
            drift_m2_s2=parts.drift_m2_s2 + _DRIFTING * image + _crept(image, end_s - start_s),
            lasting_m_s=np.sqrt(parts.lasting_m2_s2),
            considered_m_s=parts.considered_m_s,
            lean_m_s=parts.lean_m_s,
            height_m=row.height_m,
            height_sigma_m=row.height_sigma_m,
            reach_gain=self._reach_gain(effects.gyro_noise, row.height_m, end_s - start_s),
        )

    def _reach_gain(self, by_gyro: Array, height_m: float | None, interval_s: float) -> float:
        """Compare the estimator's own effect of gyro noise with that on a narrow view straight down."""
        span_s = noise_span_s(interval_s, self._module.camera.readout_s)
        roll, pitch, _ = self._module.gyro.noise_per_axis * np.sqrt(span_s) / interval_s
        reach = 0.0 if height_m is None else height_m - self._module.alignment.camera_position_m[2]
        plain = np.hypot(roll, pitch) * reach
        return float(np.clip(np.linalg.norm(by_gyro[:2]) / plain, 0.5, 2.0)) if plain > 0 and by_gyro.any() else 1.0


def _crept(image_m2_s2: Array, interval_s: float) -> Array:
    """Variance (3,) of a drift that leaps take back.

    With H.264 a picture that turns about the optical axis creeps along its rows and leaps back at the next key picture
    (rendered hovers: a quarter of a millimetre at 1 m once a second, its sign that of the turn, correlation 0.9; most likely
    since blocks are foretold from those left of them and above). Leaps make one level direction noisier than the other;
    and what leaps back in a row had crept before, with as much variance in all.
    """
    leaps = np.append(image_m2_s2[:2] - image_m2_s2[:2].min(), 0.0)
    return np.asarray(leaps * interval_s / (2 * DRIFT_LASTS_S))
