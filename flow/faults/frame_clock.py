"""When frames were exposed, where their stamps cannot be trusted.

A driver that stamps a frame when it gets round to it stamps it milliseconds off, now more, now less, while the shutter keeps
its beat; the speed of such a pair is then off by as much as its interval. A shutter that jitters itself looks alike in the
stamps, and its stamps are right. The picture tells which: in unequal intervals it moves unequally far.
"""

from __future__ import annotations

import math
from collections import deque
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.faults.even_motion import even_motion
from flow.numerics.third_difference import THIRD_DIFFERENCE
from flow.tracks import Matches

Array: TypeAlias = NDArray[np.float64]

_FEWEST = 20  # size: matches, whose median tells a motion
_FIRST = 8  # size: intervals, whose median tells the usual one
_REGULAR = 0.01  # scatter of intervals, as a share of the usual one, up to which stamps are taken as they are
_MEMORY = 60  # size: intervals, a second or two
_ALIKE = 3.0  # size: third differences, that share rows tell as much as one
_ROWS, _TOLD = 8, 0.15
_FORGET = 0.99  # size: share, a running sum of a hundred rows
_FALSE, _LEFT = 0.3, 0.5  # slope up to which, for sure, stamps are false, and from which on the beat is left again
# prior: s one-sigma, by which a shutter leaves its beat in a frame, and the beat changes
_WALK_S, _DRIFT_S = 2e-5, 1e-7
_OUTLIER = 25.0  # rate: 6e-7 two-sided, the square of five sigmas; a residual counts up to it
_LOST, _STRAY, _EACH = 1.0, 0.1, 100.0  # prior: frames, lost, and stamps late by a beat, of so many before any is seen
_SLIPS = 3  # rate: 1e-3 of _STRAY cubed, residuals of a beat one after the other


