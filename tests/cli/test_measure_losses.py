"""What fails beside the speed log costs that file alone: the log is complete, one line says what was lost, exit code 1."""

from __future__ import annotations

import errno
import json
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import pytest

from cli.expendable import Expendable
from cli.overlay import PlayableVideo
from flow.errors import DataError
from flow.speedlog import read_speed_columns
from tests.cli.short_flight import held, measured, run

LOG = {"speed.csv", "track.csv", "fused.csv", "summary.json"}
PAGE, VIDEO, OVERLAY = "review.html", "review.mp4", "overlay.mp4"


def breaks(error: BaseException, after: int = 0) -> Callable[..., Any]:
    """Give a function that fails when it has been called more than so often."""
    calls = iter(range(after))

    def broken(*_: Any, **__: Any) -> Any:
        if next(calls, None) is None:
            raise error

    return broken


# By name: what is broken, after how many calls, and the files that this costs.
PLACES: dict[str, tuple[str, int, set[str]]] = {
    "the review at its making": ("cli.page.review.Review.__init__", 0, {PAGE, VIDEO, OVERLAY}),
    "a frame": ("cli.page.review.Review.watch", 0, {PAGE, VIDEO, OVERLAY}),
    "a result": ("cli.page.review.Review.add", 30, {PAGE, VIDEO, OVERLAY}),
    "the end": ("cli.page.review.Review.write", 0, {PAGE, VIDEO, OVERLAY}),
    "a frame's data": ("cli.page.review_rows.FlightData.add", 10, {PAGE}),
    "the page's data": ("cli.page.review_rows.FlightData.finish", 0, {PAGE}),
    "the findings": ("cli.page.review_page.findings", 0, {PAGE}),
    "the template": ("cli.page.review_page.render", 0, {PAGE}),
    "the reference at the end": ("cli.page.review_page._compared", 0, {PAGE}),
    "the copy of the video": ("cli.overlay.PlayableVideo.write", 20, {VIDEO}),
    "the encoder": ("cli.overlay.PlayableVideo.write_planes", 40, {VIDEO, OVERLAY}),
    "the drawing": ("cli.overlay.Overlay.draw", 0, {OVERLAY}),
    "the track": ("flow.anchoring.track_log.TrackLogWriter.write", 5, {"track.csv"}),
    "the filter": ("flow.fusion.fuse.FusedLog.add", 5, {"fused.csv"}),
    "the smoother": ("flow.fusion.fuse.FusedLog.finish", 0, {"fused.csv"}),
}


