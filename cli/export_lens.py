"""``groundpace export-lens``: the lens of a module file in a layout that other programs read."""

from __future__ import annotations

from pathlib import Path

import click

from cli.console import print_text, result_console
from cli.options import WordChoice
from cli.progress import note
from flow.choices import LENS_LAYOUTS


@click.command("export-lens", short_help="Write the lens of a module file for other programs.")
@click.argument("module", metavar="MODULE", type=click.Path(path_type=Path))
@click.option(
    "--to",
    "layout",
    type=WordChoice(LENS_LAYOUTS),
    required=True,
    help="The camera-info YAML layout, or OpenCV's FileStorage YAML.",
)
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The file to write.  [default: beside MODULE, NAME-camera-info.yaml or NAME-opencv.yaml]",
)
def export_lens(module: Path, layout: str, output: Path | None) -> None:
    """Write the lens of a module file for other programs.

    Neither layout has a place for the readout time of a rolling shutter, for one-sigmas or for provenance.

    \b
    Example:
      groundpace export-lens fern-03.yaml --to camera-info
    """
    from flow.disk.files import write_text
    from flow.errors import DataError
    from flow.lens_files import camera_info_text, file_storage_text
    from flow.module import read_module

    held = read_module(module)
    target = output or module.with_name(f"{module.stem}-{layout}.yaml")
    if target.exists() and target.resolve() == module.resolve():
        raise DataError("is the module file itself; give another name with --output", path=target)
    text = camera_info_text(held.camera, held.name) if layout == "camera-info" else file_storage_text(held.camera)
    write_text(target, text)
    behind = [key for key in ("readout_s", "sigma") if key in held.camera.model_fields_set]
    if behind:
        note(
            f"note: this layout has no place for {' and '.join(behind)}; only {module} holds {'it' if len(behind) == 1 else 'them'}"
        )
    print_text(result_console(), f"written: {target}")
