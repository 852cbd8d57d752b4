"""The review page of a measurement: why was the speed what it was at any moment."""

from __future__ import annotations

import base64
import json
import math
import shutil
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import ExitStack
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any, TypeAlias

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from cli.overlay import Overlay, PlayableVideo
from cli.page.report import Page, render
from cli.page.review_bins import packed, packed_times
from cli.page.review_findings import Finding, findings, shortened
from cli.page.review_path import CAUSES
from cli.page.review_range import Readings, range_readings
from cli.page.review_rows import NEWEST, SPREAD, FlightData, Rows
from cli.page.review_video import own_times_s
from cli.page.review_words import CAUTIONS, flight_facts, footer, module_tables, remarks, summary_sentence
from flow.accuracy.reference import Reference
from flow.disk.files import replacing
from flow.recording import Recording
from flow.result import FrameResult
from flow.row import REASONS
from flow.series import read_truth
from flow.video import Frame

Array: TypeAlias = NDArray[np.float64]

_BATCH = 16  # pictures encoded in a row: each change between encoding and measuring costs time
_MOST_PICTURES = 250_000  # in a video: an hour at 60 a second; its index is in memory until it is whole
_MARGIN_S = 1.0  # of samples before the first row and after the last
_LARGE_CLOCK_S = 10_000.0  # a clock that began long before the flight is shown from the flight on


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewPage(Page):
    """A page with what the review adds: ``data`` and ``points`` for the script, and the findings."""

    data: Markup
    points: str
    style: Markup
    script: Markup
    found: list[Finding]
    left_out: int
    video_words: str
    causes: list[str]
    has_reference: bool

    @property
    def needs_plotly(self) -> bool:
        """The charts are drawn by the page's own script."""
        return True


class Review:
    """Writes ``review.html``, its video where one is needed, and the overlay: a context manager around a measurement.

    Nothing is left behind when the measurement fails.

    Parameters
    ----------
    recording
        What is measured.
    output
        Folder of the results.
    overlay
        Whether to write ``overlay.mp4``.
    reference
        A reference log (the ``truth.csv`` columns) to draw beside the speed, or None.

    Raises
    ------
    DataError
        The reference cannot serve, or the folder cannot be written.
    """

    def __init__(
        self, recording: Recording, output: Path, *, overlay: bool = False, reference: Path | None = None
    ) -> None:
        self._recording = recording
        self._output = output
        self._reference_path = reference
        self._reference = None if reference is None else Reference(read_truth(reference))
        self._data = FlightData(recording)
        self._stack = ExitStack()
        self._own_s = own_times_s(recording)
        self._copy = PlayableVideo(output / "review.mp4", factor=23) if self._own_s is None else None
        self._overlay = PlayableVideo(output / "overlay.mp4") if overlay else None
        self._draw = Overlay(recording.module)
        self._one_in = -(-recording.frame_count // _MOST_PICTURES)
        self._taken = False
        self._frames: list[tuple[Frame, FrameResult | None]] = []
        self._worker = ThreadPoolExecutor(max_workers=1)
        self._encoded: Future[None] = Future()
        self._encoded.set_result(None)

    def __enter__(self) -> Review:
        self._stack.callback(self._worker.shutdown)  # called last; the videos are closed when their pictures are done
        for video in (self._copy, self._overlay):
            if video is not None:
                self._stack.enter_context(video)
        return self

    def watch(self, frame: Frame) -> None:
        """Take a frame, before the result that it ends."""
        self._taken = (self._copy is not None or self._overlay is not None) and self._is_shown(frame.index)
        if self._taken:
            if len(self._frames) == _BATCH:
                self._hand_over()
            self._frames.append((frame, None))

    def add(self, result: FrameResult) -> None:
        """Take a result."""
        self._data.add(result)
        if self._taken:
            self._frames[-1] = (self._frames[-1][0], result)

    def write(self, facts: Mapping[str, Any]) -> None:
        """Write the page, which appears at the end of the context; ``facts`` is the summary as in ``summary.json``."""
        self._hand_over()
        self._encoded.result()
        if self._own_s is not None:
            copy = self._stack.enter_context(replacing(self._output / "review.mp4"))
            shutil.copyfile(self._recording.frames.path, copy)
        page = self._stack.enter_context(replacing(self._output / "review.html"))
        page.write_text(render(self.page(facts), "review.html"), encoding="utf-8", newline="\n")

    def _is_shown(self, index: int) -> bool:
        """Whether a frame is in the videos: of a very long recording some, among them each that the page shows points of."""
        last = index == self._recording.frame_count - 1
        return last or index % self._one_in == 0 or index % self._data.per_bin == 0

    def _hand_over(self) -> None:
        """Have the pictures so far encoded while the measurement goes on; wait for those before."""
        self._encoded.result()
        self._encoded = self._worker.submit(self._encode, self._frames)
        self._frames = []

    def _encode(self, frames: list[tuple[Frame, FrameResult | None]]) -> None:
        for frame, result in frames:
            if self._copy is not None:
                self._copy.write(frame.time_s, frame.luma)
            if self._overlay is not None:
                self._overlay.write_planes(frame.time_s, self._draw.draw(frame.luma, result))

    def page(self, facts: Mapping[str, Any]) -> ReviewPage:
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
            video_words=self._video_words(),
            causes=[cause.replace("_", " ") for cause in CAUSES],
            has_reference=compared is not None,
        )

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        wait([self._encoded])
        return self._stack.__exit__(kind, error, trace)

    def _video_words(self) -> str:
        if self._copy is None:
            return "the recording's own video"
        some = f", one picture in {self._one_in}" if self._one_in > 1 else ""
        return f"a grey copy of the recording's video{some}"

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
            "reasons": {"ok": "the row vouches for its speed", **REASONS},
            "causes": list(CAUSES),
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
