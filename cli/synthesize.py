"""``groundpace synthesize``: a synthetic recording with exact truth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from rich.console import Console

from cli.progress import frames_progress

# Written out, so that --help costs no import of the renderer; a test holds them against the library's.
_MOTIONS = ("hover", "pass", "climb", "yaw", "slider", "hand", "tour")
_CODECS = ("lossless", "ffv1", "mjpeg", "h264")
_PRESETS = ("small", "large", "fisheye")
_POSITIVE = click.FloatRange(min=0, min_open=True)
_NOT_NEGATIVE = click.FloatRange(min=0)
_SHARE = click.FloatRange(0, 0.9)


@click.command(short_help="Make a synthetic recording with exact truth.")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--motion", type=click.Choice(_MOTIONS), default="hover", show_default=True, help="What the craft does."
)
@click.option(
    "--ground",
    default="gravel",
    show_default=True,
    metavar="gravel|soil|paving|bare|PICTURE",
    help="The floor.",
)
@click.option("--ground-size", type=_POSITIVE, metavar="M", help="Width of PICTURE on the ground, m.")
@click.option(
    "--duration", type=click.FloatRange(0.5, 3600), default=10, show_default=True, metavar="S", help="s."
)
@click.option(
    "--height",
    type=click.FloatRange(0.1, 50),
    default=1,
    show_default=True,
    metavar="M",
    help="At the start, m.",
)
@click.option(
    "--speed",
    type=float,
    metavar="M_S",
    help="Forward (climb: upward), m/s.  [default: 0.5; slider 0.05, climb 0.2]",
)
@click.option(
    "--tilt",
    type=click.FloatRange(-45, 45),
    default=0,
    metavar="DEG",
    help="Constant nose-down lean, degrees.",
)
@click.option(
    "--yaw-rate", type=float, metavar="DEG_S", help="Constant turn, degrees/s.  [default: 0; yaw 30]"
)
@click.option(
    "--gusts",
    type=_NOT_NEGATIVE,
    metavar="X",
    help="Strength of gusts.  [default: 1 for hover and tour, else 0]",
)
@click.option(
    "--fps", type=click.FloatRange(1, 1000), default=60, show_default=True, help="Frames per second."
)
@click.option(
    "--jitter", type=_NOT_NEGATIVE, default=0, metavar="S", help="One-sigma of each frame's time, s."
)
@click.option(
    "--exposure", type=_NOT_NEGATIVE, default=0.002, show_default=True, metavar="S", help="Of each row, s."
)
@click.option(
    "--noise", type=_NOT_NEGATIVE, default=1.5, show_default=True, help="One-sigma at mid grey, grey levels."
)
@click.option(
    "--codec",
    type=click.Choice(_CODECS),
    default="lossless",
    show_default=True,
    help="How frames are stored.",
)
@click.option(
    "--quality",
    type=click.IntRange(0, 51),
    metavar="N",
    help="H.264 rate factor or MJPEG scale.  [default: 23; MJPEG 3]",
)
@click.option("--frames-csv", is_flag=True, help="Write frame times and exposures to frames.csv as well.")
@click.option(
    "--module",
    default="small",
    show_default=True,
    metavar="small|large|fisheye|FILE",
    help="A preset, or a module file.",
)
@click.option("--attitude", is_flag=True, help="Write an attitude log.")
@click.option(
    "--air",
    type=click.FloatRange(-60, 60),
    default=20,
    show_default=True,
    metavar="C",
    help="True air, deg C.",
)
@click.option("--stray", type=_SHARE, default=0, help="Share of range readings that are stray echoes.")
@click.option("--dropout", type=_SHARE, default=0, help="Share of range readings that are missing.")
@click.option(
    "--crate",
    "crate_share",
    type=_SHARE,
    default=0,
    help="Share of the view that a crate fills, which crosses in mid-flight.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=0, show_default=True, help="The same seed makes the same bytes."
)
@click.option("--force", is_flag=True, help="Replace a recording that is there already.")
def synthesize(
    folder: Path, force: bool, codec: Any, quality: int | None, frames_csv: bool, **wanted: Any
) -> None:
    """Make a synthetic recording with exact truth.

    DIR becomes a recording folder: a video seen through the module's lens with rolling rows, gyro.csv, range.csv,
    module.yaml and truth.csv. A picture as --ground is laid out in repetition, --ground-size wide.

    \b
    Examples:
      groundpace synthesize hover --motion hover --height 1.5 --duration 20
      groundpace synthesize rail --motion slider --speed 0.02 --noise 2 --codec mjpeg
      groundpace synthesize pass --motion pass --speed 1 --tilt 5 --module fern-03.yaml --attitude
    """  # noqa: D301 - click reads the character
    from flow.scene import Encoding, plan_scene
    from flow.scene import synthesize as write_recording

    spec = plan_scene(**wanted)
    encoding = Encoding(codec=codec, quality=quality, frames_csv=frames_csv)
    with frames_progress(len(spec.frame_times_s())) as advance:
        made = write_recording(folder, spec, encoding, force=force, progress=advance)
    say = Console(stderr=True, highlight=False, soft_wrap=True).print
    say(f"{len(made)} frames, {len(made.gyro.time_s)} gyro samples, {len(made.range.time_s)} range readings")
    say(f"written: {folder}")
