"""Which readings are echoes of the floor, and how much they scatter at each taped height."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.taped import LEAST_READINGS, TapedReadings
from flow.errors import DataError
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]

_SCALES = (0.7, 1.4)
# Of the height: farther from the line than this is another echo, nearer may be a bent line
_GATE_SHARE = 0.05
_GATE_LEAST_M = 0.03
_GATE_MOST = 0.3  # of the height: where strays are many, the scatter that they feign opens the gate no wider
_CUT_SIGMA = 3.5
_SHRINK_FREEDOM = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Readings of one height: those kept, those dropped as stray, m; the mean of the kept ones.

    ``variance`` is that of one reading, ``mean_variance`` that of the mean, m^2.
    """

    reference_m: float
    kept: Array
    dropped: Array
    mean_m: float = 0.0
    variance: float = 0.0
    mean_variance: float = 0.0


def floor_echoes(taped: TapedReadings) -> tuple[list[Group], list[str]]:
    """Tell echoes of the floor from strays.

    A line through two heights that most readings support (each reading's cost is capped, as in Torr and
    Zisserman 2000) says roughly where the floor is; within each height the readings' own scatter says the
    rest.

    Returns
    -------
    The heights with their echoes, nearest first; a remark on every height that was left out whole.

    Raises
    ------
    DataError
        Most readings are stray; a height reads steadily wrong against the others (names its first line).
    """
    sets = [(float(d), taped.range_m[taped.reference_m == d]) for d in np.unique(taped.reference_m)]
    centres = [(d, *_half(readings)) for d, readings in sets if len(readings) >= LEAST_READINGS]
    if len(centres) < 2:
        raise DataError(
            "fewer than two heights have three readings; the other cells are empty",
            path=taped.path,
            key="range_m",
        )
    noise = float(np.median([spread for *_, spread in centres]))
    scale, offset = _consensus(taped, [(d, centre) for d, centre, _ in centres], noise)
    groups, lost = [], []
    for reference, readings in sets:
        gate = max(_GATE_SHARE * reference, _GATE_LEAST_M, min(6 * noise, _GATE_MOST * reference))
        near = np.abs(scale * readings + offset - reference) < gate
        if near.sum() >= LEAST_READINGS:
            groups.append(Group(reference_m=reference, kept=readings[near], dropped=readings[~near]))
        else:
            lost.append((reference, readings))
    kept = sum(len(group.kept) for group in groups)
    if len(groups) < 2 or 2 * kept < len(taped.range_m):
        problem = f"only {kept} of {counted(len(taped.range_m), 'reading')} lie on one line, the others are outliers"
        raise DataError(f"{problem}; clear the floor and the beam", path=taped.path, key="range_m")
    for reference, readings in lost:
        _check_scattered(taped, reference, readings, scale, offset, noise)
    if lost and len(groups) < 3:
        problem = "only two heights are left beside one lost to outliers, and any two define a line; tape more"
        raise DataError(problem, path=taped.path, key="range_m")
    remarks = [f"{d:g} m left out: no three readings there agree with the other heights" for d, _ in lost]
    return _trimmed(groups, taped.step_m), remarks


def multiple(distance: Array, reference: float) -> NDArray[np.bool_]:
    """Whether a distance is two or three times the height: the echo went to and fro again."""
    gate = max(_GATE_SHARE * reference, _GATE_LEAST_M)
    return np.asarray((np.abs(distance - 2 * reference) < 2 * gate) | (np.abs(distance - 3 * reference) < 3 * gate))


def _half(readings: Array) -> tuple[float, float]:
    """Centre and one-sigma of the densest half, which strays do not reach (Rousseeuw and Leroy 1988)."""
    ordered = np.sort(readings)
    size = len(ordered) // 2 + 1
    widths = ordered[size - 1 :] - ordered[: len(ordered) - size + 1]
    start = int(widths.argmin())
    # Half of a Gaussian lies within 0.6745 sigma on either side.
    return float(ordered[start : start + size].mean()), float(widths[start] / (2 * 0.6745))


