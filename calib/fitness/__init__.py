"""Is a recording fit to be measured? Frames, picture, gyro and range by themselves, and held against each other.

``stretches`` chooses what is looked at closely, ``motion`` solves each pair of frames for shift and turn by the picture
alone, ``axes`` holds that against the gyro whichever way round its axes are, ``placing`` finds clock, mounting, bias and
readout again with their sigmas (the fit of ``calib.alignment``, which leaves the shift of each pair free, so that a
flight serves as well as a hand), ``focal`` and ``scales`` the figures that metres hang on; ``turning`` composes these.
``sample`` runs ``flow.measure`` over some seconds, and ``hypotheses`` finds which figure explains what speaks against the
module file. ``frames``, ``picture``, ``tracking``, ``gyro_log``, ``range_log``, ``rest`` and ``judged_...`` make findings,
``judging`` says how bad they are; ``check`` composes them.
"""

from calib.fitness.check import check_recording
from calib.fitness.finding import Estimate, Finding, Fitness

__all__ = ["Estimate", "Finding", "Fitness", "check_recording"]
