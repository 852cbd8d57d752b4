"""The attitude log, where there is one: rate and gaps, and whether it turns as the gyro does and leans as gravity says.

The log's changes of roll and pitch over some tenths of a second are held against what the gyro's rates make of them, at
delays between the two; their means against the mean direction of the specific force.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.finding import Finding, Severity
from calib.fitness.spans import Span, spans_of, whole, worded
from flow.series import AttitudeSamples, GyroSamples

Array: TypeAlias = NDArray[np.float64]

_GAP_S = 0.25  # flow.tilt bridges no longer one
_SLOW_HZ = 20.0
_STEP_S = 0.02  # grid on which the two are compared
_STRIDE = 10  # steps: changes over 0.2 s are well above a log's noise
_SEARCH_S = 0.4
_DELAYS_S = np.arange(-_SEARCH_S, _SEARCH_S + 1e-9, _STEP_S / 4)
_LEAST_TURN_RAD = 5e-3  # RMS change of an angle over a stride that can tell anything
_LATE_S = 0.02
_EXPLAINED = 0.5
_FROZEN_S = 0.5
_TURNS_RAD_S = 0.05  # by the gyro, while a log repeats itself
_OFF_RAD = 0.05
_LEVEL_S = 8.0  # of flight in a stretch before its mean force says where down is


@dataclass(frozen=True, slots=True, kw_only=True)
class AttitudeFacts:
    """What a log shows; spans on the gyro clock.

    ``gain`` (2,) is the log's change of roll and pitch over the gyro's, and ``late_s`` how much later the log shows it, both
    None where the craft turned too little; ``explained`` is the share of the log's turning that the gyro explains then;
    ``lean_rad`` (2,) the mean roll and pitch of the log less those of the specific force, None without an accelerometer.
    """

    count: int
    rate_hz: float
    gaps: tuple[Span, ...]
    frozen: tuple[Span, ...]
    gain: tuple[float, float] | None
    late_s: float | None
    explained: float
    lean_rad: tuple[float, float] | None


def gathered_attitude(chunks: Iterable[AttitudeSamples] | None, spans_s: Sequence[Span]) -> AttitudeSamples | None:
    """Read a log as far as some spans (gyro clock) and a little around them; None of none."""
    if chunks is None:
        return None
    parts = []
    for chunk in chunks:
        near = np.zeros(len(chunk.time_s), bool)
        for begin, end in spans_s:
            near |= (chunk.time_s > begin - 1.0) & (chunk.time_s < end + 1.0)
        parts.append((chunk.time_s[near], chunk.roll_rad[near], chunk.pitch_rad[near]))
    time_s, roll, pitch = (np.concatenate([np.empty(0), *(part[k] for part in parts)]) for k in range(3))
    return AttitudeSamples(time_s=time_s, roll_rad=roll, pitch_rad=pitch)


def attitude_facts(log: AttitudeSamples, gyro: Sequence[GyroSamples], bias_rad_s: Array) -> AttitudeFacts:
    """Hold a log against stretches of the gyro log."""
    span = [(float(part.time_s[0]), float(part.time_s[-1])) for part in gyro]
    steps = np.diff(log.time_s)
    usual = float(np.median(steps)) if len(steps) else np.inf
    same = np.append((np.diff(log.roll_rad) == 0) & (np.diff(log.pitch_rad) == 0), False)
    frozen = [
        s
        for s in spans_of(same, log.time_s, np.append(log.time_s[1:], log.time_s[-1:]))
        if s[1] - s[0] > max(_FROZEN_S, 5 * usual) and _turning(gyro, s, bias_rad_s) > _TURNS_RAD_S
    ]
    pairs = [pair for part in gyro if (pair := _changes(log, part, bias_rad_s)) is not None]
    found = _fitted(pairs)
    return AttitudeFacts(
        count=len(log.time_s),
        rate_hz=1 / usual if np.isfinite(usual) else 0.0,
        gaps=tuple(gap for part in span for gap in _gaps(log.time_s, part)),
        frozen=tuple(frozen),
        gain=None if found is None else found[0],
        late_s=None if found is None else found[1],
        explained=0.0 if found is None else found[2],
        lean_rad=_lean(log, gyro),
    )


def attitude_findings(facts: AttitudeFacts | None, clock_s: float) -> Iterator[Finding]:
    """Judge them; ``clock_s`` turns times into the video's."""
    if facts is None:
        return
    if facts.frozen:
        spans = [(a - clock_s, b - clock_s) for a, b in facts.frozen]
        yield _finding(
            "stop",
            f"roll and pitch stand still to the last digit while the gyro turns ({worded(spans)})",
            whole(spans),
            "height and level axes are taken for a tilt that was not",
            "look for stalls of the estimator's log; leave the rows out where it has nothing new",
        )
    if facts.gaps:
        spans = [(a - clock_s, b - clock_s) for a, b in facts.gaps]
        yield _finding(
            "care",
            f"no attitude for up to {max(b - a for a, b in spans):.2f} s ({worded(spans)})",
            whole(spans),
            "no speed there: down is not known",
            "log the attitude from before the first frame to after the last; or take attitude.csv away where gyro.csv has an"
            " accelerometer",
        )
    if 0 < facts.rate_hz < _SLOW_HZ:
        yield _finding(
            "care",
            f"{facts.rate_hz:.0f} readings/s",
            None,
            "quick changes of tilt are lost between readings",
            "log 50 readings/s or more",
        )
    yield from _turn_findings(facts)
    if facts.lean_rad is not None and max(map(abs, facts.lean_rad)) > _OFF_RAD:
        roll, pitch = np.degrees(facts.lean_rad)
        yield _finding(
            "care",
            f"leans by {roll:+.1f}° roll and {pitch:+.1f}° pitch against the accelerometer, on average",
            None,
            f"heights off by up to {100 * (1 - np.cos(max(map(abs, facts.lean_rad)))):.2g} % and speeds turned into the vertical",
            "level the autopilot's estimator; is the module mounted as module.yaml says? (a long acceleration looks alike)",
        )


