"""Runs of a benchmark pooled by condition and method, and their table."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import reduce
from operator import add
from typing import Literal, TypeAlias, TypeVar

import numpy as np

from flow.benchmark.error_sums import ErrorSums, ImageSums
from flow.benchmark.forecast import Forecast
from flow.benchmark.rivals import OURS
from flow.benchmark.trial_flight import Condition
from flow.benchmark.trials import Run
from flow.columns import BENCHMARK

Cell: TypeAlias = str | int | float | None
Figure: TypeAlias = Literal["all", "across", "picture"]
Verdict: TypeAlias = Literal["ahead", "level", "behind"]
T = TypeVar("T")

_AGREES = 0.3
_LEVEL = 0.01
_ENOUGH = 0.9
_SIGMAS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One condition by one method.

    ``motion_ms_per_frame`` is what of ``ms_per_frame`` finding the image motion takes, ``position_ms_per_frame`` keeping
    the position, ``image`` the errors of the
    picture alone, of the runs where they were looked at. ``sums`` are those of all its ``seeds``; ``shared_runs`` of
    each run that every method measured, for comparison. ``rms_sigma_m_s`` and ``scale_error_sigma`` are one-sigma, from
    how the runs differ (NaN for one run). ``forecast`` is the root mean square over the runs; only ours has one, and
    only on synthetic flights. ``failure`` is the most frequent reason for rows without a velocity.
    """

    condition: Condition
    method: str
    seeds: int
    frames: int
    ms_per_frame: float
    motion_ms_per_frame: float | None
    position_ms_per_frame: float | None
    failure: str
    sums: ErrorSums
    image: ImageSums | None
    shared_runs: tuple[ErrorSums, ...]
    rms_sigma_m_s: float
    scale_error_sigma: float
    forecast: Forecast | None

    @property
    def shared(self) -> ErrorSums:
        """Sums of the shared runs."""
        return reduce(add, self.shared_runs)

    @property
    def over_forecast(self) -> float | None:
        """Measured RMS over the one predicted."""
        if self.forecast is None or not self.sums.compared:
            return None
        return self.sums.rms_m_s / self.forecast.scatter_m_s

    @property
    def as_forecast(self) -> bool | None:
        """Whether the RMS is within 30 % of the prediction; None where the runs are too few to tell.

        That is where it lies outside, but within two of its own sigmas of the limit.
        """
        if self.forecast is None or (ratio := self.over_forecast) is None:
            return None
        off = max(ratio - (1 + _AGREES), (1 - _AGREES) - ratio)
        if off <= 0:
            return True
        spread = self.rms_sigma_m_s / self.forecast.scatter_m_s
        return None if not off > _SIGMAS * spread else False

    def as_row(self) -> dict[str, Cell]:
        """Give the row of ``benchmark.csv``."""
        sums, known = self.sums, self.forecast
        return {
            **asdict(self.condition),
            "method": self.method,
            "seeds": self.seeds,
            "frames": self.frames,
            "rms_m_s": _rounded(sums.rms_m_s),
            "rms_sigma_m_s": _rounded(self.rms_sigma_m_s),
            "sigma_predicted_m_s": None if known is None else _rounded(known.scatter_m_s),
            "sigma_claimed_m_s": _rounded(sums.claimed_m_s),
            "cover95": _rounded(sums.cover95),
            "usable": _rounded(sums.usable),
            "bias_m_s": _rounded(sums.bias_m_s),
            "forward_rms_m_s": _rounded(sums.forward_rms_m_s),
            "right_rms_m_s": _rounded(sums.right_rms_m_s),
            "scale_error": _rounded(sums.scale_error),
            "scale_error_sigma": _rounded(self.scale_error_sigma),
            "drift_per_distance": _rounded(sums.drift_per_distance),
            "image_rms_px": None if self.image is None else _rounded(self.image.image_rms_px),
            "image_over_bound": None if self.image is None else _rounded(self.image.over_bound),
            "ms_per_frame": _rounded(self.ms_per_frame),
            "motion_ms_per_frame": None if self.motion_ms_per_frame is None else _rounded(self.motion_ms_per_frame),
            "position_ms_per_frame": None
            if self.position_ms_per_frame is None
            else _rounded(self.position_ms_per_frame),
            "shared_seeds": self.shared.runs,
            "shared_rms_m_s": _rounded(self.shared.rms_m_s),
            "shared_right_rms_m_s": _rounded(self.shared.right_rms_m_s),
            "main_cause": None if known is None else known.main_cause,
            "main_share": None if known is None else _rounded(known.main_share),
            "leftover_m_s": None if known is None else _rounded(known.leftover_m_s),
            "leftover_cause": None if known is None else known.leftover_cause,
            "texture_levels_px": None if known is None else _rounded(known.texture_levels_px),
            "failure": self.failure or None,
        }


def pool(runs: Sequence[Run]) -> list[Outcome]:
    """Pool runs by condition, and in it by method, both in the order of their first appearance."""
    groups: dict[Condition, dict[str, list[Run]]] = defaultdict(lambda: defaultdict(list))
    for run in runs:
        groups[run.condition][run.method].append(run)
    outcomes = []
    for methods in groups.values():
        common = set.intersection(*({run.key for run in some} for some in methods.values()))
        if not common:  # each method has a key of its own, as on recordings: all saw the same
            common = {run.key for some in methods.values() for run in some}
        outcomes += [_pooled(some, common) for some in methods.values()]
    return outcomes


