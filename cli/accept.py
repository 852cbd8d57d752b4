"""``groundpace accept``: the verdict on a module."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.markup import escape
from rich.text import Text

from cli.console import print_table, print_text, result_console
from cli.options import json_option
from cli.progress import note

if TYPE_CHECKING:
    from rich.console import Console

    from calib.acceptance import Acceptance, Check
    from calib.changes import Change

CAUTIONS = (
    "Take the propellers off while the module is on the bench.",
    "The verdict is about the module alone, not about floor, light or airframe; it is no proof of airworthiness.",
    "Test it over nobody, within local rules; this speed must not be an autopilot's only source.",
)


def _show_limits(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted:
        from calib.limits import limits_text

        click.echo(limits_text(), nl=False)
        ctx.exit()


@click.command(short_help="Say whether a calibrated module is fit for use.")
@click.option(
    "--module",
    type=click.Path(path_type=Path),
    metavar="FILE",
    required=True,
    help="The module file.",
)
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    metavar="OLD_FILE",
    help="An older module file; list what changed since.",
)
@click.option(
    "--limits",
    type=click.Path(path_type=Path),
    metavar="LIMITS.yaml",
    help="Your own limits, in place of the built-in ones.",
)
@click.option(
    "--show-limits", is_flag=True, is_eager=True, expose_value=False, callback=_show_limits,
    help="Print every limit with its reason, as a file to edit, and exit.",
)  # fmt: skip
@json_option
@click.pass_context
def accept(ctx: click.Context, module: Path, against: Path | None, limits: Path | None, as_json: bool) -> None:
    """Say whether a calibrated module is fit for use.

    Every section of the module file is compared with limits. The remaining uncertainties are propagated to a speed
    error, in a rocking hover and in a cruise, at several heights. A section that was never calibrated fails.
    Exit 0: fit; 1: not.

    \b
    After a crash, once the module is calibrated again:
      groundpace accept --module fern-03.yaml --against fern-03-before.yaml
    """
    from calib.acceptance import accept as judge
    from calib.limits import Limits, read_limits
    from flow.errors import DataError
    from flow.module import read_partial_module

    for path in (module, *((against,) if against else ())):
        if not path.exists():
            raise DataError("no such file; the calibrate commands make it", path=path)
    old = None if against is None else read_partial_module(against)
    verdict = judge(read_partial_module(module), read_limits(limits) if limits else Limits(), old)
    if as_json:
        click.echo(json.dumps(verdict.as_dict(), indent=2, allow_nan=False))
    else:
        _show(verdict)
    ctx.exit(0 if verdict.passed else 1)


def _show(verdict: Acceptance) -> None:
    console = result_console()
    for check in verdict.checks:
        _show_check(console, check)
    if verdict.speed_errors:
        _show_speed(console, verdict)
    if verdict.changes:
        print_text(console, "\nSince the old file:")
        for change in verdict.changes:
            _show_change(console, change)
    failed = sum(not check.passed for check in verdict.checks)
    count = len(verdict.checks)
    end = (
        f"[green]{{}} passes[/] all {count} checks"
        if verdict.passed
        else f"[bold red]{{}} fails[/] {failed} of {count} checks"
    )
    print_text(console, "")
    print_text(console, Text.from_markup(end.format(escape(verdict.name))))
    for caution in CAUTIONS:
        note(caution)


def _show_check(console: Console, check: Check) -> None:
    word = "[green]pass[/]" if check.passed else "[bold red]FAIL[/]"
    value = "" if check.value is None else f"{check.value:8.3g} {check.unit}, limit {check.limit:.3g}"
    print_text(console, f"{check.quantity:<36}{value}", label=Text.from_markup(f"{word}  {check.section:<9}  "))
    if not check.passed:
        print_text(console, check.why, label=f"{'':17}why     ")
        print_text(console, check.remedy, label=f"{'':17}remedy  ")


def _show_speed(console: Console, verdict: Acceptance) -> None:
    title = "Speed error that the calibration leaves, mm/s, one-sigma of a row, the worse horizontal axis:"
    print_text(console, "\n" + title)
    for flight in dict.fromkeys(error.flight for error in verdict.speed_errors):
        errors = [error for error in verdict.speed_errors if error.flight == flight]
        titles = [flight.name, *(f"{error.height_m:g} m" for error in errors)]
        rows = [
            (f"  {source.label}", *(f"{1000 * max(error.parts_m_s[source]):.1f}" for error in errors))
            for source in errors[0].parts_m_s
        ]
        rows.append(("  total", *(f"{1000 * error.total_m_s:.1f}" for error in errors)))
        print_table(console, titles, rows)
    if verdict.guessed:
        guessed = ", ".join(verdict.guessed)
        print_text(console, f"Never calibrated, so counted with default sigmas that may be too small: {guessed}.")
    print_text(console, "Height is the error of one range reading, unfiltered. The image noise adds to these errors.")


def _show_change(console: Console, change: Change) -> None:
    sigmas = "" if change.sigmas is None else f", {change.sigmas:.1f} sigma"
    mark = "[yellow]look[/]" if change.question else "same"
    label = Text.from_markup(f"{mark}  {change.section:<9}  ")
    print_text(console, f"{change.quantity}: {change.change}{sigmas}", label=label)
    if change.question:
        print_text(console, change.question, label=" " * 17)
