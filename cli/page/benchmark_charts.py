"""Charts of a benchmark: error against height by floor, or recording by recording."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from cli.page.benchmark_words import AXES, METHOD_INKS, METHOD_WORDS, Words
from cli.page.report import INKS, Chart, axis, dots, line, log_axis
from flow.benchmark.outcomes import Outcome
from flow.benchmark.rivals import OURS


def charts(outcomes: Sequence[Outcome], words: Words) -> list[Chart]:
    """Draw error against height, a chart for each floor, all to one scale."""
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


def recorded_chart(outcomes: Sequence[Outcome], words: Words) -> Chart:
    """Draw a bar for each recording and method."""
    traces = []
    for method, word in METHOD_WORDS.items():
        some = [o for o in outcomes if o.method == method and o.sums.compared]
        x, y = [words.floor(o.condition) for o in some], [1000 * o.sums.rms_m_s for o in some]
        traces.append({"x": x, "y": y, "name": word, "type": "bar", "marker": {"color": METHOD_INKS[method]}})
    layout = {"xaxis": axis("recording"), "yaxis": axis("RMS error, mm/s", rangemode="tozero"), "barmode": "group"}
    return Chart(title="Recordings", caption="RMS error of one axis.", traces=traces, layout=layout, wide=True)


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