def table(outcomes: Sequence[Outcome]) -> str:
    """Give the text of ``benchmark.csv``: a row for each condition and method; what is not known is empty."""
    text = io.StringIO()
    rows = [outcome.as_row() for outcome in outcomes]
    writer = csv.DictWriter(text, BENCHMARK.names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def verdict(mine: Outcome, other: Outcome) -> Verdict:
    """Say how we stand against another method on the shared runs.

    ``level`` where the RMS differs by less than 1 %, or by less than two of the difference's own sigmas: where the
    errors of height and gyro dominate, which all methods share, chance decides who is ahead by a few percent.
    """
    pairs = list(zip(mine.shared_runs, other.shared_runs, strict=True))
    better = other.shared.rms_m_s - mine.shared.rms_m_s
    sigma = _sigma(pairs, lambda some: _rms([b for _, b in some]) - _rms([a for a, _ in some]))
    if abs(better) <= _LEVEL * mine.shared.rms_m_s or abs(better) < _SIGMAS * sigma:
        return "level"
    return "ahead" if better > 0 else "behind"


def best_rival(outcomes: Sequence[Outcome], condition: Condition, by: Figure = "all") -> Outcome | None:
    """Find the other method with the least RMS error of a condition, on the shared runs.

    ``by``: ``all`` of the error; ``across`` the flight alone, where the height, common to all, has no part; of the
    ``picture`` alone, with logs that have no errors. A method that leaves out rows that ours gives, more than a tenth of
    them, does not count: it may have left out the hard ones. None where no method counts.
    """
    rows, error = _FIGURES[by]
    here = [o for o in outcomes if o.condition == condition and rows(o)]
    enough = max((_ENOUGH * rows(o) for o in here if o.method == OURS), default=0.0)
    return min((o for o in here if o.method != OURS and rows(o) >= enough), key=error, default=None)


_FIGURES: dict[Figure, tuple[Callable[[Outcome], int], Callable[[Outcome], float]]] = {
    "all": (lambda o: o.shared.compared, lambda o: o.shared.rms_m_s),
    "across": (lambda o: o.shared.compared, lambda o: o.shared.right_rms_m_s),
    "picture": (
        lambda o: o.image.image_rows if o.image else 0,
        lambda o: o.image.image_rms_px if o.image else math.nan,
    ),
}


def _pooled(runs: Sequence[Run], common: set[str]) -> Outcome:
    frames = sum(run.frames for run in runs)
    failures = Counter(run.failure for run in runs if run.failure)
    sums = [run.sums for run in runs]
    some = [one for one in sums if one.compared]
    images = [run.image for run in runs if run.image is not None]
    motion = [run.motion_s for run in runs if run.motion_s is not None]
    position = [run.position_s for run in runs if run.position_s is not None]
    return Outcome(
        condition=runs[0].condition,
        method=runs[0].method,
        seeds=len(runs),
        frames=frames,
        ms_per_frame=1000 * sum(run.cpu_s for run in runs) / frames,
        motion_ms_per_frame=1000 * sum(motion) / frames if motion else None,
        position_ms_per_frame=1000 * sum(position) / frames if position else None,
        failure=failures.most_common(1)[0][0] if failures else "",
        sums=reduce(add, sums),
        image=reduce(add, images) if images else None,
        shared_runs=tuple(run.sums for run in runs if run.key in common),
        rms_sigma_m_s=_sigma(some, _rms),
        scale_error_sigma=_sigma(some, _scale),
        forecast=_mean_forecast([run.forecast for run in runs if run.forecast is not None]),
    )


def _sigma(runs: Sequence[T], statistic: Callable[[Sequence[T]], float]) -> float:
    """Jackknife over runs, which are independent (Efron and Stein 1981, Annals of Statistics 9(3) 586)."""
    if len(runs) < 2:
        return math.nan
    without = np.array([statistic([*runs[:k], *runs[k + 1 :]]) for k in range(len(runs))])
    return float(np.sqrt((len(runs) - 1) / len(runs) * np.square(without - without.mean()).sum()))


def _rms(sums: Sequence[ErrorSums]) -> float:
    return reduce(add, sums).rms_m_s


def _scale(sums: Sequence[ErrorSums]) -> float:
    return reduce(add, sums).scale_error


def _mean_forecast(forecasts: Sequence[Forecast]) -> Forecast | None:
    if not forecasts:
        return None

    def rms(name: str) -> float:
        return float(np.sqrt(np.mean([getattr(one, name) ** 2 for one in forecasts])))

    main_cause = Counter(one.main_cause for one in forecasts).most_common(1)[0][0]
    return Forecast(
        scatter_m_s=rms("scatter_m_s"),
        forward_m_s=rms("forward_m_s"),
        right_m_s=rms("right_m_s"),
        main_cause=main_cause,
        main_share=float(np.mean([one.main_share for one in forecasts if one.main_cause == main_cause])),
        leftover_m_s=rms("leftover_m_s"),
        leftover_cause=Counter(one.leftover_cause for one in forecasts).most_common(1)[0][0],
        texture_levels_px=rms("texture_levels_px"),
    )


def _rounded(value: float) -> float | None:
    return float(f"{value:.5g}") if math.isfinite(value) else None
