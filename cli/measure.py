"""``groundpace measure``: a recording becomes a speed log."""

from __future__ import annotations

import json
import math
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from cli.options import module_option, output_option
from cli.progress import frames_progress


@click.command(short_help="Turn a recording into a metric speed log.")
@click.argument("recording", type=click.Path(path_type=Path))
@module_option
@output_option("RECORDING/measured")
@click.option("--fast", is_flag=True, help="Speed alone, without track.csv and fused.csv.")
@click.option("--overlay", is_flag=True, help="Write overlay.mp4 too: the video with what was measured drawn on it.")
@click.option(
    "--reference",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A reference log (the columns of truth.csv) to draw beside the speed on the review page.",
)
@click.option(
    "--start", type=click.FloatRange(min=0), metavar="S", help="Measure from here on, s since the first frame."
)
@click.option("--end", type=click.FloatRange(min=0), metavar="S", help="Measure up to here, s since the first frame.")
def measure(
    recording: Path,
    module: Path | None,
    output: Path | None,
    fast: bool,
    overlay: bool,
    reference: Path | None,
    start: float | None,
    end: float | None,
) -> None:
    """Turn a recording into a metric speed log.

    RECORDING is a folder with video.*, gyro.csv, range.csv and, unless --module names it, module.yaml.
    Writes speed.csv (a row for each pair of frames), track.csv (the position over ground since the start), fused.csv
    (speed and tilt with the accelerometer taken in, where gyro.csv has one), summary.json and review.html, a page that
    shows the video with what was measured in it and why. A row that cannot be trusted has no velocity, and its status
    says why.

    \b
    Example:
      groundpace measure sample_video/flight --output flight-speed
    """
    import flow
    from cli.page.review import Review
    from flow.anchoring.track_log import TrackLogWriter
    from flow.disk.files import replacing
    from flow.fusion import FusedLog
    from flow.speedlog import SpeedLogWriter, Summary

    opened = flow.open_recording(recording, module)
    if start is not None or end is not None:
        opened = opened.between(start, end)
    output = output or recording / "measured"
    summary, scale_sigma = Summary(), math.inf
    began = time.perf_counter()
    # All files are written aside and take their places together, when the last row is done.
    with ExitStack() as stack:
        summary_path = stack.enter_context(replacing(output / "summary.json"))
        log = stack.enter_context(SpeedLogWriter(output / "speed.csv"))
        track = None if fast else stack.enter_context(TrackLogWriter(output / "track.csv"))
        fused = None if fast else stack.enter_context(FusedLog(opened, output / "fused.csv"))
        review = stack.enter_context(Review(opened, output, overlay=overlay, reference=reference))
        with frames_progress(opened.frame_count - 1) as advance:
            for result in flow.measure(opened, positions=not fast, watch=review.watch):
                log.write(result.row)
                if track is not None and result.position is not None:
                    track.write(result.position)
                if fused is not None:
                    fused.add(result)
                summary.add(result.row)
                scale_sigma = min(scale_sigma, result.scale_sigma)
                review.add(result)
                advance()
        facts = summary.as_dict() | ({} if fused is None else fused.finish())
        facts["recording"] = str(recording)
        facts["module"] = opened.module.name
        facts["unstated_sigmas"] = list(opened.module.unstated_sigmas)
        # How well the accelerometer told that range scale and focal length hold: null without one.
        facts["speed_scale_sigma"] = round(scale_sigma, 4) if math.isfinite(scale_sigma) else None
        facts["processing_s"] = round(time.perf_counter() - began, 3)
        facts["times_real_time"] = round(facts["duration_s"] / max(facts["processing_s"], 1e-3), 2)
        log.flush()
        if track is not None:
            track.flush()
        review.write(facts)
        summary_path.write_text(json.dumps(facts, indent=2) + "\n", encoding="utf-8")
    # What an earlier run left and this one did not make would pass for its own.
    made = {"track.csv": not fast, "fused.csv": "fused" in facts, "overlay.mp4": overlay}
    for name in (name for name, new in made.items() if not new):
        (output / name).unlink(missing_ok=True)
    _show(facts, opened.module_path, output, [name for name, new in made.items() if new])


def _show(facts: dict[str, Any], module_path: Path, output: Path, beside: list[str]) -> None:
    from cli.page.review_words import untold_scale

    console = Console(stderr=True, highlight=False, markup=False, emoji=False, soft_wrap=True)

    def say(topic: str, what: str) -> None:
        console.print(f"{topic:<9} {what}")

    rows, usable = facts["rows"], facts["rows_usable"]
    share = "all" if usable == rows else "none" if usable == 0 else f"{usable} ({100 * usable / rows:.1f} %)"
    say("flight", f"{facts['duration_s']:.1f} s, {rows} rows; {share} with a speed to trust")
    for word, held in facts["status"].items():
        if word != "ok":
            say("", f"{held['rows']} {word}: {held['meaning']}")
    if 2 * facts["status"].get("contradictory", {"rows": 0})["rows"] > rows:
        say("", "are the gyro's unit (rad/s), signs and axes right, and the module's mounting and clock?")
    if usable:
        sigma = facts["median_sigma_m_s"]
        bands = f"{1000 * sigma['forward']:.1f} mm/s forward, {1000 * sigma['right']:.1f} mm/s right"
        say("speed", f"mean {facts['mean_speed_m_s']:.2f} m/s, top {facts['top_speed_m_s']:.2f} m/s")
        say("one-sigma", f"{bands} (median row)")
        say("path", f"{facts['distance_m']:.2f} m in the {facts['covered_s']:.1f} s that have a speed")
    if facts["lowest_height_m"] is not None:
        say("height", f"{facts['lowest_height_m']:.2f} to {facts['highest_height_m']:.2f} m")
    if usable and (untold := untold_scale(facts)):
        say("scale", untold)
    if facts["unstated_sigmas"]:
        missing = ", ".join(_IN_WORDS[key] for key in facts["unstated_sigmas"])
        say("bands", f"take a careful calibration for granted where {module_path} gives no sigma: {missing}")
    say("took", f"{facts['processing_s']:.1f} s, {facts['times_real_time']:.1f} times as fast as the flight")
    say("written", f"{output / 'speed.csv'}, beside it {', '.join([*beside, 'summary.json'])} and review.html")


_IN_WORDS = {
    "camera.sigma.fx_px": "focal length",
    "alignment.sigma.camera_to_body_rad": "mounting",
    "alignment.sigma.time_offset_s": "clock",
    "gyro.sigma.bias_rad_s": "gyro bias",
}
