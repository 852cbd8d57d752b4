"""Page of a benchmark: error against height by floor, method against method, and what dominates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

from cli.page.benchmark_words import METHOD_WORDS, Words, millimetres, percent
from cli.page.report import INKS, Chart, Fact, Listing, Page, axis, log_axis
from flow.outcomes import Outcome, best_rival
from flow.rivals import OURS
from flow.trial_flight import Condition

CAUTION = (
    "This is accuracy on recordings, most of them synthetic: it is no airworthiness. The speed must never be an "
    "autopilot's only source; try it over nobody, within local rules."
)
_LEVEL = 0.01  # methods closer than this in RMS count as level: height and gyro errors are common to all


def benchmark_page(outcomes: Sequence[Outcome], name: str, *, recorded: bool) -> Page:
    """Build the page; ``recorded``: the flights are real, there is no prediction, and a bar stands for each."""
    words = Words([outcome.condition for outcome in outcomes])
    ours = [outcome for outcome in outcomes if outcome.method == OURS]
    return Page(
        title=f"Accuracy of {name}",
        summary=_summary(ours, outcomes, recorded=recorded),
        facts=_facts(ours, outcomes),
        remarks=[*_behind(ours, outcomes, words), *_surprises(ours, words)],
        charts=_recorded_charts(outcomes) if recorded else _charts(outcomes, words),
        tables=_tables(ours, outcomes, words),
        cautions=[CAUTION],
        footer=_footer(ours, outcomes, recorded=recorded),
    )
