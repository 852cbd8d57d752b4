"""Of a gyro log what can be believed: no spikes, nothing at a rail, nothing that hangs."""

from __future__ import annotations

import numpy as np

from flow.faults.rails import Rails
from flow.faults.spikes import Spikes
from flow.faults.stuck import Stuck
from flow.module import Gyro
from flow.series import GyroSamples


class SoundGyro:
    """Leaves the rest out, from the moment on at which it is plain.

    Parameters
    ----------
    gyro
        The gyro section of a module file.
    """

    def __init__(self, gyro: Gyro) -> None:
        self._spikes, self._rails, self._stuck = Spikes(), Rails(), Stuck(np.array(gyro.bias_rad_s))

    def sound(self, samples: GyroSamples) -> GyroSamples:
        """Give what can be believed of the next samples; the last of them may come with those after."""
        samples = self._rails.without_saturated(self._spikes.without_spikes(samples))  # a spike is no end of a range
        return self._stuck.without_stuck(samples)
