"""What a measurement shows beside its log: the review page, its video and the overlay, each made along the way."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any

from cli.expendable import Expendable, Loss
from cli.overlay import Overlay, PlayableVideo
from cli.page.review_page import ReviewWriter
from cli.page.review_video import own_times_s
from flow.accuracy.reference import Reference
from flow.disk.files import replacing
from flow.recording import Recording
from flow.result import FrameResult
from flow.series import read_truth
from flow.video import Frame

FILES = ("review.html", "review.mp4", "overlay.mp4")
"""All that a review may write."""

_BATCH = 16  # pictures encoded in a row: each change between encoding and measuring costs time
_MOST_PICTURES = 250_000  # in a video: an hour at 60 a second; its index is in memory until it is whole


class Review:
    """Writes ``review.html``, its video where one is needed, and the overlay: a context manager around a measurement.

    Each file is made under a guard of its own (:class:`cli.expendable.Expendable`): what goes wrong with one costs that
    one, and is found in :attr:`losses`. Nothing is left behind when the measurement fails.

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
        At the beginning: the reference cannot serve, or the folder cannot be written.
    """

    def __init__(
        self, recording: Recording, output: Path, *, overlay: bool = False, reference: Path | None = None
    ) -> None:
        self._recording = recording
        self._own_s = own_times_s(recording)
        known = None if reference is None else Reference(read_truth(reference))
        self._page: Expendable[ReviewWriter] = Expendable(
            ["review.html"],
            lambda: ReviewWriter(recording, output, own_video_s=self._own_s, reference=known, reference_path=reference),
        )
        self._copy: Expendable[PlayableVideo] | None = None
        self._original: Expendable[Path] | None = None
        if self._own_s is None:
            self._copy = Expendable(["review.mp4"], lambda: PlayableVideo(output / "review.mp4", factor=23))
        else:
            self._original = Expendable(["review.mp4"], lambda: replacing(output / "review.mp4"))
        self._overlay: Expendable[_OverlayVideo] | None = None
        if overlay:
            self._overlay = Expendable(["overlay.mp4"], lambda: _OverlayVideo(recording, output / "overlay.mp4"))
        self._guards = [each for each in (self._page, self._copy, self._original, self._overlay) if each is not None]
        self._stack = ExitStack()
        self._per_bin = 1
        self._one_in = -(-recording.frame_count // _MOST_PICTURES)
        self._taken = False
        self._frames: list[tuple[Frame, FrameResult | None]] = []
        self._worker = ThreadPoolExecutor(max_workers=1)
        self._encoded: Future[None] = Future()
        self._encoded.set_result(None)

    def __enter__(self) -> Review:
        with ExitStack() as entering:
            entering.callback(self._worker.shutdown)  # called last; the videos are closed when their pictures are done
            for guard in self._guards:
                entering.enter_context(guard)
            self._stack = entering.pop_all()
        self._per_bin = self._page.run(lambda page: page.per_bin) or 1
        return self

    @property
    def losses(self) -> list[Loss]:
        """What could not be made so far, and why."""
        return [guard.loss for guard in self._guards if guard.loss is not None]

    def watch(self, frame: Frame) -> None:
        """Take a frame, before the result that it ends."""
        self._taken = (self._copy is not None or self._overlay is not None) and self._is_shown(frame.index)
        if self._taken:
            if len(self._frames) == _BATCH:
                self._hand_over()
            self._frames.append((frame, None))

    def add(self, result: FrameResult) -> None:
        """Take a result."""
        self._page.run(lambda page: page.add(result))
        if self._taken:
            self._frames[-1] = (self._frames[-1][0], result)

    def write(self, facts: Mapping[str, Any]) -> None:
        """Finish the videos, then the page; they take their places. ``facts`` is the summary as in ``summary.json``."""
        self._hand_over()
        self._encoded.result()
        if self._original is not None:
            self._original.run(lambda copy: shutil.copyfile(self._recording.frames.path, copy))
        for guard in self._guards:
            if guard is not self._page:
                guard.close()
        self._page.run(lambda page: page.write(facts, self._video_words()))
        self._page.close()

    def _is_shown(self, index: int) -> bool:
        """Whether a frame is in the videos: of a very long recording some, among them each that the page shows points of."""
        last = index == self._recording.frame_count - 1
        return last or index % self._one_in == 0 or index % self._per_bin == 0

    def _hand_over(self) -> None:
        """Have the pictures so far encoded while the measurement goes on; wait for those before."""
        self._encoded.result()
        self._encoded = self._worker.submit(self._encode, self._frames)
        self._frames = []

    def _encode(self, frames: list[tuple[Frame, FrameResult | None]]) -> None:
        for frame, result in frames:
            if self._copy is not None:
                self._copy.run(partial(_write_plain, frame=frame))
            if self._overlay is not None:
                self._overlay.run(partial(_OverlayVideo.write, frame=frame, result=result))

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        wait([self._encoded])
        return self._stack.__exit__(kind, error, trace)

    def _video_words(self) -> str:
        video = self._copy or self._original
        if video is not None and video.loss is not None:
            return "missing: review.mp4 could not be written"
        if self._copy is None:
            return "the recording's own video"
        some = f", one frame in {self._one_in}" if self._one_in > 1 else ""
        return f"a grey copy of the recording's video{some}"


def _write_plain(video: PlayableVideo, *, frame: Frame) -> None:
    video.write(frame.time_s, frame.luma)


class _OverlayVideo:
    """Draws and encodes the overlay; a context manager."""

    def __init__(self, recording: Recording, path: Path) -> None:
        self._draw, self._video = Overlay(recording.module), PlayableVideo(path)

    def __enter__(self) -> _OverlayVideo:
        self._video.__enter__()
        return self

    def write(self, *, frame: Frame, result: FrameResult | None) -> None:
        """Append a frame with its result."""
        self._video.write_planes(frame.time_s, self._draw.draw(frame.luma, result))

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        return self._video.__exit__(kind, error, trace)
