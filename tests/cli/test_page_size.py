"""The chart library in the pages: all of it in the page, a quarter of the whole, and nothing that it cannot draw."""

from __future__ import annotations

import hashlib
from importlib.resources import files

import pytest

from cli.page.report import Chart, Page, dots, render

WHOLE_BYTES = 4_815_814  # plotly.min.js 4.1.1, as in the Python package plotly 7.1.0
PUBLISHED = (
    "99784e3abfb07b142a15e521a439e6d9addceadb3f79553fd24c72774f0649ba"  # of npm's plotly.js-basic-dist-min 4.1.1
)


def page() -> str:
    chart = Chart(title="t", caption="c", traces=[dots([0, 1], [0, 1], "n", "#000")], layout={})
    return render(Page(title="t", summary="s", charts=[chart]))


def test_a_page_holds_its_library_with_the_licence_and_is_a_fraction_of_the_whole_library() -> None:
    text = page()
    assert text.count("plotly.js (basic") == 1
    assert "Permission is hereby granted, free of charge" in text
    assert "src=" not in text.split("<script>", 1)[0] and 'src="' not in text[-5000:]
    assert len(text.encode()) < WHOLE_BYTES / 3


def test_the_library_is_as_it_was_published() -> None:
    script = (files("cli") / "page" / "plotly-basic.min.js").read_bytes()
    assert hashlib.sha256(script).hexdigest() == PUBLISHED


def test_a_page_without_charts_has_no_library() -> None:
    assert len(render(Page(title="t", summary="s"))) < 20_000


@pytest.mark.parametrize("kind", ["heatmap", "surface", "histogram"])
def test_a_trace_that_the_bundle_cannot_draw_is_refused(kind: str) -> None:
    with pytest.raises(ValueError, match=f"does not draw {kind}"):
        Chart(title="t", caption="c", traces=[{"type": kind}], layout={})
