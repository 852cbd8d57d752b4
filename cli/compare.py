"""``groundpace compare``: a speed log against a reference log."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.table import Table

from cli.options import json_option

if TYPE_CHECKING:
    from flow.accuracy.bins import Bin
    from flow.accuracy.comparison import AxisAccuracy, Comparison
    from flow.accuracy.worst import Moment

_SHOWN = 3


@click.command()
@click.argument("speed", type=click.Path(path_type=Path), metavar="SPEED.csv")
@click.argument("reference", type=click.Path(path_type=Path), metavar="REFERENCE.csv")
@click.option("--align", is_flag=True, help="Take the time shift between the two logs out before comparing.")
@click.option(
    "--output", type=click.Path(path_type=Path), metavar="DIR",
    help="Write compare.html there, a page with charts; the folder is made if need be.",
)  # fmt: skip
@json_option
def compare(speed: Path, reference: Path, align: bool, output: Path | None, as_json: bool) -> None:
    """Hold a speed log against a reference log.

    SPEED.csv is what `groundpace measure` wrote; REFERENCE.csv has the columns time_s, forward_m_s,
    right_m_s, down_m_s, height_m on the gyro clock, at any rate and with gaps. Errors are log minus reference:
    a bias above zero reads too fast forward, to the right or downward. Of an honest log, 95 % of the errors
    lie inside the 95 % band.

    \b
    Example:
      groundpace compare flight-07/speed/speed.csv flight-07/truth.csv --output flight-07/speed
    """
    from flow.accuracy.comparison import compare as compare_logs
    from flow.errors import DataError
    from flow.series import read_truth
    from flow.speedlog import read_speed_log

    log, truth = read_speed_log(speed), read_truth(reference)
    try:
        found = compare_logs(log, truth, align=align)
    except DataError as error:
        raise DataError(f"against {reference}: {error.problem}", path=speed) from None
    if output is not None:
        _write_page(found, speed, reference, output / "compare.html")
    if as_json:
        files = {"speed": str(speed), "reference_file": str(reference)}
        click.echo(json.dumps({**files, **found.as_dict()}, indent=2, allow_nan=False))
    else:
        _show(found, speed)


def _write_page(found: Comparison, speed: Path, reference: Path, page: Path) -> None:
    from cli.page.comparison import comparison_page
    from cli.page.report import render
    from flow.disk.files import write_text

    write_text(page, render(comparison_page(found, speed, reference, page.parent)))
    click.echo(f"written {page}", err=True)


def _show(found: Comparison, speed: Path) -> None:
    console = Console(highlight=False, markup=False, emoji=False, soft_wrap=True)
    shares = f"{found.rows_compared} of {found.rows} rows compared, {found.rows_usable} give a velocity"
    console.print(f"{shares}; {found.compared_s:.2f} s, {found.distance_m:.2f} m over the ground")
    console.print(_time_line(found))
    axes = {"forward": found.forward, "right": found.right, "down": found.down}
    titles = ("RMS m/s", "bias m/s", "scale error %", "drift m", "in 95 % band", "in 50 % band")
    console.print(_table("axis", titles, [(name, *_cells(axis)) for name, axis in axes.items()]))
    if (height := found.height) is not None:
        banded = "" if height.share_95 is None else f", {100 * height.share_95:.1f} % in the 95 % band"
        console.print(f"height: RMS {height.rms_m:.4f} m, bias {height.bias_m:+z.4f} m{banded}")
    for name, axis in axes.items():
        if axis.too_narrow and axis.band_stretch is not None:
            console.print(f"band too narrow: {name}, 95 % would need {axis.band_stretch:.2f} times its width")
    _show_drift(console, found)
    for what, unit, bins in (("height", "m", found.by_height_m), ("speed", "m/s", found.by_speed_m_s)):
        if len(bins) > 1:
            console.print(_bin_table(f"{what} {unit}", bins))
    largest, farthest = found.largest_errors[:_SHOWN], found.farthest_outside[:_SHOWN]
    if largest == farthest:
        _show_moments(console, "largest errors, which are also the farthest outside the band", largest)
    else:
        _show_moments(console, "largest errors", largest)
        _show_moments(console, "farthest outside the band", farthest)
    if (review := speed.with_name("review.html")).is_file() and found.largest_errors:
        console.print(f"in the video: {review}#t={found.largest_errors[0].time_s:.3f} opens the first one")


def _show_drift(console: Console, found: Comparison) -> None:
    if found.drift_share is not None:
        console.print(f"drift: {100 * found.drift_share:.2f} % of the distance at the end")
    for drift in found.drift:
        if drift.level_rms_m is None or drift.worst_m is None or drift.worst_begin_s is None:
            console.print(f"drift in {drift.window_s:g} s: the compared rows cover no such stretch")
            continue
        worst = f"at most {drift.worst_m:.3f} m, from {drift.worst_begin_s:.2f} s on"
        console.print(f"drift in {drift.window_s:g} s: {drift.level_rms_m:.4f} m RMS, {worst}")


def _bin_table(title: str, bins: Sequence[Bin]) -> Table:
    titles = ("rows", "level RMS m/s", "bias forward", "bias right", "scale error %")
    rows = [
        (
            f"{b.low:g} to {b.high:g}",
            f"{b.rows}",
            f"{math.hypot(b.forward.rms_m_s, b.right.rms_m_s):.4f}",
            f"{b.forward.bias_m_s:+z.4f}",
            f"{b.right.bias_m_s:+z.4f}",
            _percent(b.scale_error, b.scale_error_sigma),
        )
        for b in bins
    ]
    return _table(title, titles, rows)


def _show_moments(console: Console, title: str, moments: Sequence[Moment]) -> None:
    if not moments:
        return
    rows = [
        (
            f"{m.time_s:.3f}",
            *(f"{e:+z.4f}" for e in (m.forward_error_m_s, m.right_error_m_s, m.down_error_m_s)),
            "" if m.sigmas is None else f"{m.sigmas:.1f}",
        )
        for m in moments
    ]
    console.print(f"{title}:")
    console.print(_table("time s", ("forward m/s", "right m/s", "down m/s", "sigmas"), rows))


def _table(first: str, titles: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(first, no_wrap=True)
    for title in titles:
        table.add_column(title, justify="right", no_wrap=True)
    for row in rows:
        table.add_row(*row)
    return table


def _cells(axis: AxisAccuracy) -> list[str]:
    return [
        f"{axis.rms_m_s:.4f}",
        f"{axis.bias_m_s:+z.4f}",
        _percent(axis.scale_error, axis.scale_error_sigma),
        f"{axis.drift_m:+z.3f}",
        f"{100 * axis.share_95:.1f} %",
        f"{100 * axis.share_50:.1f} %",
    ]


def _percent(value: float | None, sigma: float | None) -> str:
    from flow.figures import with_sigma

    return "not seen" if value is None or sigma is None else with_sigma(100 * value, 100 * sigma, signed=True)


def _time_line(found: Comparison) -> str:
    from flow.figures import with_sigma

    shift = found.time_shift
    if shift is None:
        return "time shift: the motion cannot tell"
    state = "taken out" if found.aligned else "not taken out (--align does)"
    size, sigma = with_sigma(abs(1000 * shift.shift_s), 1000 * shift.sigma_s).split(" ± ")
    sign = "-" if shift.shift_s < 0 else "+"
    return f"time shift: log time {sign} {size} ms = reference time (one-sigma {sigma} ms), {state}"
