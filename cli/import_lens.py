"""``groundpace import-lens``: a lens calibrated elsewhere goes into the module file."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

from cli.console import print_text, result_console
from cli.options import WordChoice, dry_run_option, module_file_option
from cli.progress import note
from flow.choices import LENS_MODELS


class _Size(click.ParamType[tuple[int, int]]):
    """Two whole numbers, ``WIDTHxHEIGHT``."""

    name = "size"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        found = re.fullmatch(r"(\d+)x(\d+)", str(value))
        if found is None:
            self.fail(f"{value!r} is not WIDTHxHEIGHT in pixels, for example 640x480", param, ctx)
        return int(found[1]), int(found[2])


@click.command("import-lens", short_help="Import the lens of a calibration made elsewhere.")
@click.argument("source", metavar="LENS", type=click.Path(path_type=Path))
@module_file_option
@click.option("--model", type=WordChoice(LENS_MODELS), help="Lens model, where LENS does not state it.")
@click.option("--size", type=_Size(), metavar="WIDTHxHEIGHT", help="Size of the images, where LENS does not state it.")
@dry_run_option
def import_lens(source: Path, module: Path, model: Any, size: tuple[int, int] | None, dry_run: bool) -> None:
    """Import the lens of a calibration made elsewhere.

    LENS is a camera-info YAML file (camera_matrix, distortion_model plumb_bob or equidistant) or an OpenCV
    FileStorage file (YAML, XML or JSON). Only the camera section of the module file changes. Neither layout holds
    the readout time of a rolling shutter or one-sigmas; the module file keeps its own readout time.

    \b
    Example:
      groundpace import-lens front_camera.yaml --module fern-03.yaml
    """
    from calib.foreign_lens import lens_from_file
    from flow.disk.files import write_text
    from flow.module import read_partial_module, section_diff, section_update

    found = lens_from_file(source, read_partial_module(module), model=model, size_px=size)
    text = section_update(module, "camera", found.section)
    lens = found.section
    focal = f"focal length {lens['fx_px']:.2f} and {lens['fy_px']:.2f} px"
    console = result_console()
    print_text(console, f"{lens['model']} lens of {lens['width_px']} x {lens['height_px']} px, {focal}")
    for remark in found.remarks:
        print_text(console, remark, label="note: ")
    if dry_run:
        click.echo(section_diff(module, text), nl=False)
        note(f"dry run: {module} stays as it is")
        return
    write_text(module, text)
    print_text(console, f"written: camera in {module}")
