"""``groundpace calibrate``: estimate the values of a module file from recordings made for it."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli.board import BoardType
from cli.calibration_target import Target
from cli.help import Group
from cli.options import Decorator, WordChoice, dry_run_option, module_file_option, position_option
from cli.progress import Stages
from flow.choices import BEAMS, LENS_MODELS

if TYPE_CHECKING:
    from calib.boards import BoardKind

report_option: Decorator[Any] = click.option(
    "--report",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.html",
    help="The report page to write.  [default: beside the module file]",
)
"""``report``: a path, or None for the default."""


@click.group(
    cls=Group,
    order=("lens", "gyro", "alignment", "range"),
    short_help="Calibrate a module: lens, gyro, alignment, range sensor.",
)
def calibrate() -> None:
    """Calibrate a module: lens, gyro, alignment and range sensor, in this order.

    Each command writes its own section of the module file: values, one-sigmas and provenance. The other sections
    stay as they are. Each command also writes a report page. A new, repaired or crashed module needs all four;
    `groundpace accept` then compares it with limits.

    Take the propellers off before you begin.
    """


@calibrate.command(short_help="Lens, from images of a printed board.")
@click.argument("source", type=click.Path(path_type=Path))
@click.option("--board", type=BoardType(), required=True, help="The printed board, for example chessboard:9x6:0.025.")
@click.option(
    "--model",
    type=WordChoice(LENS_MODELS),
    default="pinhole",
    show_default=True,
    help="Lens model: pinhole up to a field of view of about 100 degrees, fisheye beyond.",
)
@module_file_option
@dry_run_option
@report_option
def lens(source: Path, board: BoardKind, model: Any, module: Path, dry_run: bool, report: Path | None) -> None:
    """Calibrate the lens from images of a printed board.

    SOURCE is a folder of images or a video. Take 15 or more views: tilted by 20 to 45 degrees in every direction,
    near and far, with the board in every corner of the image. `groundpace board` draws a board.

    \b
    Example:
      groundpace calibrate lens board-images --board chessboard:9x6:0.025 --model pinhole \
        --module fern-03.yaml
    """
    with Stages() as stages:
        from calib.lens import calibrate_lens
        from cli.page.lens import lens_facts, lens_page

        target = Target(module, "lens", dry_run, report)
        found = calibrate_lens(source, board, model, progress=stages.say)
    sections = {"camera": target.with_other_sigmas("camera", found.section())}
    target.finish(sections, lens_facts(found), found.remarks, partial(lens_page, found, target.name))


@calibrate.command("range", short_help="Range sensor, from readings at taped heights.")
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
@click.option(
    "--beam", type=WordChoice(BEAMS), help="Beam: wide for an ultrasonic cone, narrow for a laser; written too."
)
@click.option(
    "--air",
    type=click.FloatRange(-60, 80),
    metavar="C",
    help="Air temperature on the bench, degrees C, for an ultrasonic sensor; the scale then holds in that air.",
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

    TABLE.csv has the columns reference_m (taped) and range_m (read), and for an ultrasonic sensor the air
    temperature in air_temperature_c; --air gives one for all rows. A wide beam is assumed to be ultrasonic unless the
    module file says range.air_dependent: false. Take twenty readings at each of four or more heights, spread over the
    range in use. Stray echoes may stay in.

    \b
    Example:
      groundpace calibrate range taped-heights.csv --beam wide --air 20 --position -0.02,0,0.015 \
        --module fern-03.yaml
    """
    with Stages() as stages:
        from calib.ranging import calibrate_range
        from cli.page.sensors import range_facts, range_page

        target = Target(module, "range", dry_run, report)
        matters = target.is_air_dependent(beam)
        if air is not None and not matters:
            raise click.UsageError(
                "--air: a narrow beam is assumed to be light, whose readings do not depend on the air; for a narrow"
                " ultrasonic beam set range.air_dependent: true in the module file"
                if target.air_dependent_left_out
                else "--air: the module file says range.air_dependent: false; one of them is wrong"
            )
        found = calibrate_range(
            table,
            target.assumed_air_temperature_c,
            tape_sigma,
            air_temperature_c=air,
            air_dependent=matters,
            progress=stages.say,
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

    GYRO.csv has the columns time_s, gyro_x_rad_s, gyro_y_rad_s, gyro_z_rad_s. Warm the module up, lay it on
    something soft and do not touch it for ten minutes. One minute is the minimum.

    \b
    Example:
      groundpace calibrate gyro at-rest/gyro.csv --module fern-03.yaml
    """
    with Stages() as stages:
        from calib.gyro_noise import calibrate_gyro
        from cli.page.sensors import gyro_facts, gyro_page

        target = Target(module, "gyro", dry_run, report)
        found = calibrate_gyro(log, progress=stages.say)
    sections = {"gyro": target.with_other_sigmas("gyro", found.section())}
    target.finish(sections, gyro_facts(found), found.remarks, partial(gyro_page, found, target.name))


@calibrate.command(short_help="Camera-to-gyro rotation and time offset, from a recording turned by hand.")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--readout", is_flag=True, help="Estimate the rolling-shutter readout time too.")
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
    """Calibrate the rotation and the time offset between camera and gyro.

    RECORDING is a folder with video.* and gyro.csv. Hold the module in the hand over a floor with texture, and turn
    it briskly back and forth about all three axes for twenty seconds. No range log is needed. Calibrate the lens
    first.

    The gyro bias is estimated as well. It is written unless the module file holds a consistent one with a smaller
    sigma. With --readout the readout time of a rolling shutter is estimated and written. Give --readout for every
    rolling shutter whose camera.readout_s is unknown: otherwise rotation and time offset stay uncertain.

    \b
    Example:
      groundpace calibrate alignment hand-turned --readout --position 0.03,-0.01,0.02 \
        --module fern-03.yaml
    """
    with Stages() as stages:
        from calib.alignment import calibrate_alignment
        from cli.page.alignment import alignment_facts, alignment_page
        from flow.recording import open_recording

        target = Target(module, "alignment", dry_run, report)
        target.needs_lens()
        opened = open_recording(recording, module, needs_range=False, check_overlap=False)
        found = calibrate_alignment(opened, readout=readout, progress=stages.say)
    sections, remarks = {"alignment": dict(found.section())}, found.remarks
    if position is not None:
        sections["alignment"]["camera_position_m"] = position
    if target.surer_bias(found.bias_rad_s.tolist(), found.bias_sigma_rad_s.tolist()):
        remarks += ("The gyro bias of the module file is consistent and has a smaller sigma: it stays.",)
    else:
        sections["gyro"] = found.gyro_section()
    if readout:
        sections["camera"] = found.camera_section()
    elif "readout_s" not in opened.module.camera.model_fields_set:
        remarks += ("camera.readout_s is unknown and assumed to be 0; give --readout for a rolling shutter.",)
    page = partial(alignment_page, found, target.name, remarks)
    target.finish(sections, alignment_facts(found), remarks, page)
