"""The gyro log by itself: rate, holes, saturation, samples that stand still, and the bias where it rests."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.finding import Finding
from calib.fitness.spans import Span, whole, worded
from calib.fitness.stretches import HOLE_LEAST_S, HOLE_STEPS
from flow.faults.rails import Rails
from flow.faults.spikes import Spikes
from flow.module import Module
from flow.series import GyroSamples
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]

_STUCK_S = 0.1
_REST_S = 0.5
_REST_NOISE, _REST_LEAST_RAD_S = 3.0, 2e-3  # scatter at rest: so many times the white noise, and what a bench adds
_REST_ACCEL_M_S2 = 0.15
_LARGEST_BIAS = 0.35  # rad/s, as in calib.alignment_checks
_SLOW_HZ = 100.0
_UPSIDE_DOWN_M_S2 = 5.0  # as flow.measure refuses


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """Mean rate (3,) over a stretch at rest, gyro clock."""

    span_s: Span
    rate_rad_s: Array


@dataclass(slots=True, kw_only=True)
class GyroFacts:
    """What a log shows; times on the gyro clock."""

    count: int = 0
    first_s: float = np.inf
    last_s: float = -np.inf
    rate_hz: float = 0.0
    holes: list[Span] = field(default_factory=list)
    clipped: list[tuple[int, float, float, float]] = field(default_factory=list)  # axis, from, to, rad/s
    spikes: int = 0
    stuck: list[Span] = field(default_factory=list)
    deaf: list[Span] = field(default_factory=list)  # the accelerometer stands still while the gyro does not
    largest_rad_s: Array = field(default_factory=lambda: np.zeros(3))
    rests: list[Rest] = field(default_factory=list)
    accel_median_m_s2: Array | None = None

    def as_dict(self) -> dict[str, float | int | str | bool | None]:
        """Plain values."""
        return {
            "samples": self.count,
            "rate_hz": self.rate_hz,
            "longest_hole_s": max((b - a for a, b in self.holes), default=0.0),
            "largest_x_rad_s": float(self.largest_rad_s[0]),
            "largest_y_rad_s": float(self.largest_rad_s[1]),
            "largest_z_rad_s": float(self.largest_rad_s[2]),
            "saturated": bool(self.clipped),
            "spikes": self.spikes,
            "at_rest_s": sum(rest.span_s[1] - rest.span_s[0] for rest in self.rests),
            "accelerometer": self.accel_median_m_s2 is not None,
        }


class GyroWatch:
    """Looks at a log chunk by chunk."""

    def __init__(self, module: Module) -> None:
        self.facts = GyroFacts()
        self._noise = module.gyro.noise_per_axis
        self._spikes, self._rails = Spikes(), Rails()
        self._tail: GyroSamples | None = None
        self._rested_s = self._before_s = -np.inf
        self._steps: list[float] = []
        self._runs: list[tuple[int, float, float, float]] = []
        self._accels: list[Array] = []

    def add(self, samples: GyroSamples) -> None:
        """Take the next samples."""
        facts, time_s = self.facts, samples.time_s
        facts.count += len(time_s)
        facts.first_s, facts.last_s = min(facts.first_s, float(time_s[0])), float(time_s[-1])
        self._clipping(self._spikes.without_spikes(samples))
        joined = samples if self._tail is None else self._tail.followed_by(samples)
        steps = np.diff(joined.time_s)
        if len(steps):
            usual = float(np.median(steps))
            self._steps.append(usual)
            far = np.flatnonzero(steps > max(HOLE_STEPS * usual, HOLE_LEAST_S))
            facts.holes += [(float(joined.time_s[k]), float(joined.time_s[k + 1])) for k in far]
            self._standing(joined, usual)
            self._resting(joined, usual)
        if samples.accel_m_s2 is not None and np.isfinite(samples.accel_m_s2).any():
            self._accels.append(np.nanmedian(samples.accel_m_s2, axis=0))
        keep = max(int(_REST_S / max(self._steps[-1], 1e-4)), 2) if self._steps else 1
        self._tail = joined.part(slice(-min(keep, len(joined.time_s)), None))

    def result(self) -> GyroFacts:
        """Give what was seen."""
        facts = self.facts
        facts.rate_hz = 1 / float(np.median(self._steps)) if self._steps else 0.0
        facts.accel_median_m_s2 = np.median(self._accels, axis=0) if self._accels else None
        for axis in range(3):
            # Only what stands at the axis' own extreme is clipped.
            limit = float(facts.largest_rad_s[axis])
            spans = _merged([run[1:3] for run in self._runs if run[0] == axis and run[3] > 0.995 * limit])
            facts.clipped += [(axis, begin, end, limit) for begin, end in spans]
        facts.spikes = self._spikes.count
        facts.holes = list(dict.fromkeys(facts.holes))
        facts.stuck, facts.deaf = _merged(facts.stuck), _merged(facts.deaf)
        return facts

    def _clipping(self, samples: GyroSamples) -> None:
        """Find readings at the end of the range."""
        if not len(samples.time_s):
            return
        size, begin_s = np.abs(samples.rate_rad_s), np.append(self._before_s, samples.time_s)
        self._before_s = float(samples.time_s[-1])
        self.facts.largest_rad_s = np.maximum(self.facts.largest_rad_s, size.max(axis=0))
        for axis, marks in enumerate(self._rails.at_rail(samples.rate_rad_s).T):
            for a, b in _runs(marks):  # the reading before is the same
                self._runs.append((axis, float(begin_s[a]), float(begin_s[b]), float(size[a, axis])))

    def _standing(self, samples: GyroSamples, usual_s: float) -> None:
        """Find equal readings of all three axes for long."""
        rate, time_s = samples.rate_rad_s, samples.time_s
        same = np.diff(rate, axis=0) == 0
        for a, b in _runs(same.all(axis=1)):
            if time_s[b] - time_s[a] > max(_STUCK_S, 5 * usual_s):
                self.facts.stuck.append((float(time_s[a]), float(time_s[b])))
        if samples.accel_m_s2 is not None:
            deaf = (np.diff(samples.accel_m_s2, axis=0) == 0).all(axis=1) & ~same.all(axis=1)
            self.facts.deaf += [
                (float(time_s[a]), float(time_s[b])) for a, b in _runs(deaf) if time_s[b] - time_s[a] > _STUCK_S
            ]

    def _resting(self, samples: GyroSamples, usual_s: float) -> None:
        size = max(int(_REST_S / usual_s), 4)
        white = self._noise / np.sqrt(usual_s)
        begin = int(np.searchsorted(samples.time_s, self._rested_s, "right"))
        for a in range(begin, len(samples.time_s) - size + 1, size):
            part = samples.part(slice(a, a + size))
            self._rested_s = float(part.time_s[-1])
            if part.time_s[-1] - part.time_s[0] > 1.5 * _REST_S:
                continue
            scatter = part.rate_rad_s.std(axis=0)
            still = bool((scatter < np.maximum(_REST_NOISE * white, _REST_LEAST_RAD_S)).all()) and bool(scatter.any())
            if part.accel_m_s2 is not None and np.isfinite(part.accel_m_s2).all():
                halves = np.array_split(part.accel_m_s2, 2)
                still &= float(np.abs(halves[0].mean(axis=0) - halves[1].mean(axis=0)).max()) < _REST_ACCEL_M_S2
            mean = part.rate_rad_s.mean(axis=0)
            if still and np.abs(mean).max() < _LARGEST_BIAS:
                span = float(part.time_s[0]), float(part.time_s[-1])
                self.facts.rests.append(Rest(span_s=span, rate_rad_s=mean))


def gyro_findings(facts: GyroFacts, span_s: Span, clock_s: float) -> Iterator[Finding]:
    """Judge a log against the frames' span (gyro clock); ``clock_s`` turns its times into the video's."""
    if missing := [*_outside(facts, span_s)]:
        lost = sum(b - a for a, b in missing)
        yield _gap("the log does not cover the whole video", missing, lost, span_s, clock_s)
    inside = [(max(a, span_s[0]), min(b, span_s[1])) for a, b in facts.holes if b > span_s[0] and a < span_s[1]]
    if inside:
        lost = sum(b - a for a, b in inside)
        longest = max(b - a for a, b in facts.holes)
        what = f"{len(inside)} hole{'s' if len(inside) > 1 else ''} in the log, the longest {longest:.3f} s"
        yield _gap(what, inside, lost, span_s, clock_s)
    if facts.clipped:
        axes = sorted({run[0] for run in facts.clipped})
        spans = _video([run[1:3] for run in facts.clipped], clock_s)
        limits = ", ".join(f"{'xyz'[k]} at {max(r[3] for r in facts.clipped if r[0] == k):.2f} rad/s" for k in axes)
        yield Finding(
            severity="stop",
            topic="gyro",
            what=f"saturated about {limits}: readings stand at the limit {len(facts.clipped)} times ({worded(spans)})",
            when_s=whole(spans),
            effect="no speed there; of what was cut too briefly to show, each 0.1 rad/s is read as 100 mm/s per metre of height",
            remedy="set a wider measuring range of the gyro; calmer flight or softer mounting",
        )
    if facts.spikes:
        yield Finding(
            severity="note",
            topic="gyro",
            what=f"{counted(facts.spikes, 'isolated reading')} beyond what a craft can turn",
            when_s=None,
            effect="none: left out",
            remedy="look for lost bits on the gyro's bus: shorter wires, a slower clock, a checksum where there is one",
        )
    yield from _standing_findings(facts, span_s, clock_s)
    if facts.rate_hz < _SLOW_HZ:
        yield Finding(
            severity="care",
            topic="gyro",
            what=f"{facts.rate_hz:.0f} samples/s",
            when_s=None,
            effect="shaking faster than half of that is lost between samples or folded into slow turning",
            remedy="log 200 samples/s or more, filtered below half the rate",
        )
    accel = facts.accel_median_m_s2
    if accel is not None and accel[2] > _UPSIDE_DOWN_M_S2:
        yield Finding(
            severity="stop",
            topic="gyro",
            what=f"specific force along z is {accel[2]:+.1f} m/s² (median); a level, still module reads -9.8",
            when_s=None,
            effect="none of it can be measured: down is not known",
            remedy="turn the sign, or the axes, of accelerometer (and gyro?) to x forward, y right, z down",
        )


def _standing_findings(facts: GyroFacts, span_s: Span, clock_s: float) -> Iterator[Finding]:
    """Tell of sensors that stand still to the last digit."""
    if facts.stuck:
        spans = _video(facts.stuck, clock_s)
        yield Finding(
            severity="stop" if _lost_s(facts.stuck) > 0.5 * (span_s[1] - span_s[0]) else "care",
            topic="gyro",
            what=f"all three axes stand still to the last digit ({worded(spans)})",
            when_s=whole(spans),
            effect=f"no speed for {_lost_s(facts.stuck):.2f} s: nobody knows how the craft turned",
            remedy="look for stalls of the gyro's bus or driver",
        )
    if facts.deaf:
        spans = _video(facts.deaf, clock_s)
        yield Finding(
            severity="care",
            topic="gyro",
            what=f"the accelerometer stands still to the last digit while the gyro does not ({worded(spans)})",
            when_s=whole(spans),
            effect="down is propagated by the gyro alone: the bands widen, and no speed is compared with the accelerometer",
            remedy="look for stalls of the accelerometer's bus or driver; log it as it is sampled, and in fine steps",
        )


def _gap(what: str, spans: list[Span], lost_s: float, span_s: Span, clock_s: float) -> Finding:
    share = lost_s / (span_s[1] - span_s[0])
    return Finding(
        severity="stop" if share > 0.5 else "care" if share > 0.002 else "note",
        topic="gyro",
        what=what,
        when_s=whole(_video(spans, clock_s)),
        effect=f"no speed for {lost_s:.2f} s ({100 * share:.1f} % of the video)",
        remedy="log the gyro from before the first frame to after the last, without losses",
    )


def _lost_s(spans: list[Span]) -> float:
    return sum(end - begin for begin, end in spans)


def _outside(facts: GyroFacts, span_s: Span) -> Iterator[Span]:
    if facts.first_s > span_s[0] + HOLE_LEAST_S:
        yield span_s[0], min(facts.first_s, span_s[1])
    if facts.last_s < span_s[1] - HOLE_LEAST_S:
        yield max(facts.last_s, span_s[0]), span_s[1]


def _video(spans: list[Span], clock_s: float) -> list[Span]:
    return sorted((a - clock_s, b - clock_s) for a, b in spans)


def _runs(same: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of readings that equal each other."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(int)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _merged(spans: list[Span]) -> list[Span]:
    joined: list[Span] = []
    for begin, end in sorted(spans):
        if joined and begin <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(end, joined[-1][1])
        else:
            joined.append((begin, end))
    return joined
