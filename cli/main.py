"""The ``groundpace`` command: finds the sub-commands, and turns failures into one line and an exit code."""

from __future__ import annotations

import errno
from collections.abc import Callable
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec
from typing import Any, NamedTuple

import click

from cli.help import Group, equipped

EXIT_DATA = 1
EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells report it


class Entry(NamedTuple):
    """Where a command lives and what the list of commands says about it."""

    module: str
    attribute: str
    help: str


COMMANDS = {
    "check": Entry("cli.check", "check", "Say whether a recording is fit to be measured."),
    "measure": Entry("cli.measure", "measure", "Turn a recording into a metric speed log."),
    "calibrate": Entry("cli.calibrate", "calibrate", "Calibrate a module: lens, gyro, alignment, range sensor."),
    "accept": Entry("cli.accept", "accept", "Say whether a calibrated module is fit for use."),
    "compare": Entry("cli.compare", "compare", "Compare a speed log with a reference log."),
    "benchmark": Entry("cli.benchmark", "benchmark", "Measure accuracy against height on synthetic recordings."),
    "envelope": Entry("cli.envelope", "envelope", "Predict what a module can measure at each height."),
    "synthesize": Entry("cli.synthesize", "synthesize", "Make a synthetic recording with exact truth."),
    "export": Entry("cli.export", "export", "Write a speed log for other programs: MCAP, bag or Parquet."),
    "import": Entry("cli.import_", "import_", "Make a recording from other videos, logs and bags."),
    "import-lens": Entry("cli.import_lens", "import_lens", "Import the lens of a calibration made elsewhere."),
    "export-lens": Entry("cli.export_lens", "export_lens", "Write the lens of a module file for other programs."),
    "board": Entry("cli.board", "board", "Draw a calibration board to print."),
    "explain": Entry("cli.explain", "explain", "Say what a column, key, status, cause of error or option means."),
}
"""Commands by name, in the order of the list; only the one that runs is imported, which keeps the start short."""


class LazyGroup(Group):
    """A group that imports a command when it runs, and reports a failure in one line."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands that are installed."""
        return [name for name, entry in COMMANDS.items() if find_spec(entry.module)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command."""
        if cmd_name not in self.list_commands(ctx):
            return None
        entry = COMMANDS[cmd_name]
        found = getattr(import_module(entry.module), entry.attribute)
        assert isinstance(found, click.Command)
        return equipped(found)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name].help) for name in self.list_commands(ctx)])

    def invoke(self, ctx: click.Context) -> Any:
        """Run, and translate what went wrong with the data."""
        return told_in_one_line(ctx, lambda: super(LazyGroup, self).invoke(ctx))


def told_in_one_line(ctx: click.Context, run: Callable[[], Any]) -> Any:
    """Call ``run``; failures of the data become a line on standard error and an exit code."""
    try:
        return run()
    except KeyboardInterrupt:
        click.echo("groundpace: interrupted; no incomplete file is left behind", err=True)
        ctx.exit(EXIT_INTERRUPTED)
    except OSError as error:
        if error.errno == errno.EPIPE:
            raise  # click leaves quietly when the reader of a pipe has gone
        where = f"{error.filename}: " if error.filename else ""
        click.echo(f"groundpace: {where}{error.strerror or error}", err=True)
        ctx.exit(EXIT_DATA)
    except Exception as error:
        from flow.errors import DataError  # here, because it brings the whole of flow along

        if not isinstance(error, DataError):
            raise
        click.echo(f"groundpace: {error}", err=True)
        ctx.exit(EXIT_DATA)


def _show_version(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted:
        return
    try:
        click.echo(f"groundpace {version('groundpace')}")
    except PackageNotFoundError:
        click.echo("groundpace, run from its folder without being installed")
    ctx.exit()


_COMPLETION = """\b
For completion, add a line to the start-up file of your shell:
  bash  eval "$(_GROUNDPACE_COMPLETE=bash_source groundpace)"
  zsh   eval "$(_GROUNDPACE_COMPLETE=zsh_source groundpace)"
  fish  _GROUNDPACE_COMPLETE=fish_source groundpace | source
"""


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]}, epilog=_COMPLETION)
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_show_version,
    help="Show the version and exit.",
)
def main() -> None:
    """Metric ground speed from a downward video, a gyro and a range sensor.

    groundpace works on recordings. It calibrates the camera module that made them. It measures the velocity over
    the ground for each pair of frames, with an error band, and gives the reason for each row without a velocity.

    \b
    Measure a flight, and compare its speed log with a reference:
      groundpace measure flight-07 --module fern-03.yaml --output flight-07/speed
      groundpace compare flight-07/speed/speed.csv flight-07/truth.csv

    `groundpace COMMAND --help` explains a command. The result of a command goes to standard output; progress,
    notes and errors go to standard error. Exit codes: 0 done, 1 the data cannot be used, 2 wrong usage.
    """


if __name__ == "__main__":
    main()
