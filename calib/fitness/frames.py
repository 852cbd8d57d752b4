"""Frame times: rate, gaps, jitter, and whether the stamps or the shutter jitter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.finding import Finding
from calib.fitness.flying import Flying
from calib.fitness.motion import pair_motions
from calib.fitness.placing import Placed, Placing
from calib.fitness.slopes import fitted
from flow.module import Gyro
from flow.rotation import RotationLog

Array: TypeAlias = NDArray[np.float64]

_GAP = 1.5  # intervals
_NO_VIEW_S = 0.25  # measure gives no speed beyond
_MUCH_LOST, _MUCH_JITTER = 0.02, 0.02
_SURE = 0.3  # one-sigma of the stamps' share from which it says something
_CONTAINER_OFF = 0.01
_UNDECIDED = 0.3, 0.7  # of the jitter, in the stamps alone
_LEAST_HZ = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameTimes:
    """Facts about frame times; ``nominal_hz`` from the usual step, ``real_hz`` from first to last."""

    count: int
    duration_s: float
    nominal_hz: float
    real_hz: float
    jitter_s: float
    longest_step_s: float
    lost: int
    gaps_s: tuple[tuple[float, float], ...]
    container_hz: float | None


def frame_times(times_s: Array, container_hz: float | None) -> FrameTimes:
    """Look at the times (N,) of all frames, camera's clock."""
    steps = np.diff(times_s)
    usual = usual_step(times_s)
    wide = steps > _GAP * usual
    missed = np.rint(steps / usual).clip(1) - 1
    where = np.flatnonzero(wide)
    return FrameTimes(
        count=len(times_s),
        duration_s=float(times_s[-1] - times_s[0]),
        nominal_hz=1 / usual,
        real_hz=(len(times_s) - 1) / float(times_s[-1] - times_s[0]),
        jitter_s=float(np.std(steps[~wide])) / np.sqrt(2),
        longest_step_s=float(steps.max()),
        lost=int(missed[wide].sum()),
        gaps_s=tuple((float(times_s[k]), float(times_s[k + 1])) for k in where),
        container_hz=container_hz,
    )


def usual_step(times_s: Array) -> float:
    """Give the usual step of times (N,), s: the mean of those about the median, as a container rounds to milliseconds."""
    steps = np.diff(times_s)
    middle = float(np.median(steps))
    about = steps[np.abs(steps - middle) < (_GAP - 1) * middle]
    return float(about.mean()) if len(about) else middle


def frame_findings(times: FrameTimes, stamps: tuple[float, float] | None, flying: Flying) -> Iterator[Finding]:
    """Judge them; ``stamps`` is what :func:`stamps_jitter` found."""
    yield from _missing(times)
    yield from _jitter(times, stamps, flying)
    yield from _container(times)
    yield from _slow(times)


def stamps_jitter(placing: Placing, times_s: Array) -> tuple[float, float] | None:
    """Tell how much of the stamps' jitter the pictures do not show: 0 the shutter jitters, 1 only the stamps do.

    Were the frames evenly spaced, a pair's turn by the picture would differ from the gyro's over the stamped interval by
    the rate times the error of each stamp. The share and its one-sigma; None where nothing jitters or turns.
    """
    usual = float(np.median(np.diff(times_s)))
    number = np.concatenate([[0.0], np.cumsum(np.rint(np.diff(times_s) / usual).clip(1))])
    found = [_stamp_share(placed, times_s, number) for placed in placing.parts]
    known = [share for share in found if share is not None]
    if not known:
        return None
    value, sigma = np.array(known).T
    weight = 1 / sigma**2
    return float(weight @ value / weight.sum()), float(1 / np.sqrt(weight.sum()))


