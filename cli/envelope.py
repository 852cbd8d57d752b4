"""``groundpace envelope``: what a module can measure at each height."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli.console import print_table, print_text, result_console
from cli.options import Decorator, json_option
from cli.progress import Stages, note

if TYPE_CHECKING:
    from flow.budget.conditions import Conditions
    from flow.budget.envelope import Flying, Reach
    from flow.budget.variants import Variant

_POSITIVE = click.FloatRange(min=0, min_open=True)


def _number(name: str, kind: click.ParamType[Any], default: float, unit: str, text: str) -> Decorator[Any]:
    """Option with a number, whose default is shown."""
    return click.option(name, type=kind, default=default, show_default=True, metavar=unit, help=text)


def _heights(_: click.Context, __: click.Parameter, text: str) -> tuple[float, ...]:
    try:
        heights = tuple(sorted({float(part) for part in text.split(",")}))
    except ValueError:
        raise click.BadParameter(f"{text!r}: expected metres, separated by commas, such as 0.5,1,2") from None
    if not all(0.05 <= height <= 100 for height in heights):
        raise click.BadParameter("expected heights from 0.05 to 100 m")
    return heights


@click.command(short_help="Predict what a module can measure at each height.")
@click.option(
    "--module", metavar="FILE", required=True,
    help="The module file, or one of the examples small, large and fisheye.",
)  # fmt: skip
@click.option(
    "--heights", default="0.3,0.5,1,2,4,8", show_default=True, metavar="M,M,...", callback=_heights,
    help="Heights above the ground, m.",
)  # fmt: skip
@_number("--fps", click.FloatRange(1, 1000), 60, "HZ", "Frames per second.")
@_number("--exposure", click.FloatRange(0, 0.5), 0.002, "S", "Exposure of each row, s.")
@_number("--noise", click.FloatRange(0, 100), 1.5, "LEVELS", "One-sigma of a pixel, grey levels.")
@_number(
    "--gradient", _POSITIVE, 6, "LEVELS_PX",
    "Contrast of the ground: RMS brightness gradient, grey levels per pixel. Gravel in daylight 4 to 8, trodden soil 3.",
)  # fmt: skip
@_number("--speed", click.FloatRange(0, 100), 2, "M_S", "Speed of the cruise, m/s.")
@_number("--rocking", click.FloatRange(0, 20), 3, "DEG", "Amplitude of rocking in roll and pitch, degrees.")
@_number("--rocking-rate", _POSITIVE, 1, "HZ", "Frequency of the rocking, Hz.")
@click.option(
    "--try", "tries", multiple=True, metavar="KEY=VALUE",
    help="Add a variant for comparison. KEY is fps, exposure, noise, gradient, a key of the camera section (fx_px "
    "changes fy_px as well) or section.key of the module file. Commas join changes; give it once for each variant.",
)  # fmt: skip
@click.option(
    "--output", "-o", type=click.Path(path_type=Path), metavar="DIR",
    help="Folder for envelope.html, with charts, and envelope.csv; it is created if it does not exist.",
)  # fmt: skip
@json_option
def envelope(
    module: str, heights: tuple[float, ...], tries: tuple[str, ...], output: Path | None, as_json: bool, **options: Any
) -> None:
    """Predict what a module can measure at each height.

    The prediction needs the module file only. For each height it gives the ground in view, the highest speed that
    can be tracked and its limiting cause, the lowest speed that differs significantly from a standstill, and the
    expected error in a hover and in a cruise with the dominant cause. It helps to choose a lens and a frame rate.

    \b
    Examples:
      groundpace envelope --module fern-03.yaml
      groundpace envelope --module fern-03.yaml --try fx_px=400 --try fps=90 --output fern-03-envelope
    """
    with Stages() as stages:
        from flow.budget.envelope import envelope as reaches
        from flow.budget.envelope import table_csv
        from flow.disk.files import write_text
        from flow.scene import find_module

        stages.say("predicting")
        conditions, flying = _conditions(**options)
        variants = _variants(tries, find_module(module), conditions)
        found = {v.name: reaches(v.module, v.conditions, flying, heights) for v in variants}
    if output is not None:
        from cli.page.envelope import envelope_page
        from cli.page.report import render

        page = envelope_page(variants[0].module.name, found, conditions, flying)
        write_text(output / "envelope.csv", table_csv(found))
        write_text(output / "envelope.html", render(page))
    if as_json:
        click.echo(json.dumps(_as_dict(variants[0], found, flying), indent=2, allow_nan=False))
    else:
        _show(found, conditions, flying)
    if output is not None:
        note(f"written: {output / 'envelope.html'}, {output / 'envelope.csv'}")


def _conditions(
    *, fps: float, exposure: float, noise: float, gradient: float, speed: float, rocking: float, rocking_rate: float
) -> tuple[Conditions, Flying]:
    import math

    from flow.budget.conditions import Conditions
    from flow.budget.envelope import Flying
    from flow.budget.image_noise import Texture

    texture = Texture(gradient_levels_px=gradient)
    conditions = Conditions(
        height_m=1.0, frame_rate_hz=fps, exposure_s=exposure, noise_levels=noise, texture=texture
    )  # fmt: skip
    return conditions, Flying(cruise_m_s=speed, rocking_rad=math.radians(rocking), rocking_hz=rocking_rate)


def _variants(tries: tuple[str, ...], module: Any, conditions: Conditions) -> list[Variant]:
    from flow.budget.variants import AS_IS, Variant, vary

    variants = [Variant(name=AS_IS, module=module, conditions=conditions)]
    for text in tries:
        try:
            variants.append(vary(text, module, conditions))
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="--try") from None
    return variants


def _as_dict(first: Variant, found: dict[str, tuple[Reach, ...]], flying: Flying) -> dict[str, Any]:
    def heights(reaches: tuple[Reach, ...]) -> list[dict[str, Any]]:
        return [
            {
                **reach.figures(),
                "hover_causes": [asdict(cause) for cause in reach.hover.causes] if reach.hover else [],
                "cruise_causes": [asdict(cause) for cause in reach.cruise.causes] if reach.cruise else [],
            }
            for reach in reaches
        ]

    conditions = {key: value for key, value in asdict(first.conditions).items() if key not in _REPLACED}
    return {
        "module": first.module.name,
        "conditions": conditions,
        "flying": asdict(flying),
        "variants": [{"name": name, "heights": heights(reaches)} for name, reaches in found.items()],
    }


_REPLACED = ("height_m", "speed_m_s", "rocking_rad", "rocking_hz")


def _show(found: dict[str, tuple[Reach, ...]], conditions: Conditions, flying: Flying) -> None:
    from cli.page import envelope as page

    console = result_console()
    tables = ((page.WIDE_TITLE, page.WIDE, page.wide_row), (page.FINE_TITLE, page.FINE, page.fine_row))
    for title, columns, row in tables:
        names, rows = page.side_by_side(columns, found, row)
        left = [k for k, name in enumerate(names) if name in ("", "mostly", "ends by")]
        print_text(console, f"{title}:")
        print_table(console, names, rows, left=left)
        print_text(console, "")
    for line in page.assumptions(conditions, flying):
        note(line)
