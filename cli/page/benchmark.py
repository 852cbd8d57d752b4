"""Page of a benchmark: error against height by floor, method against method, and what dominates."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from typing import Any

from cli.page.benchmark_words import AXES, METHOD_INKS, METHOD_WORDS, Words, millimetres, percent
from cli.page.report import INKS, Chart, Fact, Listing, Page, axis, dots, line, log_axis
from flow.benchmark.outcomes import Outcome, best_rival, verdict
from flow.benchmark.rivals import OURS
from flow.benchmark.trial_flight import Condition

_SILENT = 0.9  # share of rows with a speed below which a condition is remarked on
CAUTION = (
    "Accuracy on such recordings, most of all synthetic ones, is no airworthiness. This speed must never be an "
    "autopilot's only source; try it over nobody, within local rules."
)


def benchmark_page(outcomes: Sequence[Outcome], name: str, *, recorded: bool) -> Page:
    """Build the page; ``recorded``: real flights, without a prediction, each of them one place on the chart."""
    words = Words([outcome.condition for outcome in outcomes])
    ours = [outcome for outcome in outcomes if outcome.method == OURS]
    tables = [_results(ours, words, recorded=recorded)]
    if not recorded:
        tables.append(_causes(ours, words))
    if len(ours) < len(outcomes):
        tables.append(_comparison(ours, outcomes, words))
    if any(outcome.image for outcome in outcomes):
        tables.append(_image_errors(ours, outcomes, words))
    if len(ours) < len(outcomes):
        tables.append(_costs(outcomes))
    return Page(
        title=f"Accuracy of {name}",
        summary=_summary(ours, outcomes, recorded=recorded),
        facts=_facts(ours, outcomes),
        remarks=[*_behind(ours, outcomes, words), *_surprises(ours, words), *_silent(ours, words)],
        charts=[_recorded_chart(outcomes, words)] if recorded else _charts(outcomes, words),
        tables=tables,
        cautions=[CAUTION],
        footer=_footer(recorded=recorded),
    )


def _summary(ours: Sequence[Outcome], outcomes: Sequence[Outcome], *, recorded: bool) -> str:
    seeds, frames = ours[0].seeds, ours[0].frames // ours[0].seeds
    if recorded:
        flights = "1 recorded flight against its reference log" if len(ours) == 1 else None
        return f"{flights or f'{len(ours)} recorded flights against their reference logs'}; RMS error of one axis, of rows."
    some = f"; the other methods got the frames of {ours[0].shared.runs} of them"
    shared = "" if len(ours) == len(outcomes) else some
    text = f"{len(ours)} conditions on synthetic recordings with exact truth, {seeds} runs of {frames} frames each"
    return f"{text}{shared}. Errors are the RMS of one horizontal axis, of single rows."


def _facts(ours: Sequence[Outcome], outcomes: Sequence[Outcome]) -> list[Fact]:
    facts = []
    told = [o for o in ours if o.over_forecast is not None]
    if told:
        near = sum(o.as_forecast is True for o in told)
        far = sum(o.as_forecast is False for o in told)
        few = len(told) - near - far
        value = f"within 30 % in {near} of {len(told)}" + (f", too few runs to tell in {few}" if few else "")
        ratios = sorted(o.over_forecast or 0.0 for o in told)
        meaning = f"measured over predicted {ratios[0]:.2f} to {ratios[-1]:.2f}, median {statistics.median(ratios):.2f}"
        facts.append(Fact(name="prediction", value=value, meaning=meaning))
    pairs = _pairs(ours, outcomes)
    if pairs:
        verdicts = [verdict(mine, other) for mine, other in pairs]
        value = f"ahead in {verdicts.count('ahead')} of {len(verdicts)}"
        value += "".join(f", {word} in {verdicts.count(word)}" for word in ("level", "behind") if word in verdicts)
        meaning = "RMS on the same frames; level: within 1 %, or within two sigma"
        facts.append(Fact(name="against the best other", value=value, meaning=meaning))
        facts.append(_across(ours, outcomes))
    ratios = sorted(o.image.over_bound for o in ours if o.image is not None and o.image.image_rows)
    if ratios:
        value = f"{statistics.median(ratios):.2f} times the least possible"
        meaning = f"median of {len(ratios)} conditions, {ratios[0]:.2f} to {ratios[-1]:.2f}; 1 is the Cramer-Rao bound"
        facts.append(Fact(name="error of the picture alone", value=value, meaning=meaning))
        facts += _picture_alone(ours, outcomes)
    inside, count = sum(o.sums.inside for o in ours), 2 * sum(o.sums.compared for o in ours)
    if count:
        meaning = "95 % is honest; above, the rows claim less than they could"
        facts.append(Fact(name="errors in their 95 % band", value=percent(inside / count, 1), meaning=meaning))
    rows, given = sum(o.sums.rows for o in ours), sum(o.sums.compared for o in ours)
    meaning = "the others say why they give none, and are in no figure here"
    return [*facts, Fact(name="rows with a speed", value=percent(given / rows, 1), meaning=meaning)]


def _across(ours: Sequence[Outcome], outcomes: Sequence[Outcome]) -> Fact:
    both = [(mine, best_rival(outcomes, mine.condition, "across")) for mine in ours if mine.shared.compared]
    ratios = sorted(other.shared.right_rms_m_s / mine.shared.right_rms_m_s for mine, other in both if other is not None)
    value = f"ahead in {sum(ratio > 1 for ratio in ratios)} of {len(ratios)}"
    meaning = f"best other over ours {ratios[0]:.2f} to {ratios[-1]:.2f}, where the height, common to all, has no part"
    return Fact(name="the same across the flight", value=value, meaning=meaning)


def _picture_alone(ours: Sequence[Outcome], outcomes: Sequence[Outcome]) -> list[Fact]:
    """Compare without the errors of the logs, which all methods share: what is left is the image motion itself."""
    both = ((mine.image, best_rival(outcomes, mine.condition, "picture")) for mine in ours)
    ratios = sorted(
        other.image.image_rms_px / mine.image_rms_px for mine, other in both if mine and other and other.image
    )
    if not ratios:
        return []
    value = f"ahead in {sum(ratio > 1 for ratio in ratios)} of {len(ratios)}"
    meaning = f"best other over ours {ratios[0]:.2f} to {ratios[-1]:.2f}, on frames common to all, with logs that have no errors"
    return [Fact(name="the picture alone, against the best other", value=value, meaning=meaning)]


def _pairs(ours: Iterable[Outcome], outcomes: Sequence[Outcome]) -> list[tuple[Outcome, Outcome]]:
    both = ((mine, best_rival(outcomes, mine.condition)) for mine in ours if mine.shared.compared)
    return [(mine, other) for mine, other in both if other is not None]


def _behind(ours: Sequence[Outcome], outcomes: Sequence[Outcome], words: Words) -> list[str]:
    lost = [(mine, other) for mine, other in _pairs(ours, outcomes) if verdict(mine, other) == "behind"]
    return [
        f"{words.condition(mine.condition)}: ours is less accurate than {METHOD_WORDS[other.method]}, "
        f"{millimetres(mine.shared.rms_m_s)} against {millimetres(other.shared.rms_m_s)} mm/s."
        for mine, other in lost
    ]


def _surprises(ours: Sequence[Outcome], words: Words) -> list[str]:
    return [
        f"{words.condition(o.condition)}: measured {millimetres(o.sums.rms_m_s, o.rms_sigma_m_s)} mm/s, "
        f"predicted {millimetres(o.forecast.scatter_m_s)}: off by more than 30 %."
        for o in ours
        if o.forecast is not None and o.as_forecast is False
    ]


def _silent(ours: Sequence[Outcome], words: Words) -> list[str]:
    groups: dict[tuple[str, str], list[Outcome]] = {}
    for o in ours:
        if o.sums.usable < _SILENT and o.failure:
            groups.setdefault((words.floor(o.condition), o.failure.replace("_", " ")), []).append(o)
    remarks = []
    for (floor, reason), some in groups.items():
        where = words.condition(some[0].condition) if len(some) == 1 else f"{floor}, {len(some)} conditions"
        rows = sum(o.sums.rows for o in some)
        share = percent(1 - sum(o.sums.compared for o in some) / rows) if rows else "all"
        remarks.append(f"{where}: {share} of the rows give no speed, most of them for {reason}.")
    return remarks


def _charts(outcomes: Sequence[Outcome], words: Words) -> list[Chart]:
    groups: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        groups.setdefault(words.series(outcome.condition), []).append(outcome)
    caption = (
        f"RMS error of one axis against {AXES[words.along].split(',')[0]}. Large dots are all runs, bars two sigma; "
    )
    caption += "the dotted line is their prediction."
    return [
        Chart(title=name, caption=caption, traces=_traces(some, words.along), layout=_layout(outcomes, words))
        for name, some in groups.items()
        if any(outcome.sums.compared for outcome in some)
    ]


def _traces(outcomes: Sequence[Outcome], along: str) -> list[dict[str, Any]]:
    def place(o: Outcome) -> float:
        return float(getattr(o.condition, along))

    seen = sorted((o for o in outcomes if o.sums.compared), key=place)
    ours = [o for o in seen if o.method == OURS]
    traces = []
    for method, word in METHOD_WORDS.items():
        some = [o for o in seen if o.method == method and o.shared.compared]
        if not some or len(ours) == len(seen):
            continue
        y = [1000 * o.shared.rms_m_s for o in some]
        trace = {"x": [place(o) for o in some], "y": y, "name": word, "mode": "lines+markers"}
        traces.append(
            {
                **trace,
                "line": {"color": METHOD_INKS[method], "width": 1.2},
                "marker": {"color": METHOD_INKS[method], "size": 5},
            }
        )
    if traces and ours:
        traces[0]["name"] = "groundpace, same frames"
    name = "groundpace, all runs" if traces else "groundpace"
    bars = [2000 * o.rms_sigma_m_s for o in ours]
    traces.append(
        dots([place(o) for o in ours], [1000 * o.sums.rms_m_s for o in ours], name, INKS[0], size=9, bars=bars)
    )
    told = [(place(o), 1000 * o.forecast.scatter_m_s) for o in ours if o.forecast is not None]
    return (
        [*traces, line([x for x, _ in told], [y for _, y in told], "predicted", INKS[0], dash="dot")]
        if told
        else traces
    )


def _layout(outcomes: Sequence[Outcome], words: Words) -> dict[str, Any]:
    """One scale for all charts, so that floors can be compared by eye."""
    errors = [1000 * o.sums.rms_m_s for o in outcomes if o.sums.compared and o.sums.rms_m_s > 0]
    low, high = (min(errors), max(errors)) if errors else (1.0, 10.0)
    places = [float(getattr(o.condition, words.along)) for o in outcomes]
    title = AXES[words.along]
    across = log_axis(title, min(places) / 1.15, max(places) * 1.15) if min(places) > 0 else axis(title)
    return {"xaxis": across, "yaxis": log_axis("RMS error, mm/s", low / 1.4, high * 1.4)}


def _recorded_chart(outcomes: Sequence[Outcome], words: Words) -> Chart:
    traces = []
    for method, word in METHOD_WORDS.items():
        some = [o for o in outcomes if o.method == method and o.sums.compared]
        x, y = [words.floor(o.condition) for o in some], [1000 * o.sums.rms_m_s for o in some]
        traces.append({"x": x, "y": y, "name": word, "type": "bar", "marker": {"color": METHOD_INKS[method]}})
    layout = {"xaxis": axis("recording"), "yaxis": axis("RMS error, mm/s", rangemode="tozero"), "barmode": "group"}
    return Chart(title="Recordings", caption="RMS error of one axis.", traces=traces, layout=layout, wide=True)


def _results(ours: Sequence[Outcome], words: Words, *, recorded: bool) -> Listing:
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


def _causes(ours: Sequence[Outcome], words: Words) -> Listing:
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


def _comparison(ours: Sequence[Outcome], outcomes: Sequence[Outcome], words: Words) -> Listing:
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


def _image_errors(ours: Sequence[Outcome], outcomes: Sequence[Outcome], words: Words) -> Listing:
    known = {(o.condition, o.method): o.image for o in outcomes}
    methods = [method for method in METHOD_WORDS if any(o.method == method for o in outcomes)]

    def cell(condition: Condition, method: str) -> str:
        image = known.get((condition, method))
        if image is None or not image.image_rows:
            return "none"
        return f"{image.over_bound:.2f}\u00a0({1000 * image.image_rms_px:.3g})"

    rows = [[words.condition(o.condition), *(cell(o.condition, method) for method in methods)] for o in ours if o.image]
    return Listing(
        title="The picture alone: error over the Cramer-Rao bound (RMS of a frame, thousandths of a pixel)",
        columns=("condition", *(METHOD_WORDS[m] for m in methods)),
        rows=rows,
    )


def _costs(outcomes: Sequence[Outcome]) -> Listing:
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


def _footer(*, recorded: bool) -> list[str]:
    methods = (
        "Every method got the same frames, gyro, tilt, range, lens, plane, solver and error band, and starts from the "
        "same prediction. Feature tracks: the Lucas-Kanade tracks that give our blocks their start, alone. Phase "
        "correlation: Hrazdíra et al. 2020, 64 px blocks. Dense flow: Farnebäck 2003. ECC: Evangelidis and Psarakis 2008, "
        "one homography. Features: SIFT (Lowe 2004), matched both ways, one homography. All from OpenCV. A method that gives "
        "less than 90 % of our rows is shown, but is never the best other. The errors of height and gyro are common to all "
        "methods and level them where they dominate."
    )
    if recorded:
        return [methods]
    flights = (
        "Each run flies forward at a speed that swings by 40 % at 0.5 Hz, rocking in roll and pitch at 1 Hz, at a "
        "steady height, from a place and in a direction of its own, with its own noise. Frames are uncompressed. The "
        "module is the true one: what its calibration may have wrong shows nowhere but under 'left by calibration'."
    )
    alone = (
        "The picture alone: on some runs the same ground is flown over once more, at a steady speed and with logs that have "
        "no errors. The Cramer-Rao bound is the least that anybody could reach from the noise and texture of these "
        "pictures with rotation and plane known (Robinson and Milanfar 2004)."
    )
    return [flights, alone, methods]