def _turn_findings(facts: AttitudeFacts) -> Iterator[Finding]:
    if facts.gain is None or facts.late_s is None or facts.frozen:
        return
    names = [name for name, gain in zip(("roll", "pitch"), facts.gain, strict=True) if gain < -0.5]
    remedy = "roll positive right side down, pitch positive nose up, in radians (x forward, y right, z down)"
    effect = "height and level axes are taken for a tilt that was not"
    if names and facts.explained > _EXPLAINED:
        what = f"{' and '.join(names)} turn{'s' * (len(names) == 1)} against the gyro: wrong sign"
        yield _finding("stop", what, None, effect, remedy)
    elif facts.explained < _EXPLAINED or not all(0.5 < gain < 2 for gain in facts.gain if not np.isnan(gain)):
        told = [
            f"{name} by {gain:.2f}"
            for name, gain in zip(("roll", "pitch"), facts.gain, strict=True)
            if not np.isnan(gain)
        ]
        what = f"does not turn as the gyro does ({' and '.join(told)} of it, {100 * facts.explained:.0f} % in common)"
        yield _finding("stop", what, None, effect, f"is it of this flight, and of this clock? {remedy}")
    elif abs(facts.late_s) > _LATE_S:
        what = f"comes {1000 * abs(facts.late_s):.0f} ms too {'late' if facts.late_s > 0 else 'early'} against the gyro"
        yield _finding(
            "care", what, None, "the tilt of another moment", "stamp the attitude with the time of its gyro samples"
        )


def _finding(severity: Severity, what: str, when_s: Span | None, effect: str, remedy: str) -> Finding:
    return Finding(
        severity=severity,
        topic="attitude",
        what=what,
        when_s=when_s,
        effect=effect,
        remedy=remedy,
    )


def _gaps(time_s: Array, span: Span) -> list[Span]:
    edges = np.concatenate([[span[0]], time_s[(time_s > span[0]) & (time_s < span[1])], [span[1]]])
    return [(float(edges[k]), float(edges[k + 1])) for k in np.flatnonzero(np.diff(edges) > _GAP_S)]


