"""``groundpace measure``: a recording becomes a speed log."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli.console import print_text, result_console
from cli.options import json_option, module_option, output_option, verbosity
from cli.progress import Stages, note

if TYPE_CHECKING:
    from cli.expendable import Loss
    from flow.recording import Recording
    from flow.result import FrameResult
    from flow.video import Frame


@click.command(short_help="Turn a recording into a metric speed log.")
@click.argument("recording", type=click.Path(path_type=Path))
@module_option
@output_option("RECORDING/measured")
@click.option("--fast", is_flag=True, help="Write the speed log only, without track.csv and fused.csv.")
@click.option("--overlay", is_flag=True, help="Write overlay.mp4 too: the video with matches and velocity drawn on it.")
@click.option(
    "--reference",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A reference log with the columns of truth.csv; the review page draws it beside the speed.",
)
@click.option(
    "--start", type=click.FloatRange(min=0), metavar="S", help="Measure from here on, s since the first frame."
)
@click.option("--end", type=click.FloatRange(min=0), metavar="S", help="Measure up to here, s since the first frame.")
@json_option
@click.pass_context
def measure(
    ctx: click.Context,
    recording: Path,
    module: Path | None,
    output: Path | None,
    fast: bool,
    overlay: bool,
    reference: Path | None,
    start: float | None,
    end: float | None,
    as_json: bool,
) -> None:
    """Turn a recording into a metric speed log.

    RECORDING is a folder with video.*, gyro.csv, range.csv and, unless --module is given, module.yaml.

    DIR gets speed.csv (a row for each pair of frames), track.csv (the position over the ground since the start),
    fused.csv (speed and tilt with the accelerometer, where gyro.csv has one), summary.json and review.html, a page
    that shows the video, the measurement and its causes of error. A row without a trustworthy velocity has empty
    cells, and its status gives the reason.

    \b
    Example:
      groundpace measure sample_video/flight --output flight-speed
    """
    bar = ctx.with_resource(Stages())
    import flow

    opened = flow.open_recording(recording, module)
    if start is not None or end is not None:
        opened = opened.between(start, end)
    output = output or recording / "measured"
    beside = _Beside(opened, output, fast=fast, overlay=overlay, reference=reference)
    facts = _write(opened, recording, output, beside, bar)
    bar.finish()
    written = _written(output, beside.made(facts))
    if as_json:
        click.echo(json.dumps(facts, indent=2, allow_nan=False))
        note(f"written: {written}")
    else:
        _show(facts, opened, written)
    if verbosity() > 0:
        from cli.page.review_words import longer_baseline

        note(f"baseline: {longer_baseline(facts)}")
    for loss in beside.losses:
        click.echo(f"groundpace: {loss}; the speed log is complete", err=True)
    if not facts["rows_usable"]:
        click.echo(f"groundpace: no row has a speed; `groundpace check {recording}` names the cause", err=True)
    if beside.losses or not facts["rows_usable"]:
        ctx.exit(1)


def _write(opened: Recording, recording: Path, output: Path, beside: _Beside, bar: Stages) -> dict[str, Any]:
    """Measure, write all files and give the summary.

    ``speed.csv`` and ``summary.json`` are written aside and take their places when the last row is done; a failure before
    that leaves an earlier result as it is. Everything else is guarded (:mod:`cli.expendable`): an exception in
    ``track.csv``, ``fused.csv``, the page, its video or the overlay costs that file alone. Page and videos take their
    places after the log, and those of an earlier run go before that: whatever happens then, none passes for this run's.
    """
    import flow
    from flow.disk.files import replacing
    from flow.speedlog import SpeedLogWriter, Summary

    summary, scale_sigma, longer = Summary(), math.inf, 0
    began = time.perf_counter()
    with ExitStack() as after_the_log:
        after_the_log.enter_context(_without_empty_folders(output))
        with ExitStack() as log_files:
            summary_path = log_files.enter_context(replacing(output / "summary.json"))
            log = log_files.enter_context(SpeedLogWriter(output / "speed.csv"))
            beside.enter(log_files, after_the_log)
            with bar.frames("measuring", opened.frame_count - 1) as advance:
                for result in flow.measure(
                    opened, positions=beside.keeps_positions, watch=beside.watch, on_first_pass=bar.first_pass
                ):
                    log.write(result.row)
                    summary.add(result.row)
                    scale_sigma = min(scale_sigma, result.scale_sigma)
                    longer += result.pair is not None
                    beside.add(result)
                    advance()
            bar.stage("smoothing and writing")
            facts = summary.as_dict() | beside.finish()
            facts |= {"rows_longer_baseline": longer}
            facts |= _circumstances(opened, recording, scale_sigma, time.perf_counter() - began, facts["duration_s"])
            log.flush()
            summary_path.write_text(json.dumps(facts, indent=2) + "\n", encoding="utf-8")
        beside.write(facts)
    beside.clear(facts)
    return facts


@contextmanager
def _without_empty_folders(output: Path) -> Iterator[None]:
    """Remove, after a failure, the folders that were made for ``output``: each writer leaves those that others still use."""
    missing = [folder for folder in (output, *output.parents) if not folder.exists()]
    try:
        yield
    except BaseException:
        for folder in missing:
            with suppress(OSError):  # not made, or somebody else's by now
                folder.rmdir()
        raise


class _Beside:
    """What is written beside ``speed.csv`` and ``summary.json``, each file under a guard."""

    def __init__(self, opened: Recording, output: Path, *, fast: bool, overlay: bool, reference: Path | None) -> None:
        from cli.expendable import Expendable
        from cli.page.review import FILES, Review
        from flow.anchoring.track_log import TrackLogWriter
        from flow.fusion import FusedLog

        self.keeps_positions = not fast
        self._output, self._of_the_page = output, FILES
        self._asked = [name for name in FILES if overlay or "overlay" not in name]
        self._track = Expendable(["track.csv"], lambda: TrackLogWriter(output / "track.csv"))
        self._fused = Expendable(["fused.csv"], lambda: FusedLog(opened, output / "fused.csv"))
        self._review = Expendable(self._asked, lambda: Review(opened, output, overlay=overlay, reference=reference))
        self.losses: list[Loss] = []
        """What could not be made, once all is written."""

    def enter(self, log_files: ExitStack, after_the_log: ExitStack) -> None:
        """Begin: what belongs to the log takes its place with ``log_files``, the rest with ``after_the_log``."""
        if self.keeps_positions:
            log_files.enter_context(self._track)
            log_files.enter_context(self._fused)
        after_the_log.enter_context(self._review)

    def watch(self, frame: Frame) -> None:
        """Take a frame, before the result that it ends."""
        self._review.run(lambda review: review.watch(frame))

    def add(self, result: FrameResult) -> None:
        """Take a result."""
        position = result.position
        if position is not None:
            self._track.run(lambda log: log.write(position))
        self._fused.run(lambda log: log.add(result))
        self._review.run(lambda review: review.add(result))

    def finish(self) -> dict[str, Any]:
        """End what belongs to the log; give what the summary says of it."""
        self._track.run(lambda log: log.flush())
        return self._fused.run(lambda log: log.finish()) or {}

    def write(self, facts: dict[str, Any]) -> None:
        """Write page and videos, now that the log is in its place."""
        for name in self._of_the_page:
            (self._output / name).unlink(missing_ok=True)
        self._review.run(lambda review: review.write(facts))
        self.losses = self._review.run(lambda review: review.losses) or []

    def clear(self, facts: dict[str, Any]) -> None:
        """Remove what an earlier run left and this one has not made: it would pass for its own."""
        self.losses += [each.loss for each in (self._track, self._fused, self._review) if each.loss is not None]
        for name in {"track.csv", "fused.csv", *self._of_the_page} - set(self.made(facts)):
            (self._output / name).unlink(missing_ok=True)

    def made(self, facts: dict[str, Any]) -> list[str]:
        """Name the files that were made, in the order of reading."""
        lost = {name for loss in self.losses for name in loss.files}
        track = ["track.csv"] if self.keeps_positions else []
        fused = ["fused.csv"] if "fused" in facts else []
        return [name for name in [*track, *fused, "summary.json", *reversed(self._asked)] if name not in lost]


def _circumstances(
    opened: Recording, recording: Path, scale_sigma: float, took_s: float, duration_s: float
) -> dict[str, Any]:
    """Say what was measured with what, and how long it took."""
    return {
        "recording": str(recording),
        "module": opened.module.name,
        "unstated_sigmas": list(opened.module.unstated_sigmas),
        "accelerometer": _logs_acceleration(opened),
        # How well the accelerometer confirmed range scale and focal length: null where no row could be compared with one.
        "speed_scale_sigma": round(scale_sigma, 4) if math.isfinite(scale_sigma) else None,
        "processing_s": round(took_s, 3),
        "times_real_time": round(duration_s / max(took_s, 1e-3), 2),
    }


def _logs_acceleration(opened: Recording) -> bool:
    """Whether the log begins with accelerations, as :func:`flow.measure` decides it."""
    import numpy as np

    accel_m_s2 = next(opened.gyro()).accel_m_s2
    return accel_m_s2 is not None and bool(np.isfinite(accel_m_s2).all(axis=1).any())


def _written(output: Path, made: list[str]) -> str:
    *most, last = [name for name in made if name != "review.mp4"]
    return f"{output / 'speed.csv'}, beside it {', '.join(most)}{' and ' if most else ''}{last}"


def _show(facts: dict[str, Any], opened: Recording, written: str) -> None:
    from cli.page.review_words import untold_scale
    from flow.wording import counted

    console = result_console()

    def say(topic: str, what: str) -> None:
        print_text(console, what, label=f"{topic:<9} ")

    rows, usable = facts["rows"], facts["rows_usable"]
    share = "all" if usable == rows else "none" if usable == 0 else f"{usable} ({100 * usable / rows:.1f} %)"
    say("flight", f"{facts['duration_s']:.1f} s, {counted(rows, 'row')}; {share} with a trustworthy velocity")
    for word, held in facts["status"].items():
        if word != "ok":
            say("", f"{held['rows']} {word}: {held['meaning']}")
    if 2 * facts["status"].get("contradictory", {"rows": 0})["rows"] > rows:
        say("", "check the gyro's unit (rad/s), signs and axes, and the module's mounting and time offset")
    if usable:
        sigma = facts["median_sigma_m_s"]
        bands = f"{1000 * sigma['forward']:.1f} mm/s forward, {1000 * sigma['right']:.1f} mm/s right"
        say("speed", f"mean {facts['mean_speed_m_s']:.2f} m/s, top {facts['top_speed_m_s']:.2f} m/s")
        say("one-sigma", f"{bands} (median row)")
        say("path", f"{facts['distance_m']:.2f} m in the {facts['covered_s']:.1f} s that have a velocity")
    if facts["lowest_height_m"] is not None:
        say("height", f"{facts['lowest_height_m']:.2f} to {facts['highest_height_m']:.2f} m")
    if usable and (untold := untold_scale(facts)):
        say("scale", untold)
    if facts["unstated_sigmas"]:
        missing = ", ".join(source.label for source in opened.module.unstated_sources)
        say("bands", f"assume a careful calibration where {opened.module_path} gives no sigma: {missing}")
    say("took", f"{facts['processing_s']:.1f} s, {facts['times_real_time']:.1f} times as fast as the flight")
    say("written", written)
