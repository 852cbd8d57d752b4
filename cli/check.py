"""``groundpace check``: the verdict on a recording before it is measured."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.text import Text

from cli.console import print_table, print_text, result_console
from cli.options import json_option, module_option
from cli.progress import Stages

if TYPE_CHECKING:
    from rich.console import Console

    from calib.fitness import Estimate, Finding, Fitness

_WORDS = {"stop": "[bold red]STOP[/]", "care": "[yellow]care[/]", "note": "note"}
_SHOWN = {"s": ("ms", 1e3), "rad": ("°", 57.29577951), "rad/s": ("mrad/s", 1e3), "px": ("px", 1.0), "1": ("", 1.0)}
_LOOK = 4.0


@click.command(short_help="Say whether a recording is fit to be measured.")
@click.argument("recording", type=click.Path(path_type=Path))
@module_option
@json_option
@click.pass_context
def check(ctx: click.Context, recording: Path, module: Path | None, as_json: bool) -> None:
    """Say whether a recording is fit to be measured.

    Examines frame times, images, gyro and range by themselves and together: does the rotation of the image agree
    with the gyro, axis by axis? Time offset, mounting, gyro bias, readout and focal length are estimated again from
    the flight and compared with the module file. A sample of the flight is measured; where most of its rows are
    refused, check names the value that explains it. Each finding says when, what it does to the speed, and what to
    do. Exit 0: fit; 1: the speed log would not be trustworthy, or the recording cannot be read.

    \b
    Example:
      groundpace check flight-07 --module fern-03.yaml && groundpace measure flight-07 --module fern-03.yaml
    """
    bar = ctx.with_resource(Stages())
    import flow
    from calib.fitness import check_recording

    opened = flow.open_recording(recording, module)
    with bar.frames("following the ground", opened.frame_count) as advance:
        found = check_recording(opened, watch=lambda _: advance())
    bar.finish()
    if as_json:
        click.echo(json.dumps(found.as_dict(), indent=2, allow_nan=False))
    else:
        _show(found)
    ctx.exit(0 if found.fit else 1)


def _show(found: Fitness) -> None:
    console = result_console()
    for topic, what in _facts(found.facts):
        print_text(console, what, label=f"{topic:<9} ")
    print_text(console, "")
    _show_estimates(console, found.estimates)
    for line in _untold(found.estimates):
        print_text(console, line)
    print_text(console, "")
    for finding in found.findings:
        _show_finding(console, finding)
    print_text(console, Text.from_markup(_verdict(found)))
    for line in _reach(found):
        print_text(console, line[10:], label=line[:10])


def _verdict(found: Fitness) -> str:
    stops, cares, notes = (sum(f.severity == word for f in found.findings) for word in _WORDS)
    parts = [f"{cares} to take care of"] * (cares > 0) + [f"{notes} to note"] * (notes > 0)
    others = ", ".join(parts)
    if found.fit:
        nothing = ", nothing found" + " in what is observable" * bool(found.untold)
        return f"[green]fit to be measured[/]{': ' + others if others else nothing}"
    makes = "1 finding makes" if stops == 1 else f"{stops} findings make"
    return f"[bold red]not fit[/]: {makes} the speed log untrustworthy{'; ' + others if others else ''}"


def _reach(found: Fitness) -> list[str]:
    """Say what the verdict rests on, and what it is silent about."""
    lines = [
        f"checked   frames, images, gyro and range; compared with the flight: {', '.join(found.told) or 'no value'}"
    ]
    if found.untold:
        names = ", ".join(figure.figure for figure in found.untold)
        lines.append(
            f"open      {names}: the module file alone stands for {'it' if len(found.untold) == 1 else 'them'}"
        )
        lines += [f"to do     {way}" for way in dict.fromkeys(figure.fly for figure in found.untold)]
    return lines


def _show_finding(console: Console, finding: Finding) -> None:
    when = "all along" if finding.when_s is None else f"{finding.when_s[0]:.2f} to {finding.when_s[1]:.2f} s"
    print_text(console, when, label=Text.from_markup(f"{_WORDS[finding.severity]}  {finding.topic:<9} "))
    for title, text in (("what", finding.what), ("speed", finding.effect), ("remedy", finding.remedy)):
        print_text(console, text, label=f"      {title:<9} ")


def _facts(facts: dict[str, dict[str, Any]]) -> list[tuple[str, str]]:
    from flow.wording import counted

    frames, picture, gyro, reading, flight = (facts[k] for k in ("frames", "picture", "gyro", "range", "flight"))
    accel = "with accelerometer" if gyro["accelerometer"] else "no accelerometer"
    rest = f"at rest {gyro['at_rest_s']:.1f} s" if gyro["at_rest_s"] else "never at rest"
    closely = (
        ""
        if flight["looked_at_s"] > 0.9 * frames["duration_s"]
        else f"; {flight['looked_at_s']:.0f} s looked at closely"
    )
    explained = flight["turning_explained"]
    explains = "" if explained is None else f"; the gyro explains {explained:.1%} of the rotation of the image"
    largest = max(gyro[f"largest_{axis}_rad_s"] for axis in "xyz")
    return [
        (
            "frames",
            f"{frames['count']} in {frames['duration_s']:.2f} s, {frames['nominal_hz']:.2f}/s nominal,"
            f" {frames['real_hz']:.2f}/s real; jitter {1000 * frames['jitter_s']:.2f} ms, longest step"
            f" {1000 * frames['longest_step_s']:.0f} ms, {frames['lost']} missing",
        ),
        (
            "picture",
            f"brightness {_or(picture['brightness_levels'], '{:.0f}')} of 255, {100 * (picture['clipped_share'] or 0):.1f} %"
            f" white; texture {_or(picture['gradient_levels_px'], '{:.1f} levels/px')}, detail"
            f" {_or(picture['detail_px'], '{:.1f} px')}, noise {_or(picture['noise_levels'], '{:.1f} levels')};"
            f" {counted(picture['copies'], 'copy', 'copies')}",
        ),
        (
            "gyro",
            f"{gyro['rate_hz']:.0f} samples/s, up to {largest:.2f} rad/s,"
            f" longest hole {1000 * gyro['longest_hole_s']:.0f} ms, {rest}, {accel}",
        ),
        (
            "range",
            f"{reading['rate_hz']:.0f} readings/s, {reading['lowest_m']:.2f} to {reading['highest_m']:.2f} m, noise"
            f" {_or(reading['noise_m'], '{:.4f} m')}, {100 * reading['stray_share']:.1f} % stray,"
            f" longest silence {reading['longest_silence_s']:.2f} s",
        ),
        (
            "flight",
            f"height {_or(flight['height_m'], '{:.2f} m')}, speed {_or(flight['speed_m_s'], '{:.2f} m/s')} RMS, rocking"
            f" {flight['rocking_rad_s']:.2f}, yawing {flight['yawing_rad_s']:.2f} rad/s RMS{explains}{closely}",
        ),
        (
            "sample",
            f"of {counted(flight['sample_rows'], 'row')} measured, {flight['sample_rows'] - flight['sample_refused']} have a speed",
        ),
    ]


def _or(value: float | None, form: str) -> str:
    return "unknown" if value is None else form.format(value)


def _show_estimates(console: Console, estimates: tuple[Estimate, ...]) -> None:
    titles = ("estimated again", "flight", "one-sigma", "module file", "one-sigma", "differ by")
    rows: list[tuple[str | Text, ...]] = []
    for estimate in estimates:
        if estimate.by_flight is None or estimate.sigma is None or estimate.sigmas is None:
            continue
        unit, factor = _SHOWN[estimate.unit]
        cells = (estimate.by_flight, estimate.sigma, estimate.by_module, estimate.module_sigma)
        differ = f"{abs(estimate.sigmas):.1f} sigma"
        mark = f"[yellow]{differ}[/]" if abs(estimate.sigmas) > _LOOK else differ
        quantity = f"{estimate.quantity}, {unit}" if unit else estimate.quantity
        rows.append((quantity, *(f"{factor * cell:.3f}" for cell in cells), Text.from_markup(mark)))
    print_table(console, titles, rows)


def _untold(estimates: tuple[Estimate, ...]) -> list[str]:
    reasons = dict.fromkeys(e.why_not for e in estimates if e.by_flight is None)
    return [
        f"not observable: {', '.join(e.quantity for e in estimates if e.by_flight is None and e.why_not == why)} ({why})"
        for why in reasons
    ]