def _turning(gyro: Sequence[GyroSamples], span: Span, bias_rad_s: Array) -> float:
    """RMS rate about x and y within a span."""
    parts = [part.rate_rad_s[(part.time_s > span[0]) & (part.time_s < span[1])] - bias_rad_s for part in gyro]
    rates = np.concatenate(parts)[:, :2] if parts else np.empty((0, 2))
    return float(np.sqrt(np.mean(np.sum(rates**2, axis=1)))) if len(rates) else 0.0


def _changes(log: AttitudeSamples, gyro: GyroSamples, bias_rad_s: Array) -> tuple[Array, Array] | None:
    """Change of roll and pitch over a stride by the gyro (N, 2), and by the log at each delay (D, N, 2)."""
    begin, end = gyro.time_s[0] + _SEARCH_S, gyro.time_s[-1] - _SEARCH_S
    grid = np.arange(begin, end, _STEP_S)
    if len(grid) < 10 * _STRIDE or len(log.time_s) < 10:
        return None
    roll, pitch = (np.interp(gyro.time_s, log.time_s, angle) for angle in (log.roll_rad, log.pitch_rad))
    x, y, z = (gyro.rate_rad_s - bias_rad_s).T
    # Intrinsic z-y-x angles (any textbook of flight dynamics): r' = x + tan p (y sin r + z cos r), p' = y cos r - z sin r.
    rates = np.column_stack(
        [
            x + np.tan(np.clip(pitch, -1.3, 1.3)) * (y * np.sin(roll) + z * np.cos(roll)),
            y * np.cos(roll) - z * np.sin(roll),
        ]
    )
    steps = np.diff(gyro.time_s)[:, None] * 0.5 * (rates[1:] + rates[:-1])
    turned = np.vstack([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    by_gyro = np.column_stack([np.interp(grid, gyro.time_s, turned[:, k]) for k in range(2)])
    by_log = np.array(
        [
            np.column_stack([np.interp(grid + d, log.time_s, a) for a in (log.roll_rad, log.pitch_rad)])
            for d in _DELAYS_S
        ]
    )
    return by_gyro[_STRIDE:] - by_gyro[:-_STRIDE], by_log[:, _STRIDE:] - by_log[:, :-_STRIDE]


def _fitted(pairs: Sequence[tuple[Array, Array]]) -> tuple[tuple[float, float], float, float] | None:
    """Gains of roll and pitch (NaN where it hardly turned), delay, share explained at the delay where that is most."""
    if not pairs:
        return None
    gyro = np.concatenate([pair[0] - pair[0].mean(axis=0) for pair in pairs])
    log = np.concatenate([pair[1] - pair[1].mean(axis=1, keepdims=True) for pair in pairs], axis=1)
    power = np.mean(gyro**2, axis=0)
    told = power > _LEAST_TURN_RAD**2
    if not told.any():
        return None
    gains = np.einsum("dnk,nk->dk", log, gyro) / len(gyro) / power
    # A wrong sign must not look like a delay: what counts is how well either sign of the gyro's turning explains the log.
    left = np.mean((log - gains[:, None] * gyro) ** 2, axis=1)[:, told].sum(axis=1)
    whole_log = np.mean(log**2, axis=1)[:, told].sum(axis=1)
    best = int(np.argmin(left / np.maximum(whole_log, 1e-12)))
    gain = np.where(told, gains[best], np.nan)
    explained = 1 - float(left[best] / max(whole_log[best], 1e-12))
    return (float(gain[0]), float(gain[1])), float(_DELAYS_S[best]), explained


def _lean(log: AttitudeSamples, gyro: Sequence[GyroSamples]) -> tuple[float, float] | None:
    """Mean roll and pitch by the log less those by the mean specific force, of the stretches long enough."""
    found = []
    for part in gyro:
        inside = (log.time_s > part.time_s[0]) & (log.time_s < part.time_s[-1])
        if part.accel_m_s2 is None or part.time_s[-1] - part.time_s[0] < _LEVEL_S or inside.sum() < 10:
            continue
        x, y, z = np.nanmean(part.accel_m_s2, axis=0)
        by_force = np.array([np.arctan2(-y, -z), np.arctan2(x, np.hypot(y, z))])
        found.append(np.array([log.roll_rad[inside].mean(), log.pitch_rad[inside].mean()]) - by_force)
    if not found:
        return None
    roll, pitch = np.mean(found, axis=0)
    return float(roll), float(pitch)
