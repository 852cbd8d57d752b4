"""``groundpace compare``: a speed log against a reference log."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.table import Table

from cli.options import json_option

if TYPE_CHECKING:
    from flow.accuracy import AxisAccuracy, Comparison


@click.command()
@click.argument("speed", type=click.Path(path_type=Path), metavar="SPEED.csv")
@click.argument("reference", type=click.Path(path_type=Path), metavar="REFERENCE.csv")
@click.option("--align", is_flag=True, help="Take the time shift between the two logs out before comparing.")
@json_option
def compare(speed: Path, reference: Path, align: bool, as_json: bool) -> None:
    """Hold a speed log against a reference log.

    SPEED.csv is what `groundpace measure` wrote; REFERENCE.csv has the columns time_s, forward_m_s,
    right_m_s, down_m_s, height_m on the gyro clock. Errors are log minus reference: a bias above zero reads
    too fast forward, to the right or downward. Of an honest log, 95 % of the errors lie inside the 95 % band.

    \b
    Example:
      groundpace compare flight-07/speed/speed.csv flight-07/truth.csv
    """  # noqa: D301 - click reads the character
    from flow.accuracy import compare as compare_logs
    from flow.series import read_truth
    from flow.speedlog import read_speed_log

    found = compare_logs(read_speed_log(speed), read_truth(reference), align=align)
    if as_json:
        click.echo(json.dumps(found.as_dict(), indent=2, allow_nan=False))
    else:
        _show(found)


def _show(found: Comparison) -> None:
    console = Console(highlight=False, soft_wrap=True)
    shares = f"{found.rows_compared} of {found.rows} rows compared, {found.rows_usable} give a velocity"
    console.print(f"{shares}; {found.compared_s:.2f} s, {found.distance_m:.2f} m over the ground")
    console.print(_time_line(found))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("axis")
    for title in ("RMS m/s", "bias m/s", "scale error %", "drift m", "in 95 % band", "in 50 % band"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_row("forward", *_cells(found.forward))
    table.add_row("right", *_cells(found.right))
    table.add_row("down", *_cells(found.down))
    console.print(table)
    if (height := found.height) is not None:
        banded = "" if height.share_95 is None else f", {100 * height.share_95:.1f} % in the 95 % band"
        console.print(f"height: RMS {height.rms_m:.4f} m, bias {height.bias_m:+.4f} m{banded}")
    if found.drift_share is not None:
        console.print(f"horizontal drift is {100 * found.drift_share:.2f} % of the distance")


def _cells(axis: AxisAccuracy) -> list[str]:
    scale = "not seen"
    if axis.scale_error is not None and axis.scale_error_sigma is not None:
        scale = f"{100 * axis.scale_error:+.2f} ± {100 * axis.scale_error_sigma:.2f}"
    return [
        f"{axis.rms_m_s:.4f}",
        f"{axis.bias_m_s:+.4f}",
        scale,
        f"{axis.drift_m:+.3f}",
        f"{100 * axis.share_95:.1f} %",
        f"{100 * axis.share_50:.1f} %",
    ]


def _time_line(found: Comparison) -> str:
    shift = found.time_shift
    if shift is None:
        return "time shift: the motion cannot tell"
    state = "taken out" if found.aligned else "not taken out (--align does)"
    size = f"{'+-'[shift.shift_s < 0]} {abs(1000 * shift.shift_s):.1f} ms"
    sigma = f"one-sigma {1000 * shift.sigma_s:.1f} ms"
    return f"time shift: log time {size} = reference time ({sigma}), {state}"