class FrameClock:
    """Tells frame times: the stamps, or a shutter's beat where its pictures contradict them.

    The beat is a Kalman filter of its phase and period. Whether stamps are false is told by the slope of the picture's
    motion against the interval, both in third differences, which leave nothing of a smooth motion: 1 where the stamps are
    right, 0 where they are not, their share of the jitter's power where both jitter.
    """

    def __init__(self) -> None:
        self._steps: deque[float] = deque(maxlen=_MEMORY)  # stamped intervals
        self._stamp_s = -np.inf
        self._count = 0  # beats since the first stamp
        self._phase_s, self._period_s = 0.0, np.nan
        self._spread = 0.0, 0.0, 0.0
        self._noise_s2 = self._astray_s2 = 0.0  # of stamps, and of the last time given, about the beat
        self._time_s, self._off_s2 = -np.inf, 0.0
        self._slips, self._skipped = 0, False
        self._lost, self._stray = _LOST, _STRAY
        self._rows: deque[tuple[Array, float]] = deque(maxlen=4)
        self._heard = False  # of the motion up to the last stamp
        self._places: Array | None = None  # the same ones for all pairs
        self._square = self._product = self._power = self._seen = 0.0
        self.on_beat = False
        """Whether times are those of the beat."""

    def begun_again(self) -> FrameClock:
        """Give one for the same frames from the first one on, that knows what this one has learnt."""
        again = FrameClock()
        again.on_beat, again._period_s, again._noise_s2 = self.on_beat, self._period_s, self._noise_s2
        again._phase_s = self._phase_s - self._count * self._period_s
        again._spread = self._spread[0] + self._noise_s2 / _MEMORY, 0.0, self._spread[2]
        again._square, again._product, again._power, again._seen = self._square, self._product, self._power, self._seen
        again._steps = self._steps.copy()
        return again

    def time(self, stamp_s: float) -> float:
        """Give the time of a frame by its stamp.

        Raises
        ------
        ValueError
            Stamps do not advance.
        """
        if stamp_s <= self._stamp_s:
            raise ValueError("frame times must advance")
        step_s, self._stamp_s = stamp_s - self._stamp_s, stamp_s
        if not self._heard:
            self._rows.clear()
        self._heard = False
        if math.isfinite(step_s):
            self._steps.append(step_s)
            self._follow(stamp_s, step_s)
        elif not math.isfinite(self._period_s):
            self._phase_s = stamp_s
        if not (self.on_beat and math.isfinite(self._period_s)):
            self._time_s, self._astray_s2 = stamp_s, self._noise_s2
            return stamp_s
        least_s = self._time_s + 0.1 * self._period_s if math.isfinite(self._time_s) else self._phase_s
        self._time_s, before_s2 = max(self._phase_s, least_s), self._astray_s2
        self._astray_s2 = (self._time_s - self._phase_s) ** 2
        self._off_s2 += before_s2 + self._astray_s2
        return self._time_s

    def learn(self, matches: Matches | None, used: NDArray[np.bool_] | None) -> None:
        """Hear how the picture moved since the frame before, whatever came of it; None where nothing was found."""
        self._heard = True
        told = self.jitter_s > 0 and matches is not None and used is not None and np.count_nonzero(used) >= _FEWEST
        if not told or matches is None or used is None or not math.isfinite(self._period_s):
            self._rows.clear()
            return
        low, high = matches.first_px.min(axis=0), matches.first_px.max(axis=0)
        if self._places is None:
            self._places = np.array([low, high, [low[0], high[1]]])
        moved_px = even_motion(matches.first_px, matches.second_px, used, self._places)
        beats = max(round(self._steps[-1] / self._period_s), 1)
        self._rows.append((moved_px / beats, self._steps[-1] / (beats * self._period_s) - 1))
        if len(self._rows) < 4:
            return
        moved = np.array([row[0] for row in self._rows])
        by_stamps = moved.mean(axis=0) * float(THIRD_DIFFERENCE @ [row[1] for row in self._rows])
        jerk = np.tensordot(THIRD_DIFFERENCE, moved, axes=1)
        self._square = _FORGET * self._square + float(np.sum(by_stamps**2))
        self._product = _FORGET * self._product + float(np.sum(by_stamps * jerk))
        self._power = _FORGET * self._power + float(np.sum(jerk**2))
        self._seen = _FORGET * self._seen + 1
        slope, sigma = self._slope()
        if self._seen >= _ROWS:
            self.on_beat = slope + 2 * sigma < (_LEFT if self.on_beat else _FALSE)

    @property
    def settled(self) -> bool:
        """Whether stamps jitter and the picture has told whose fault it is."""
        return self.jitter_s > 0 and self._seen >= _ROWS and self._slope()[1] < _TOLD

    @property
    def jitter_s(self) -> float:
        """One-sigma of the stamps about an even beat; 0 where they are as regular as a shutter."""
        if math.isfinite(self._period_s):
            noise_s, usual_s = math.sqrt(self._noise_s2), self._period_s
        elif len(self._steps) > 2:
            steps, usual_s = np.array(self._steps), float(np.median(self._steps))
            left_s = steps - usual_s * np.maximum(np.rint(steps / usual_s), 1)  # lost frames are no jitter
            noise_s = float(np.sqrt(np.mean(np.square(left_s)) / 2))
        else:
            return 0.0
        return noise_s if math.sqrt(2) * noise_s > _REGULAR * usual_s else 0.0

    @property
    def interval_sigma_s(self) -> float:
        """One-sigma of the interval that the last two times enclose, as far as it is the stamps' fault."""
        jitter_s = self.jitter_s
        if jitter_s == 0:
            return 0.0
        slope, sigma = self._slope()
        if self.on_beat:
            own = max(slope - 2 * sigma, 0.0)  # the shutter's own share of the jitter
            return float(np.sqrt(self._off_s2 + 2 * own * jitter_s**2))
        return float(np.sqrt(2 * self._false_share(slope, sigma)) * jitter_s)

    def _slope(self) -> tuple[float, float]:
        """Slope of the picture's motion against the interval, and its one-sigma."""
        if self._square <= 0 or self._seen < 2:
            return 0.5, np.inf
        slope = self._product / self._square
        left = max(self._power - slope * self._product, 1e-12)
        return slope, float(np.sqrt(_ALIKE * left / (self._seen * self._square)))

    def _false_share(self, slope: float, sigma: float) -> float:
        """Share of the jitter's power that is likely false: all of it, none, or (as likely beforehand) any part."""
        if self._seen < _ROWS or sigma > 1:
            return 0.5
        all_of_it, none = (np.exp(-0.5 * ((slope - at) / sigma) ** 2) for at in (0, 1))
        part = np.sqrt(2 * np.pi) * sigma * (1.0 if 0 < slope < 1 else 0.0)
        total = all_of_it + none + part
        return float((all_of_it + part * (1 - slope)) / total) if total > 1e-12 else float(slope < 0.5)

    def _follow(self, stamp_s: float, step_s: float) -> None:
        """Take a stamp into phase and period."""
        if not math.isfinite(self._period_s):
            if len(self._steps) >= _FIRST:
                self._begin(stamp_s)
            return
        since = (stamp_s - self._phase_s) / self._period_s
        back = self._skipped and since < 0.5  # no frame was lost before: its stamp was late
        if back:
            self._phase_s, self._count, since = self._phase_s - self._period_s, self._count - 1, since + 1
        if self._skipped:
            self._lost, self._stray = self._lost + (not back), self._stray + back
        beats, wrong = self._beats(since)
        self._skipped = beats > 1
        among, cross, own = self._spread  # variances of phase and period, and what they share
        among += 2 * beats * cross + beats**2 * own + beats * _WALK_S**2
        cross, own = cross + beats * own, own + beats * _DRIFT_S**2
        phase_s = self._phase_s + beats * self._period_s
        miss_s = stamp_s - phase_s
        whole = among + max(self._noise_s2, _WALK_S**2)
        gain = among / whole
        self._phase_s, self._period_s = phase_s + gain * miss_s, self._period_s + cross / whole * miss_s
        self._spread = among * (1 - gain), cross * (1 - gain), own - cross**2 / whole
        self._count += beats
        self._noise_s2 += (min(miss_s**2, _OUTLIER * self._noise_s2 + _WALK_S**2) - self._noise_s2) / _MEMORY
        # What moved the phase beside the beats, and what the beats themselves may be off by.
        self._off_s2 = gain**2 * whole + beats**2 * self._spread[2] + (wrong + back) * self._period_s**2
        self._mind_slips(miss_s)

    def _beats(self, since: float) -> tuple[int, float]:
        """How many beats a stamp is after the last one, of the two numbers next to it, and the chance that it is the other."""
        lower = max(math.floor(since), 1)
        width = max(math.sqrt(self._noise_s2 + self._spread[0]) / self._period_s, 1e-3)
        lost, stray = self._lost / _EACH, self._stray / _EACH
        likely = [math.exp(-0.5 * ((since - beats) / width) ** 2) + stray for beats in (lower, lower + 1)]
        upper = float(lost * likely[1] / (likely[0] + lost * likely[1]))
        return (lower + 1, 1 - upper) if upper > 0.5 else (lower, upper)

    def _mind_slips(self, miss_s: float) -> None:
        """Take back a beat too many or too few: then all stamps are off, and not one."""
        slipped = round(miss_s / self._period_s)
        self._slips = self._slips + 1 if slipped else 0
        if self._slips >= _SLIPS:
            self._phase_s, self._slips = self._phase_s + slipped * self._period_s, 0
            self._count += slipped
            self._off_s2 += self._period_s**2

    def _begin(self, stamp_s: float) -> None:
        steps = np.array(self._steps)
        usual = float(np.median(steps))
        beats = np.maximum(np.rint(steps / usual), 1)
        at, stamps = np.concatenate([[0.0], np.cumsum(beats)]), np.concatenate([[0.0], np.cumsum(steps)])
        line = np.polyfit(at, stamps, 1)
        residual = float(np.sum(np.square(np.polyval(line, at) - stamps))) / (len(at) - 2)
        design = np.column_stack([np.ones_like(at), at - at[-1]])
        self._count, self._period_s = int(at[-1]), float(line[0])
        self._phase_s = stamp_s - stamps[-1] + float(np.polyval(line, at[-1]))
        self._noise_s2 = residual
        spread = np.linalg.inv(design.T @ design) * max(residual, _WALK_S**2)
        self._spread = float(spread[0, 0]), float(spread[0, 1]), float(spread[1, 1])
