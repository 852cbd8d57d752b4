"""Page of a benchmark: error against height by floor, method against method, and what dominates."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence

from cli.page.benchmark_charts import charts, recorded_chart
from cli.page.benchmark_tables import causes, comparison, costs, image_errors, results
from cli.page.benchmark_words import METHOD_WORDS, Words, millimetres, percent
from cli.page.report import Fact, Page
from flow.benchmark.outcomes import Outcome, best_rival, verdict
from flow.benchmark.rivals import OURS
from flow.wording import counted

_SILENT = 0.9  # share of rows with a speed below which a condition is remarked on
CAUTION = (
    "Accuracy on such recordings, most of all synthetic ones, is no airworthiness. This speed must never be an "
    "autopilot's only source; try it over nobody, within local rules."
)


def benchmark_page(outcomes: Sequence[Outcome], name: str, *, recorded: bool) -> Page:
    """Build the page; ``recorded``: real flights, without a prediction, each of them one place on the chart."""
    words = Words([outcome.condition for outcome in outcomes])
    ours = [outcome for outcome in outcomes if outcome.method == OURS]
    tables = [results(ours, words, recorded=recorded)]
    if not recorded:
        tables.append(causes(ours, words))
    if len(ours) < len(outcomes):
        tables.append(comparison(ours, outcomes, words))
    if any(outcome.image for outcome in outcomes):
        tables.append(image_errors(ours, outcomes, words))
    if len(ours) < len(outcomes):
        tables.append(costs(outcomes))
    return Page(
        title=f"Accuracy of {name}",
        summary=_summary(ours, outcomes, recorded=recorded),
        facts=_facts(ours, outcomes),
        remarks=[*_behind(ours, outcomes, words), *_surprises(ours, words), *_silent(ours, words)],
        charts=[recorded_chart(outcomes, words)] if recorded else charts(outcomes, words),
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
    each = f"{counted(seeds, 'run')} of {counted(frames, 'frame')} each"
    text = f"{counted(len(ours), 'condition')} on synthetic recordings with exact truth, {each}"
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
        meaning = f"median of {counted(len(ratios), 'condition')}, {ratios[0]:.2f} to {ratios[-1]:.2f}; 1 is the Cramer-Rao bound"
        facts.append(Fact(name="error of the image motion alone", value=value, meaning=meaning))
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
    return [Fact(name="the image motion alone, compared with the best other", value=value, meaning=meaning)]


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
        where = words.condition(some[0].condition) if len(some) == 1 else f"{floor}, {counted(len(some), 'condition')}"
        rows = sum(o.sums.rows for o in some)
        share = percent(1 - sum(o.sums.compared for o in some) / rows) if rows else "all"
        remarks.append(f"{where}: {share} of the rows give no speed, most of them for {reason}.")
    return remarks


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
        "The image motion alone: on some runs the same ground is flown over once more, at a steady speed and with logs that have "
        "no errors. The Cramer-Rao bound is the least that anybody could reach from the noise and texture of these "
        "images with rotation and plane known (Robinson and Milanfar 2004)."
    )
    return [flights, alone, methods]
