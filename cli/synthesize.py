"""``groundpace synthesize``: a synthetic recording with exact truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli.board import BoardType
from cli.console import print_text, result_console
from cli.options import Decorator, WordChoice, WordOr
from cli.progress import Stages
from flow.choices import CODECS, GROUNDS, MOTIONS, SAMPLE_MODULES

if TYPE_CHECKING:
    from calib.boards import BoardKind

# Written out, so that --help costs no import of the renderer; a test holds them against the library's.
_POSITIVE = click.FloatRange(min=0, min_open=True)
_NOT_NEGATIVE = click.FloatRange(min=0)
_SHARE = click.FloatRange(0, 0.9)


def _number(name: str, kind: click.ParamType[Any], default: float | None, unit: str, text: str) -> Decorator[Any]:
    """Option with a number, whose default is shown."""
    return click.option(name, type=kind, default=default, show_default=default is not None, metavar=unit, help=text)


@click.command(short_help="Make a synthetic recording with exact truth.")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--motion", type=WordChoice(MOTIONS), default="hover", show_default=True, help="Motion of the craft.")
@click.option(
    "--ground",
    type=WordOr(GROUNDS, "IMAGE"),
    default="gravel",
    show_default=True,
    help="The ground.",
)
@_number("--ground-size", _POSITIVE, None, "M", "Width of IMAGE on the ground, m.")
@_number("--duration", click.FloatRange(0.5, 3600), 10, "S", "Duration of the logs, s.")
@_number("--height", click.FloatRange(0.1, 50), 1, "M", "Height at the start, m.")
@_number(
    "--speed",
    click.FLOAT,
    None,
    "M_S",
    "Forward or up, m/s.  [default: 0.5; slider 0.05, climb 0.2]",
)
@_number("--tilt", click.FloatRange(-45, 45), 0, "DEG", "Constant nose-down pitch, degrees.")
@_number("--yaw-rate", click.FLOAT, None, "DEG_S", "Constant yaw rate, degrees/s.  [default: 0; yaw 30]")
@_number("--gusts", _NOT_NEGATIVE, None, "X", "Strength of gusts.  [default: 1 for hover and tour, else 0]")
@_number(
    "--vibration",
    click.FloatRange(20, 500),
    None,
    "HZ",
    "Propeller vibration: roll and pitch by 0.1 degrees at this frequency, Hz.  [default: none]",
)
@_number("--fps", click.FloatRange(1, 1000), 60, "HZ", "Frames per second.")
@_number("--jitter", _NOT_NEGATIVE, 0, "S", "One-sigma jitter of the frame times, s.")
@_number("--exposure", click.FloatRange(0, 0.5), 0.002, "S", "Exposure of each row, s.")
@_number("--noise", _NOT_NEGATIVE, 1.5, "LEVELS", "One-sigma of a pixel at mid grey, grey levels.")
@click.option("--codec", type=WordChoice(CODECS), default="lossless", show_default=True, help="Video codec.")
@_number(
    "--quality",
    click.IntRange(0, 51),
    None,
    "N",
    "Rate factor of H.264 or quantizer scale of MJPEG.  [default: 23 or 3]",
)
@click.option("--frames-csv", is_flag=True, help="Write frame times and exposures to frames.csv as well.")
@click.option(
    "--module",
    type=WordOr(SAMPLE_MODULES, "FILE"),
    default="small",
    show_default=True,
    help="One of the examples (320 x 240, 640 x 480, 140 degrees wide) or a module file.",
)
@click.option("--attitude", is_flag=True, help="Write an attitude log.")
@_number("--air", click.FloatRange(-60, 60), 20, "C", "True air temperature, degrees C.")
@_number("--stray", _SHARE, 0, "SHARE", "Share of range readings that are stray echoes.")
@_number("--dropout", _SHARE, 0, "SHARE", "Share of range readings that are missing.")
@_number("--crate", _SHARE, 0, "SHARE", "Share of the view that a crossing crate covers in mid-flight.")
@_number("--seed", click.IntRange(0), 0, "N", "Random seed; the same seed gives the same bytes.")
@click.option(
    "--board", type=BoardType(), help="Make images of a calibration board in place of a flight; see `groundpace board`."
)
@_number("--views", click.IntRange(1, 999), 24, "N", "Number of images of the board.")
@click.option(
    "--bench",
    is_flag=True,
    help="Make bench logs in place of a flight: gyro.csv at rest and taped.csv of range readings.",
)
@click.option("--force", is_flag=True, help="Replace an existing recording.")
@click.pass_context
def synthesize(
    ctx: click.Context,
    /,
    folder: Path,
    force: bool,
    codec: Any,
    quality: int | None,
    frames_csv: bool,
    crate: float,
    board: BoardKind | None,
    views: int,
    bench: bool,
    **scene: Any,
) -> None:
    """Make a synthetic recording with exact truth.

    DIR becomes a recording: a video through the module's lens with a rolling shutter, gyro.csv, range.csv,
    module.yaml and truth.csv. An IMAGE of ground is repeated as tiles, each --ground-size wide.

    With --board, DIR gets images of that board for `calibrate lens`, the true poses in views.csv and the true lens
    in module.yaml; only --views, --module, --noise and --seed count. With --bench, DIR gets a gyro log of the
    module at rest, --duration long, for `calibrate gyro`, and readings at taped heights for `calibrate range`.

    \b
    Examples:
      groundpace synthesize hover --motion hover --height 1.5 --duration 20
      groundpace synthesize rail --motion slider --speed 0.02 --noise 2 --codec mjpeg
      groundpace synthesize pass --motion pass --speed 1 --tilt 5 --module fern-03.yaml --attitude
      groundpace synthesize board --board chessboard:9x6:0.025 --module large
      groundpace synthesize bench --bench --duration 600
    """
    bar = ctx.with_resource(Stages())
    from flow.scene import Encoding, Sheet, find_module, plan_scene, write_bench, write_views
    from flow.scene import synthesize as write_recording
    from flow.wording import counted

    if board is not None:
        bar.say("rendering the board")
        sheet = Sheet(kind=board.kind, columns=board.columns, rows=board.rows, size_m=board.size_m)
        module, noise, seed = find_module(scene["module"]), scene["noise"], scene["seed"]
        write_views(folder, module, sheet, count=views, noise_levels=noise, seed=seed, force=force)
        made = f"{counted(views, 'image')} of {board}"
    elif bench:
        bar.say("writing logs")
        module = find_module(scene["module"])
        write_bench(folder, module, duration_s=scene["duration"], seed=scene["seed"], force=force)
        made = "bench logs: gyro.csv, taped.csv"
    else:
        spec = plan_scene(**scene, crate_share=crate)
        encoding = Encoding(codec=codec, quality=quality, frames_csv=frames_csv)
        with bar.frames("rendering", len(spec.frame_times_s())) as advance:
            flown = write_recording(folder, spec, encoding, force=force, progress=advance)
        samples = (counted(len(flown.gyro.time_s), "gyro sample"), counted(len(flown.range.time_s), "range reading"))
        made = ", ".join([counted(len(flown), "frame"), *samples])
    bar.finish()
    print_text(result_console(), made)
    print_text(result_console(), f"written: {folder}")
