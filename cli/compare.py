"""``groundpace compare``: a speed log against a reference log."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.console import print_table, print_text, result_console
from cli.options import json_option
from cli.progress import note

if TYPE_CHECKING:
    from rich.console import Console

    from flow.accuracy.bins import Bin
    from flow.accuracy.comparison import AxisAccuracy, Comparison
    from flow.accuracy.worst import Moment

_SHOWN = 3


@click.command(short_help="Compare a speed log with a reference log.")
@click.argument("speed", type=click.Path(path_type=Path), metavar="SPEED.csv")
@click.argument("reference", type=click.Path(path_type=Path), metavar="REFERENCE.csv")
@click.option("--align", is_flag=True, help="Remove the time shift between the two logs before the comparison.")
@click.option(
    "--output", "-o", type=click.Path(path_type=Path), metavar="DIR",
    help="Folder for compare.html, a page with charts; it is created if it does not exist.",
)  # fmt: skip
@json_option
def compare(speed: Path, reference: Path, align: bool, output: Path | None, as_json: bool) -> None:
    """Compare a speed log with a reference log.

    SPEED.csv is the speed log that `groundpace measure` wrote. REFERENCE.csv has the columns time_s, forward_m_s,
    right_m_s, down_m_s, height_m on the gyro clock; its rate is free and it may have gaps. An error is log minus
    reference: a positive bias means that the log is too fast forward, to the right or downward. The 95 % band of a
    consistent log holds 95 % of the errors.

    \b
    Example:
      groundpace compare flight-07/speed/speed.csv flight-07/truth.csv --output flight-07/speed
    """
    from flow.accuracy.comparison import compare as compare_logs
    from flow.errors import DataError
    from flow.series import read_truth
    from flow.speedlog import read_speed_columns

    log, truth = read_speed_columns(speed), read_truth(reference)
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
    note(f"written: {page}")


def _show(found: Comparison, speed: Path) -> None:
    from flow.wording import counted

    console = result_console()
    shares = f"{found.rows_compared} of {counted(found.rows, 'row')} compared, {found.rows_usable} with a velocity"
    print_text(console, f"{shares}; {found.compared_s:.2f} s, {found.distance_m:.2f} m over the ground")
    print_text(console, _time_line(found))
    axes = {"forward": found.forward, "right": found.right, "down": found.down}
    titles = ("axis", "RMS m/s", "bias m/s", "scale error %", "drift m", "in 95 % band", "in 50 % band")
    print_table(console, titles, [(name, *_cells(axis)) for name, axis in axes.items()])
    if (height := found.height) is not None:
        banded = "" if height.share_95 is None else f", {100 * height.share_95:.1f} % in the 95 % band"
        print_text(console, f"height: RMS {height.rms_m:.4f} m, bias {height.bias_m:+z.4f} m{banded}")
    for name, axis in axes.items():
        if axis.too_narrow and axis.band_stretch is not None:
            print_text(console, f"band too narrow: {name}, 95 % would need {axis.band_stretch:.2f} times its width")
    _show_drift(console, found)
    for what, unit, bins in (("height", "m", found.by_height_m), ("speed", "m/s", found.by_speed_m_s)):
        if len(bins) > 1:
            _show_bins(console, f"{what} {unit}", bins)
    largest, farthest = found.largest_errors[:_SHOWN], found.farthest_outside[:_SHOWN]
    if largest == farthest:
        _show_moments(console, "largest errors, which are also the farthest outside the band", largest)
    else:
        _show_moments(console, "largest errors", largest)
        _show_moments(console, "farthest outside the band", farthest)
    if (review := speed.with_name("review.html")).is_file() and found.largest_errors:
        print_text(console, f"in the video: {review}#t={found.largest_errors[0].time_s:.3f} opens the first one")


def _show_drift(console: Console, found: Comparison) -> None:
    if found.drift_share is not None:
        print_text(console, f"drift: {100 * found.drift_share:.2f} % of the distance at the end")
    for drift in found.drift:
        if drift.level_rms_m is None or drift.worst_m is None or drift.worst_begin_s is None:
            print_text(console, f"drift in {drift.window_s:g} s: the compared rows cover no such interval")
            continue
        worst = f"at most {drift.worst_m:.3f} m, from {drift.worst_begin_s:.2f} s on"
        print_text(console, f"drift in {drift.window_s:g} s: {drift.level_rms_m:.4f} m RMS, {worst}")


def _show_bins(console: Console, title: str, bins: Sequence[Bin]) -> None:
    titles = (title, "rows", "level RMS m/s", "bias forward", "bias right", "scale error %")
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
    print_table(console, titles, rows)


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
    print_text(console, f"{title}:")
    print_table(console, ("time s", "forward m/s", "right m/s", "down m/s", "sigmas"), rows)


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

    return "unknown" if value is None or sigma is None else with_sigma(100 * value, 100 * sigma, signed=True)


def _time_line(found: Comparison) -> str:
    from flow.figures import with_sigma

    shift = found.time_shift
    if shift is None:
        return "time shift: not observable from this motion"
    state = "removed" if found.aligned else "not removed (--align removes it)"
    size, sigma = with_sigma(abs(1000 * shift.shift_s), 1000 * shift.sigma_s).split(" ± ")
    sign = "-" if shift.shift_s < 0 else "+"
    return f"time shift: log time {sign} {size} ms = reference time (one-sigma {sigma} ms), {state}"
