"""``groundpace calibrate``: find what the module file holds."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli.board import BoardType
from cli.calibration_target import Target, telling
from cli.options import Decorator, dry_run_option, module_file_option

if TYPE_CHECKING:
    from calib.boards import BoardKind

report_option: Decorator[Any] = click.option(
    "--report",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.html",
    help="Where the report goes.  [default: beside the module file]",
)
"""``report``: a path, or None for the default."""


class _Position(click.ParamType[list[float]]):
    """Three metres, ``X,Y,Z``."""

    name = "position"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> list[float]:
        try:
            x, y, z = map(float, str(value).split(","))
        except ValueError:
            self.fail(f"{value!r} is not X,Y,Z in metres, for example 0.03,-0.01,0.02", param, ctx)
        return [x, y, z]


position_option: Decorator[Any] = click.option(
    "--position",
    type=_Position(),
    metavar="X,Y,Z",
    help="Where it sits, metres forward, right and down from the body origin, by ruler; written too.",
)
"""``position``: three numbers, or None to leave what the file has."""


@click.group(short_help="Find what the module file holds: lens, alignment, range, gyro.")
def calibrate() -> None:
    """Find what the module file holds.

    Each command rewrites its own section of the module file, with one-sigma of every value and where it came
    from, keeps the rest as it is, and writes a report page. A module that was swapped or crashed needs, in
    this order: lens, gyro, alignment, range; then `groundpace accept`.

    Take the propellers off before you begin.
    """


@calibrate.command(short_help="The lens, from pictures of a printed board.")
@click.argument("source", type=click.Path(path_type=Path))
@click.option("--board", type=BoardType(), required=True, help="What is printed, for example chessboard:9x6:0.025.")
@click.option(
    "--model",
    type=click.Choice(["pinhole", "fisheye"]),
    default="pinhole",
    show_default=True,
    help="How the lens maps: pinhole up to about 100 degrees of view, fisheye beyond.",
)
@module_file_option
@dry_run_option
@report_option
def lens(source: Path, board: BoardKind, model: Any, module: Path, dry_run: bool, report: Path | None) -> None:
    """Calibrate the lens from pictures of a printed board.

    SOURCE is a folder of pictures or a video: 15 or more views, tilted 20 to 45 degrees every way, near and
    far, in every corner of the picture. `groundpace board` draws a board.

    \b
    Example:
      groundpace calibrate lens board-pictures --board chessboard:9x6:0.025 --model pinhole --module
      fern-03.yaml
    """
    from calib.lens import calibrate_lens
    from cli.page.lens import lens_facts, lens_page

    target = Target(module, "lens", dry_run, report)
    with telling() as say:
        found = calibrate_lens(source, board, model, progress=say)
    sections = {"camera": target.with_other_sigmas("camera", found.section())}
    target.finish(sections, lens_facts(found), found.remarks, partial(lens_page, found, target.name))


@calibrate.command("range", short_help="The range sensor, from readings at taped heights.")
@click.argument("table", type=click.Path(path_type=Path), metavar="TABLE.csv")
@click.option(
    "--tape-sigma",
    type=click.FloatRange(min=0, max=0.1),
    default=1e-3,
    show_default=True,
    metavar="M",
    help="One-sigma of a taped height, in metres.",
)
@position_option
@click.option("--beam", type=click.Choice(["wide", "narrow"]), help="Ultrasonic cone or laser; written too.")
@click.option(
    "--air",
    type=click.FloatRange(-60, 80),
    metavar="C",
    help="Air temperature on the bench, degrees C, of an ultrasonic sensor; the scale then holds in that air.",
)
@module_file_option
@dry_run_option
@report_option
def range_(
    table: Path,
    tape_sigma: float,
    position: list[float] | None,
    beam: str | None,
    air: float | None,
    module: Path,
    dry_run: bool,
    report: Path | None,
) -> None:
    """Calibrate the range sensor from readings at taped heights.

    TABLE.csv has the columns reference_m (taped), range_m (read) and, for an ultrasonic sensor, the air's
    temperature in air_temperature_c; --air gives one for all. A wide beam is taken to be ultrasonic unless the
    module file says range.air_dependent: false. Twenty readings at each of four or more heights, spread over the
    range in use, are good. Stray echoes may stay in.

    \b
    Example:
      groundpace calibrate range taped-heights.csv --beam wide --air 20 --position -0.02,0,0.015 --module fern-03.yaml
    """
    from calib.ranging import calibrate_range
    from cli.page.sensors import range_facts, range_page

    target = Target(module, "range", dry_run, report)
    matters = target.is_air_dependent(beam)
    if air is not None and not matters:
        raise click.UsageError(
            "--air: a narrow beam is taken to be light, whose readings do not depend on the air; for a narrow ultrasonic"
            " beam set range.air_dependent: true in the module file"
            if target.air_dependent_left_out
            else "--air: the module file says range.air_dependent: false; one of them is wrong"
        )
    with telling() as say:
        found = calibrate_range(
            table,
            target.assumed_air_temperature_c,
            tape_sigma,
            air_temperature_c=air,
            air_dependent=matters,
            progress=say,
        )
    stated = {key: value for key, value in (("beam", beam), ("position_m", position)) if value is not None}
    sections = {"range": target.with_other_sigmas("range", found.section()) | stated}
    target.finish(sections, range_facts(found), found.remarks, partial(range_page, found, target.name))


@calibrate.command(short_help="Gyro bias and noise, from a log at rest.")
@click.argument("log", type=click.Path(path_type=Path), metavar="GYRO.csv")
@module_file_option
@dry_run_option
@report_option
def gyro(log: Path, module: Path, dry_run: bool, report: Path | None) -> None:
    """Calibrate gyro bias and noise from a log at rest.

    GYRO.csv has the columns time_s, gyro_x_rad_s, gyro_y_rad_s, gyro_z_rad_s. Lay the module on something
    soft, warmed up, untouched, for ten minutes; a minute is the least.

    \b
    Example:
      groundpace calibrate gyro at-rest/gyro.csv --module fern-03.yaml
    """
    from calib.gyro_noise import calibrate_gyro
    from cli.page.sensors import gyro_facts, gyro_page

    target = Target(module, "gyro", dry_run, report)
    with telling() as say:
        found = calibrate_gyro(log, progress=say)
    sections = {"gyro": target.with_other_sigmas("gyro", found.section())}
    target.finish(sections, gyro_facts(found), found.remarks, partial(gyro_page, found, target.name))


@calibrate.command(short_help="Mounting and clock of the camera, from a recording turned by hand.")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--readout", is_flag=True, help="Find the rolling-shutter time too.")
@position_option
@module_file_option
@dry_run_option
@report_option
def alignment(
    recording: Path,
    readout: bool,
    position: list[float] | None,
    module: Path,
    dry_run: bool,
    report: Path | None,
) -> None:
    """Find how the camera sits on the gyro, and how late its clock is.

    RECORDING is a folder with video.* and gyro.csv: the module held in the hand over any floor with texture and
    turned briskly about all three axes, back and forth, for twenty seconds. It needs no range. The lens must be
    calibrated already. The gyro bias found on the way is written too, unless the module file holds one that
    agrees and is surer; with --readout so is the rolling-shutter time of the camera. Give --readout whenever the
    shutter rolls and camera.readout_s is not known: without it mounting and clock stay vague.

    \b
    Example:
      groundpace calibrate alignment hand-turned --readout --position 0.03,-0.01,0.02 --module fern-03.yaml
    """
    from calib.alignment import calibrate_alignment
    from cli.page.alignment import alignment_facts, alignment_page
    from flow.recording import open_recording

    target = Target(module, "alignment", dry_run, report)
    target.needs_lens()
    with telling() as say:
        opened = open_recording(recording, module, needs_range=False, check_overlap=False)
        found = calibrate_alignment(opened, readout=readout, progress=say)
    sections, remarks = {"alignment": dict(found.section())}, found.remarks
    if position is not None:
        sections["alignment"]["camera_position_m"] = position
    if target.surer_bias(found.bias_rad_s.tolist(), found.bias_sigma_rad_s.tolist()):
        remarks += ("The gyro bias of the module file agrees and is surer: it stays.",)
    else:
        sections["gyro"] = found.gyro_section()
    if readout:
        sections["camera"] = found.camera_section()
    elif "readout_s" not in opened.module.camera.model_fields_set:
        remarks += ("camera.readout_s is not known and was taken as 0; if the shutter rolls, give --readout.",)
    page = partial(alignment_page, found, target.name, remarks)
    target.finish(sections, alignment_facts(found), remarks, page)