def _stamp_share(placed: Placed, times_s: Array, number: Array) -> tuple[float, float] | None:
    fit, pairs, gyro = placed.fit, placed.pairs, placed.stretch.gyro
    inside = (times_s >= pairs.first_s[0]) & (times_s <= pairs.second_s[-1])
    # Evenly by the frames around: over a second a clock's rate is steady.
    line = np.polynomial.Polynomial.fit(number[inside], times_s[inside], 3)
    late = {float(t): float(line(n) - t) for t, n in zip(times_s[inside], number[inside], strict=True)}
    moved = np.array([[late[float(t)] for t in ends] for ends in (pairs.first_s, pairs.second_s)])
    if np.std(moved) < 2e-5:
        return None
    log = RotationLog(Gyro(), keep_s=np.inf)
    log.append(gyro)
    at = fit.unknowns
    R_camera_body = at.R_body_camera.as_matrix().T
    first, second = (
        np.array([log.rate(float(t) + at.time_offset_s) for t in ends]) - at.bias_rad_s
        for ends in (pairs.first_s, pairs.second_s)
    )
    expected = (second * moved[1][:, None] - first * moved[0][:, None]) @ R_camera_body.T
    left = pair_motions(placed.model.equations(at), placed.model.covariance, placed.model.known)
    sigma = np.sqrt(np.median(left.covariance[:, [3, 4, 5], [3, 4, 5]], axis=0))
    x, covariance = fitted(left.turn_rad / sigma, (expected / sigma)[:, :, None], pairs.middle_s)
    spread = float(np.sqrt(covariance[0, 0]))
    return (float(x[0]), spread) if np.isfinite(spread) and spread < _SURE else None


def _jitter(times: FrameTimes, stamps: tuple[float, float] | None, flying: Flying) -> Iterator[Finding]:
    relative = times.jitter_s * times.nominal_hz
    if relative < _MUCH_JITTER:
        return
    what = f"frame times jitter by {1000 * times.jitter_s:.2f} ms (one-sigma, {100 * relative:.0f} % of a frame)"
    if stamps is not None and stamps[0] + 2 * stamps[1] < _UNDECIDED[1]:
        yield Finding(
            severity="note",
            topic="frames",
            what=f"{what}; the image motion agrees with the stamps",
            when_s=None,
            effect="none: each row counts its own interval",
            remedy="none needed",
        )
        return
    error = float(np.sqrt(2)) * relative * flying.motion_m_s
    false = stamps is not None and stamps[0] - 2 * stamps[1] > _UNDECIDED[0]
    whose = "the frames are evenly spaced, only the stamps jitter" if false else "the shutter or only its stamps? open"
    yield Finding(
        severity="care",
        topic="frames",
        what=f"{what}; {whose}",
        when_s=None,
        effect=f"by its stamps a row's speed would be off by {1000 * error:.0f} mm/s (one-sigma); measure goes by the"
        " shutter's even beat instead"
        if false
        else f"up to {1000 * error:.0f} mm/s more in a row's band (one-sigma), until measure has decided by the image motion",
        remedy="stamp frames in the driver at the end of exposure, not when they are written",
    )


def _container(times: FrameTimes) -> Iterator[Finding]:
    if times.container_hz is None or abs(times.container_hz / times.nominal_hz - 1) < _CONTAINER_OFF:
        return
    yield Finding(
        severity="note",
        topic="frames",
        what=f"the video plays at {times.container_hz:.2f} frames/s, frames.csv says {times.nominal_hz:.2f}",
        when_s=None,
        effect=f"none: frames.csv counts (by the video speeds would be {times.container_hz / times.nominal_hz:.2f} times)",
        remedy="make sure that frames.csv is of this video",
    )


def _slow(times: FrameTimes) -> Iterator[Finding]:
    if times.real_hz < _LEAST_HZ:
        yield Finding(
            severity="care",
            topic="frames",
            what=f"{times.real_hz:.1f} frames/s",
            when_s=None,
            effect=f"a row spans {1000 / times.real_hz:.0f} ms: fast motion and quick turns are lost in it",
            remedy="record at 30 frames/s or more",
        )


def _missing(times: FrameTimes) -> Iterator[Finding]:
    if not times.gaps_s:
        return
    share = times.lost / (times.lost + times.count)
    blind = sum(end - begin for begin, end in times.gaps_s if end - begin > _NO_VIEW_S)
    none_wrong = "fewer rows, each over its true interval; no row is wrong"
    yield Finding(
        severity="care" if share > _MUCH_LOST or blind else "note",
        topic="frames",
        what=f"{times.lost} frame{'s' * (times.lost != 1)} missing ({100 * share:.1f} %), the longest gap lasts"
        f" {times.longest_step_s:.3f} s",
        when_s=(times.gaps_s[0][0], times.gaps_s[-1][1]),
        effect=f"no speed for {blind:.2f} s" if blind else none_wrong,
        remedy="a faster card or a lower bit rate; look for load on the recorder",
    )
