"""``groundpace measure``: a recording becomes a speed log."""

from __future__ import annotations

import json
import time
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
def measure(recording: Path, module: Path | None, output: Path | None) -> None:
    """Turn a recording into a metric speed log.

    RECORDING is a folder with video.*, gyro.csv, range.csv and, unless --module names it, module.yaml.
    Writes speed.csv (a row for each pair of frames) and summary.json. A row that cannot be trusted has no
    velocity, and its status says why.

    \b
    Example:
      groundpace measure sample_video/flight --output flight-speed
    """
    import flow
    from flow.files import write_text
    from flow.speedlog import SpeedLogWriter, Summary

    opened = flow.open_recording(recording, module)
    output = output or recording / "measured"
    summary = Summary()
    began = time.perf_counter()
    with SpeedLogWriter(output / "speed.csv") as log, frames_progress(opened.frame_count - 1) as advance:
        for result in flow.measure(opened):
            log.write(result.row)
            summary.add(result.row)
            advance()
        facts = summary.as_dict()
        facts["recording"] = str(recording)
        facts["module"] = opened.module.name
        facts["processing_s"] = round(time.perf_counter() - began, 3)
        facts["times_real_time"] = round(facts["duration_s"] / facts["processing_s"], 2)
        write_text(output / "summary.json", json.dumps(facts, indent=2) + "\n")
    _show(facts, output)


def _show(facts: dict[str, Any], output: Path) -> None:
    say = Console(stderr=True, highlight=False, soft_wrap=True).print
    usable = facts["share_usable"]
    say(f"{facts['duration_s']:.1f} s of flight, {facts['rows']} rows, {100 * usable:.1f} % with a speed to trust")
    for word, held in facts["status"].items():
        if word != "ok":
            say(f"  {held['rows']} rows {word}: {held['meaning']}")
    if facts["rows_usable"]:
        sigma = facts["median_sigma_m_s"]
        say(f"speed     mean {facts['mean_speed_m_s']:.2f} m/s, top {facts['top_speed_m_s']:.2f} m/s")
        say(f"one-sigma forward {1000 * sigma['forward']:.1f} mm/s, right {1000 * sigma['right']:.1f} mm/s (median row)")
        say(f"path      {facts['distance_m']:.2f} m in the {facts['covered_s']:.1f} s that have a speed")
    if facts["lowest_height_m"] is not None:
        say(f"height    {facts['lowest_height_m']:.2f} to {facts['highest_height_m']:.2f} m")
    say(f"took {facts['processing_s']:.1f} s: {facts['times_real_time']:.1f} times real time")
    say(f"written: {output / 'speed.csv'}, {output / 'summary.json'}")
