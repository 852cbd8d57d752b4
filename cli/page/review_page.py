"""The review page of a measurement: why was the speed what it was at any moment."""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any, TypeAlias

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from cli.page.report import Page, render
from cli.page.review_bins import packed, packed_times
from cli.page.review_findings import Finding, findings, shortened
from cli.page.review_range import Readings, range_readings
from cli.page.review_rows import NEWEST, SPREAD, FlightData, Rows
from cli.page.review_words import (
    CAUTIONS,
    flight_facts,
    footer,
    module_tables,
    remarks,
    summary_sentence,
    without_any_speed,
)
from flow.accuracy.reference import Reference
from flow.disk.files import replacing
from flow.error_sources import SOURCES
from flow.recording import Recording
from flow.result import FrameResult
from flow.row import REASONS
from flow.statuses import OK

Array: TypeAlias = NDArray[np.float64]

_MARGIN_S = 1.0  # of samples before the first row and after the last
_LARGE_CLOCK_S = 10_000.0  # a clock that began long before the flight is shown from the flight on


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewPage(Page):
    """A page with what the review adds: ``data`` and ``points`` for the script, and the findings.

    ``no_speed`` says why no row has a speed, the commonest reason first; empty where one has.
    """

    data: Markup
    points: str
    style: Markup
    script: Markup
    found: list[Finding]
    left_out: int
    video_words: str
    no_speed: list[str]
    has_reference: bool

    @property
    def needs_plotly(self) -> bool:
        """The charts are drawn by the page's own script."""
        return True


class ReviewWriter:
    """Writes ``review.html``; a context manager, on whose end the page takes its place.

    Parameters
    ----------
    recording
        What is measured.
    output
        Folder of the results.
    own_video_s
        When a browser shows each frame of the recording's own video, s; None where the page has a copy.
    reference, reference_path
        A reference log to draw beside the speed, and where it lies; or None.
    """

    def __init__(
        self,
        recording: Recording,
        output: Path,
        *,
        own_video_s: Array | None,
        reference: Reference | None,
        reference_path: Path | None,
    ) -> None:
        self._recording, self._output, self._own_s = recording, output, own_video_s
        self._reference, self._reference_path = reference, reference_path
        self._data = FlightData(recording)
        self._stack = ExitStack()

    def __enter__(self) -> ReviewWriter:
        return self

    @property
    def per_bin(self) -> int:
        """Rows in each bin of the page."""
        return self._data.per_bin

    def add(self, result: FrameResult) -> None:
        """Take a result."""
        self._data.add(result)

    def write(self, facts: Mapping[str, Any], video_words: str) -> None:
        """Write the page: ``facts`` is the summary as in ``summary.json``, ``video_words`` what the video beside it is."""
        path = self._stack.enter_context(replacing(self._output / "review.html"))
        path.write_text(render(self.page(facts, video_words), "review.html"), encoding="utf-8", newline="\n")

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        return self._stack.__exit__(kind, error, trace)

    def page(self, facts: Mapping[str, Any], video_words: str) -> ReviewPage:
        """Build the page of everything gathered."""
        recording = self._recording
        rows = self._data.finish()
        readings = range_readings(recording, _MARGIN_S)
        compared = None if self._reference is None else _compared(rows, self._reference)
        listed, left_out = shortened(findings(rows, readings, recording.module.range, compared))
        data = self._page_data(rows, readings, compared, listed)
        name = recording.folder.resolve().name
        return ReviewPage(
            title=f"Flight review: {name}",
            summary=summary_sentence(facts),
            facts=flight_facts(facts),
            remarks=remarks(facts),
            tables=module_tables(recording.module),
            cautions=CAUTIONS,
            footer=footer(recording, self._reference_path),
            data=Markup(json.dumps(data, allow_nan=False).replace("<", "\\u003c")),
            points=base64.b64encode(rows.points).decode(),
            style=Markup(_resource("review.css")),
            script=Markup(_script()),
            found=listed,
            left_out=left_out + readings.more_gaps,
            video_words=video_words,
            no_speed=without_any_speed(facts),
            has_reference=compared is not None,
        )

    def _page_data(
        self, rows: Rows, readings: Readings, compared: Array | None, listed: list[Finding]
    ) -> dict[str, Any]:
        module = self._recording.module
        times_s = self._recording.frames.times_s
        end_s = rows.newest["end_s"] - module.alignment.time_offset_s
        media_s = end_s - times_s[0] if self._own_s is None else np.interp(end_s, times_s, self._own_s)
        gyro_s, gyro_low, gyro_high = self._data.turns.rates.finish()
        inside = (gyro_s >= rows.time_s[0] - _MARGIN_S) & (gyro_s <= rows.time_s[-1] + _MARGIN_S)
        base = math.floor(rows.time_s[0] - _MARGIN_S)
        return {
            "base_s": base,
            "clock_s": base if base > _LARGE_CLOCK_S else 0,
            "per_bin": rows.per_bin,
            "time": packed_times(rows.time_s, base),
            "media": packed_times(media_s, 0.0),
            "low": {name: packed(rows.low[name]) for name in SPREAD},
            "high": {name: packed(rows.high[name]) for name in SPREAD} if rows.per_bin > 1 else {},
            "newest": {name: packed(rows.newest[name]) for name in NEWEST if name != "end_s"},
            "gyro": {
                "time": packed_times(gyro_s[inside], base),
                "low": [packed(gyro_low[inside, axis]) for axis in range(3)],
                "high": [packed(gyro_high[inside, axis]) for axis in range(3)],
            },
            "range": {
                "time": packed_times(readings.time_s, base),
                "low": packed(readings.low_m),
                "high": packed(readings.high_m),
            },
            "reference": None if compared is None else [packed(compared[:, k]) for k in range(compared.shape[1])],
            "stretches": [[round(s.begin_s, 4), round(s.end_s, 4), s.status] for s in rows.stretches],
            "reasons": {OK.word: OK.meaning, **REASONS},
            "sources": {source: source.label for source in SOURCES},
            "width_px": module.camera.width_px,
            "height_px": module.camera.height_px,
            # Columns: where forward and right point in the picture.
            "picture_by_level": module.alignment.R_body_camera.as_matrix().T[:2, :2].round(6).tolist(),
        }


def _resource(name: str) -> str:
    return (files("cli.page") / name).read_text(encoding="utf-8")


def _script() -> str:
    parts = ("numbers", "state", "charts", "marks", "hands")
    body = "\n".join(_resource(f"review_{part}.js") for part in parts)
    return f'"use strict";\n(function () {{\n{body}}})();\n'


def _compared(rows: Rows, reference: Reference) -> Array:
    """Give forward and right speed and height by the reference in each bin, (B, 3), NaN where it is silent."""
    velocity = reference.mean_velocity_m_s(rows.time_s, rows.high["interval"] * rows.per_bin)
    return np.column_stack([velocity[:, :2], reference.height_m(rows.time_s)])
