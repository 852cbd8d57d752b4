"""Tables of a benchmark: how good it is, why, and beside other methods."""

from __future__ import annotations

from collections.abc import Sequence

from cli.page.benchmark_words import METHOD_WORDS, Words, millimetres, percent
from cli.page.report import Listing
from flow.benchmark.outcomes import Outcome, best_rival, verdict
from flow.benchmark.trial_flight import Condition


def results(ours: Sequence[Outcome], words: Words, *, recorded: bool) -> Listing:
    """How good it is, condition by condition."""

    def row(o: Outcome) -> list[str]:
        sums = o.sums
        cells = [
            words.condition(o.condition),
            millimetres(sums.rms_m_s, o.rms_sigma_m_s),
            millimetres(sums.claimed_m_s),
        ]
        cells += [percent(sums.cover95), percent(sums.usable), millimetres(sums.bias_m_s)]
        scale = percent(sums.scale_error, 2, sign=True, sigma=o.scale_error_sigma)
        return [*cells, scale, percent(sums.drift_per_distance, 2)]

    where = "recording" if recorded else "condition"
    claims = ("RMS mm/s", "rows claim mm/s", "in 95 % band", "rows with speed", "forward bias mm/s")
    return Listing(
        title="How good it is",
        columns=(where, *claims, "forward scale error", "drift of the distance"),
        rows=[row(o) for o in ours],
    )


def causes(ours: Sequence[Outcome], words: Words) -> Listing:
    """Show what the prediction says dominates."""
    rows = []
    for o in ours:
        if o.forecast is None or o.over_forecast is None:
            continue
        known = o.forecast
        cause = f"{known.main_cause} ({percent(known.main_share)})".replace(" ", "\u00a0")
        agrees = {True: "", False: ", off", None: ",\u00a0too\u00a0few\u00a0runs"}[o.as_forecast]
        cells = [words.condition(o.condition), millimetres(known.scatter_m_s), millimetres(o.sums.rms_m_s)]
        cells += [
            f"{o.over_forecast:.2f}{agrees}",
            cause,
            millimetres(known.leftover_m_s),
            known.leftover_cause.replace(" ", "\u00a0"),
        ]
        rows.append(cells)
    return Listing(
        title="What dominates: the prediction, cause by cause",
        columns=(
            "condition", "predicted mm/s", "measured mm/s", "ratio", "dominated by (share of the variance)",
            "left by calibration mm/s", "most of that by",
        ),
        rows=rows,
    )  # fmt: skip


def comparison(ours: Sequence[Outcome], outcomes: Sequence[Outcome], words: Words) -> Listing:
    """Hold method against method, on the same frames."""
    known: dict[tuple[Condition, str], Outcome] = {(o.condition, o.method): o for o in outcomes}
    methods = [method for method in METHOD_WORDS if any(o.method == method for o in outcomes)]

    def cell(condition: Condition, method: str) -> str:
        o = known.get((condition, method))
        if o is None or not o.shared.compared:
            return "none" if o is None else f"none, {o.failure.replace('_', ' ')}"
        across = millimetres(o.shared.right_rms_m_s)
        less = "" if o.shared.usable > 0.99 else f", {percent(o.shared.usable)} of rows"
        return f"{millimetres(o.shared.rms_m_s)} ({across}){less}".replace(" ", "\u00a0")

    rows = []
    for mine in ours:
        other = best_rival(outcomes, mine.condition)
        told = ""
        if other is not None and mine.shared.compared:
            told = verdict(mine, other) + f"\u00a0({other.shared.rms_m_s / mine.shared.rms_m_s:.2f})"
        rows.append([words.condition(mine.condition), *(cell(mine.condition, m) for m in methods), told])
    return Listing(
        title="Method against method, on the same frames: RMS mm/s (across the flight alone)",
        columns=("condition", *(METHOD_WORDS[m] for m in methods), "ours is (best other / ours)"),
        rows=rows,
    )


def image_errors(ours: Sequence[Outcome], outcomes: Sequence[Outcome], words: Words) -> Listing:
    """Error of the picture alone over the least possible."""
    known = {(o.condition, o.method): o.image for o in outcomes}
    methods = [method for method in METHOD_WORDS if any(o.method == method for o in outcomes)]

    def cell(condition: Condition, method: str) -> str:
        image = known.get((condition, method))
        if image is None or not image.image_rows:
            return "none"
        return f"{image.over_bound:.2f}\u00a0({1000 * image.image_rms_px:.3g})"

    rows = [[words.condition(o.condition), *(cell(o.condition, method) for method in methods)] for o in ours if o.image]
    return Listing(
        title="The image motion alone: error over the Cramer-Rao bound (RMS of a frame, thousandths of a pixel)",
        columns=("condition", *(METHOD_WORDS[m] for m in methods)),
        rows=rows,
    )


def costs(outcomes: Sequence[Outcome]) -> Listing:
    """Show what a frame costs."""
    rows = []
    for method, word in METHOD_WORDS.items():
        some = [o for o in outcomes if o.method == method]
        if some:
            motion, position, spent = (
                sum((getattr(o, name) or 0.0) * o.frames for o in some) / sum(o.frames for o in some)
                for name in ("motion_ms_per_frame", "position_ms_per_frame", "ms_per_frame")
            )
            whole = f"{spent:.1f}" if position else "–"
            rows.append([word, f"{motion:.1f}" if motion else "–", f"{spent - position:.1f}", whole])
    columns = ("method", "image motion", "speed with error band (--fast)", "and position (the default)")
    return Listing(
        title="What it costs, ms a frame, one thread; the speed is the same either way", columns=columns, rows=rows
    )
