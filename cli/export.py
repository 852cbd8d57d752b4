"""``groundpace export``: a speed log for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

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
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Where it goes.  [default: DIR/speed.mcap, speed.bag or speed.parquet]",
)
@click.option("--topic", default="/ground_speed", show_default=True, metavar="NAME", help="Topic of the messages.")
@click.option(
    "--frame",
    default="level_forward_left_up",
    show_default=True,
    metavar="NAME",
    help="Their frame_id; a name only, the axes stay.",
)
def export(folder: Path, kind: Any, output: Path | None, topic: str, frame: str) -> None:
    """Write a speed log for other programs.

    DIR is what `groundpace measure` wrote. An MCAP file or a bag gets a
    geometry_msgs/TwistWithCovarianceStamped message for each row that has a velocity, none for the others: the
    velocity of the body origin over the ground in level axes after ROS REP 103, x where the nose points, y left,
    z up, with its covariance. The log holds no turn rates: they are 0 with a variance of 1e6. Parquet gets every
    row, in the axes and columns of speed.csv. Stamps are on the clock of the original recording where
    `groundpace import` noted it.

    Neighbouring rows share height, lens and gyro, and so their errors: a filter that takes each message for a
    fresh measurement becomes too sure. A speed made offline is no proof that a craft may fly on it.

    \b
    Example:
      groundpace export flight-speed --to mcap
    """
    from flow.outlet import export_log

    done = export_log(folder, kind, output=output, topic=topic, frame_id=frame)
    if kind == "parquet":
        click.echo(f"{done.written} rows", err=True)
    else:
        left_out = f"; {done.rows - done.written} rows have no velocity and are left out"
        click.echo(f"{done.written} messages on {topic}{left_out if done.written < done.rows else ''}", err=True)
    if done.zero_ns is None:
        click.echo("stamps are the times of gyro.csv: nothing notes another clock", err=True)
    else:
        click.echo(f"stamps are on the original clock, {done.zero_ns * 1e-9:.6f} s at time 0 of the log", err=True)
    click.echo(f"written: {done.path}", err=True)
