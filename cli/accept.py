"""``groundpace accept``: the verdict on a module."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.table import Table

from cli.options import json_option

if TYPE_CHECKING:
    from calib.acceptance import Acceptance

CAUTIONS = (
    "Take the propellers off while the module is on the bench.",
    "These figures are the module's own: they say nothing of floor, light or airframe, and are no airworthiness.",
    "Try it over nobody, within local rules; this speed must not be an autopilot's only source.",
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
    help="An older file: say what moved since.",
)
@click.option(
    "--limits",
    type=click.Path(path_type=Path),
    metavar="LIMITS.yaml",
    help="Your own limits.",
)
@click.option(
    "--show-limits", is_flag=True, is_eager=True, expose_value=False, callback=_show_limits,
    help="Print every limit with its reason, as a file to edit, and exit.",
)  # fmt: skip
@json_option
@click.pass_context
def accept(ctx: click.Context, module: Path, against: Path | None, limits: Path | None, as_json: bool) -> None:
    """Say whether a calibrated module is fit for use.

    Holds every section of the module file against limits, and tells the speed error that all leftover
    uncertainties add up to, in a hover that rocks and in a cruise, at several heights. A section that was
    never calibrated fails. Exit 0: fit; 1: not.

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
    console = Console(highlight=False, soft_wrap=True)
    for check in verdict.checks:
        word = "[green]pass[/]" if check.passed else "[bold red]FAIL[/]"
        figure = "" if check.value is None else f"{check.value:8.3g} {check.unit}, limit {check.limit:.3g}"
        console.print(f"{word}  {check.section:<9}  {check.quantity:<36}{figure}")
        if not check.passed:
            console.print(f"                 why     {check.why}")
            console.print(f"                 remedy  {check.remedy}")
    if verdict.speed_errors:
        _show_speed(console, verdict)
    if verdict.changes:
        _show_changes(console, verdict)
    failed = sum(not check.passed for check in verdict.checks)
    count = len(verdict.checks)
    end = f"[green]{verdict.name} passes[/] all {count} checks"
    console.print()
    console.print(end if verdict.passed else f"[bold red]{verdict.name} fails[/] {failed} of {count} checks")
    for caution in CAUTIONS:
        click.echo(caution, err=True)


def _show_speed(console: Console, verdict: Acceptance) -> None:
    console.print("\nSpeed error left by the calibration, mm/s, one sigma of a row, worse horizontal axis:")
    for flight in dict.fromkeys(error.flight for error in verdict.speed_errors):
        errors = [error for error in verdict.speed_errors if error.flight == flight]
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        table.add_column(flight.name, min_width=26)
        for error in errors:
            table.add_column(f"{error.height_m:g} m", justify="right", min_width=7)
        for source in errors[0].parts_m_s:
            table.add_row(f"  {source.label}", *(f"{1000 * max(error.parts_m_s[source]):.1f}" for error in errors))
        table.add_row("  in all", *(f"{1000 * error.total_m_s:.1f}" for error in errors))
        console.print(table)
    if verdict.guessed:
        guessed = ", ".join(verdict.guessed)
        console.print(f"Never calibrated, so counted with default sigmas that may be too small: {guessed}.")
    console.print("Range counts one reading, unfiltered. The picture's own noise comes on top.")


def _show_changes(console: Console, verdict: Acceptance) -> None:
    console.print("\nSince the old file:")
    for change in verdict.changes:
        sigmas = "" if change.sigmas is None else f", {change.sigmas:.1f} sigma"
        mark = "[yellow]look[/]" if change.question else "same"
        console.print(f"{mark}  {change.section:<9}  {change.quantity}: {change.change}{sigmas}")
        if change.question:
            console.print(f"                 {change.question}")
