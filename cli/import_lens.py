"""``groundpace import-lens``: a lens calibrated elsewhere goes into the module file."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

from cli.options import WordChoice, dry_run_option, module_file_option
from flow.choices import LENS_MODELS


class _Size(click.ParamType[tuple[int, int]]):
    """Two whole numbers, ``WIDTHxHEIGHT``."""

    name = "size"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        found = re.fullmatch(r"(\d+)x(\d+)", str(value))
        if found is None:
            self.fail(f"{value!r} is not WIDTHxHEIGHT in pixels, for example 640x480", param, ctx)
        return int(found[1]), int(found[2])


@click.command("import-lens", short_help="Take over a lens that was calibrated elsewhere.")
@click.argument("source", metavar="LENS", type=click.Path(path_type=Path))
@module_file_option
@click.option("--model", type=WordChoice(LENS_MODELS), help="Only where LENS leaves it open.")
@click.option("--size", type=_Size(), metavar="WIDTHxHEIGHT", help="Size of the pictures, where LENS leaves it open.")
@dry_run_option
def import_lens(source: Path, module: Path, model: Any, size: tuple[int, int] | None, dry_run: bool) -> None:
    """Take over a lens that was calibrated elsewhere.

    LENS is a camera-info YAML file (camera_matrix, distortion_model plumb_bob or equidistant), or an OpenCV
    FileStorage file (YAML, XML or JSON). Only the camera section of the module file changes. Neither layout
    holds the rolling-shutter time or how sure the lens is: what the module file says of the shutter stays.

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
    click.echo(f"{lens['model']} lens of {lens['width_px']} x {lens['height_px']} px, {focal}", err=True)
    for remark in found.remarks:
        click.echo(f"note: {remark}", err=True)
    if dry_run:
        click.echo(section_diff(module, text), nl=False)
        click.echo(f"dry run: {module} stays as it is", err=True)
        return
    write_text(module, text)
    click.echo(f"written: camera in {module}", err=True)
