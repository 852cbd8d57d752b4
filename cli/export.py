"""``groundpace export``: a speed log for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from cli.console import print_text, result_console
from cli.options import WordChoice
from flow.choices import EXPORTS


@click.command(short_help="Write a speed log for other programs: MCAP, bag or Parquet.")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--to",
    "kind",
    type=WordChoice(EXPORTS),
    required=True,
    help="A ROS 2 MCAP file, a ROS 1 bag or a Parquet table.",
)
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The file to write.  [default: DIR/speed.mcap, speed.bag or speed.parquet]",
)
@click.option("--topic", default="/ground_speed", show_default=True, metavar="NAME", help="Topic of the messages.")
@click.option(
    "--frame",
    default="level_forward_left_up",
    show_default=True,
    metavar="NAME",
    help="frame_id of the messages; only the name changes, not the axes.",
)
def export(folder: Path, kind: Any, output: Path | None, topic: str, frame: str) -> None:
    """Write a speed log for other programs.

    DIR is the folder that `groundpace measure` wrote. An MCAP file or a bag gets one
    geometry_msgs/TwistWithCovarianceStamped message for each row with a velocity, and none for the others. The
    message holds the velocity of the body origin over the ground with its covariance, in level axes after ROS
    REP 103: x forward, y left, z up. The log has no angular rates; they are 0 with a variance of 1e6. A Parquet
    table gets every row, with the axes and columns of speed.csv. Time stamps are on the clock of the original
    recording where `groundpace import` noted it.

    Consecutive rows share the errors of height, lens and gyro. A filter that treats messages as independent
    measurements becomes overconfident. A speed measured offline is no proof that a craft may fly on it.

    \b
    Example:
      groundpace export flight-speed --to mcap
    """
    from flow.outlet import export_log
    from flow.wording import counted

    console = result_console()
    done = export_log(folder, kind, output=output, topic=topic, frame_id=frame)
    if kind == "parquet":
        print_text(console, counted(done.written, "row"))
    else:
        without = done.rows - done.written
        left_out = f"; {counted(without, 'row')} without a velocity left out" if without else ""
        print_text(console, f"{counted(done.written, 'message')} on {topic}{left_out}")
    if done.zero_ns is None:
        print_text(console, "time stamps are those of gyro.csv: no other clock is noted")
    else:
        zero_s = done.zero_ns * 1e-9
        print_text(console, f"time stamps are on the original clock, {zero_s:.6f} s at time 0 of the log")
    print_text(console, f"written: {done.path}")