@pytest.mark.parametrize("place", PLACES)
def test_a_failure_beside_the_log_costs_its_file_alone(
    recording: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    target, after, lost = PLACES[place]
    output = recording / "measured"
    output.mkdir()
    for name in (PAGE, VIDEO, OVERLAY, *LOG):
        (output / name).write_text("of an earlier run\n")
    monkeypatch.setattr(target, breaks(KeyError("light"), after))
    result = run("rec", "--overlay", "--reference", "rec/truth.csv")
    assert result.exit_code == 1, result.output
    assert held(output).keys() == (LOG | {PAGE, VIDEO, OVERLAY}) - lost
    assert not [name for name, text in held(output).items() if text == b"of an earlier run\n"]
    assert len(read_speed_columns(output / "speed.csv").time_s) == 65
    assert json.loads((output / "summary.json").read_text())["rows"] == 65
    told = [line for line in result.stderr.splitlines() if line.startswith("groundpace: ")]
    assert {name for line in told for name in lost if name in line} == lost
    for line in told:
        assert re.fullmatch(
            r"groundpace: \S.* not written: KeyError: 'light' at \w+\.py:\d+; this is a defect of groundpace, please "
            r"report it; the speed log is complete",
            line,
        ), line
    assert "Traceback" not in result.output
    written = next(line for line in result.stdout.splitlines() if line.startswith("written"))
    assert not any(name in written for name in lost)


def test_a_video_that_fails_when_it_is_already_in_its_place_goes(
    recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = PlayableVideo.__exit__

    def closed_and_broken(self: PlayableVideo, *how: Any) -> None:
        whole(self, *how)
        raise RuntimeError("late")

    monkeypatch.setattr(PlayableVideo, "__exit__", closed_and_broken)
    result = run("rec", "--overlay")
    assert result.exit_code == 1
    assert held(recording / "measured").keys() == LOG | {PAGE}
    assert result.stderr.count("RuntimeError: late at test_measure_losses.py") == 2  # one a file


def test_a_full_disk_is_no_defect(recording: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    monkeypatch.setattr("cli.page.review_page.render", breaks(full))
    result = run("rec")
    assert result.exit_code == 1 and "defect" not in result.stderr
    assert re.search(r"review.html not written: .*No space left on device.*make room", result.stderr)
    assert held(recording / "measured").keys() == {*LOG, VIDEO}


def test_the_page_says_that_its_video_could_not_be_written(recording: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cli.overlay.PlayableVideo.write", breaks(RuntimeError("no encoder")))
    run("rec")
    assert "missing: review.mp4 could not be written" in (recording / "measured" / PAGE).read_text()


def test_an_interrupt_while_the_page_is_made_keeps_the_log_and_no_stale_page(
    recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    measured("rec")
    (recording / "measured" / PAGE).write_text("of an earlier run\n")
    monkeypatch.setattr("cli.page.review_page.render", breaks(KeyboardInterrupt()))
    assert run("rec").exit_code == 130
    left = held(recording / "measured").keys()
    assert left >= LOG and PAGE not in left and not [name for name in left if name.startswith(".")]


def test_a_failure_of_the_log_itself_leaves_all_as_it_was(recording: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    measured("rec", "--overlay")
    before = held(recording)
    monkeypatch.setattr("flow.speedlog.SpeedLogWriter.write", breaks(DataError("stop", path="speed.csv"), 9))
    result = run("rec", "--overlay")
    assert (result.exit_code, result.stderr) == (1, "groundpace: speed.csv: stop\n")
    assert held(recording) == before


# The guard itself


class Guarded:
    """Notes how it ends."""

    def __init__(self, *, broken_at_the_end: bool = False) -> None:
        self.ended_with: list[object] = []
        self._broken = broken_at_the_end

    def __enter__(self) -> Guarded:
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self.ended_with.append(kind)
        if self._broken:
            raise OSError(errno.EIO, "lost")


def stop(_: Guarded) -> NoReturn:
    raise ValueError("of two\nlines")


def test_the_first_exception_ends_it_and_is_told_in_one_line() -> None:
    inner = Guarded()
    with Expendable(["a.csv", "b.csv"], lambda: inner) as guard:
        assert guard.run(lambda _: 3) == 3
        assert guard.run(stop) is None
        assert inner.ended_with == [ValueError]
        assert guard.run(lambda _: pytest.fail("it has ended")) is None
    assert inner.ended_with == [ValueError]
    assert guard.loss is not None and guard.loss.is_defect
    assert str(guard.loss).startswith(
        "a.csv and b.csv not written: ValueError: of two lines at test_measure_losses.py:"
    )


def test_a_failure_on_closing_is_a_loss_and_no_defect_where_the_disk_fails() -> None:
    with Expendable(["a.csv"], lambda: Guarded(broken_at_the_end=True)) as guard:
        assert not guard.close()
    assert guard.loss is not None and not guard.loss.is_defect
    assert "a.csv not written: cannot be written (lost)" in str(guard.loss)


def test_what_passes_by_ends_it_too() -> None:
    inner = Guarded()
    with pytest.raises(KeyboardInterrupt), Expendable(["a.csv"], lambda: inner):
        raise KeyboardInterrupt
    assert inner.ended_with == [KeyboardInterrupt]


def test_bad_data_at_the_beginning_passes() -> None:
    def make() -> Guarded:
        raise DataError("no such file", path="truth.csv")

    with pytest.raises(DataError), Expendable(["a.csv"], make):
        pass