def _consensus(taped: TapedReadings, centres: list[tuple[float, float]], noise: float) -> tuple[float, float]:
    """Find the line through two heights' centres that most readings support."""
    best, least = None, math.inf
    tolerance = np.clip(3 * noise, np.maximum(0.02 * taped.reference_m, 0.01), 0.1 * taped.reference_m)
    for (near, read_near), (far, read_far) in itertools.combinations(centres, 2):
        scale = (far - near) / (read_far - read_near) if read_far != read_near else math.inf
        if not _SCALES[0] < scale < _SCALES[1]:
            continue
        offset = near - scale * read_near
        miss = (scale * taped.range_m + offset - taped.reference_m) / tolerance
        cost = float(np.minimum(miss**2, 1).sum())
        if cost < least:
            best, least = (scale, offset), cost
    if best is None:
        heights = [height for height, _ in centres]
        close = max(heights) - min(heights) < max(0.2 * max(heights), 6 * noise)
        problem = "the heights are too close together for a scale; spread them over the range in use"
        if not close:
            problem = "no two heights agree on a scale near 1; the readings are stray or the columns swapped"
        raise DataError(problem, path=taped.path, key="reference_m" if close else "range_m")
    return best


def _check_scattered(
    taped: TapedReadings, reference: float, readings: Array, scale: float, offset: float, noise: float
) -> None:
    """Refuse a height that reads steadily wrong: unlike strays and multiples it is a mistake to mend."""
    if len(readings) < LEAST_READINGS:
        return
    centre, spread = _half(readings)
    distance = scale * centre + offset
    if spread > max(3 * noise, 0.01 * reference) or multiple(np.array([distance]), reference)[0]:
        return
    problem = (
        f"the readings at {reference:g} m agree but mean {distance:.3f} m by the other heights;"
        " tape that height again, look for something in the beam, or take its rows out"
    )
    line = int(taped.lines[taped.reference_m == reference][0])
    raise DataError(problem, path=taped.path, line=line, key="range_m")


def _trimmed(groups: list[Group], step: float) -> list[Group]:
    """Drop what lies outside a height's own scatter; means and variances of the rest.

    With few readings a height's own variance is a poor guess: it is drawn to the variance of all heights.
    """
    pooled = float(np.median([_robust_variance(group.kept, step) for group in groups]))
    for robust, cut in ((True, 4.0), (False, _CUT_SIGMA), (False, _CUT_SIGMA)):
        own = [_robust_variance(g.kept, step) if robust else float(np.var(g.kept, ddof=1)) for g in groups]
        groups = [
            _cut(g, cut * math.sqrt(_drawn(v, pooled, len(g.kept))), step) for g, v in zip(groups, own, strict=True)
        ]
        freedom = sum(len(group.kept) - 1 for group in groups)
        pooled = sum((len(group.kept) - 1) * float(np.var(group.kept, ddof=1)) for group in groups) / freedom
    return [_with_variance(group, pooled, step) for group in groups]


def _cut(group: Group, width: float, step: float) -> Group:
    """Drop readings farther from the median than ``width``, but none one step of the sensor away."""
    good = np.abs(group.kept - np.median(group.kept)) <= max(width, 1.01 * step)
    dropped = np.concatenate([group.dropped, group.kept[~good]])
    return replace(group, kept=group.kept[good], dropped=dropped)


def _drawn(own: float, pooled: float, count: int) -> float:
    return ((count - 1) * own + _SHRINK_FREEDOM * pooled) / (count - 1 + _SHRINK_FREEDOM)


def _robust_variance(readings: Array, step: float) -> float:
    robust = 1.4826 * float(np.median(np.abs(readings - np.median(readings))))
    return max(robust**2, step**2 / 12, 1e-12)


def _with_variance(group: Group, pooled: float, step: float) -> Group:
    own, count = float(np.var(group.kept, ddof=1)), len(group.kept)
    # Noise well below the sensor's step does not dither it: averaging then leaves the rounding error whole.
    rounding = step**2 / 12 if math.sqrt(own) < step / 2 else 0.0
    return replace(
        group,
        mean_m=float(group.kept.mean()),
        variance=max(own, rounding),
        mean_variance=_drawn(own, pooled, count) / count + rounding,
    )
