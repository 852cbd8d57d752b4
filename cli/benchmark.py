"""``groundpace benchmark``: accuracy against height, ours and that of other methods on the same frames."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from cli.options import WordOr, json_option
from flow.choices import GROUNDS, SAMPLE_MODULES

if TYPE_CHECKING:
    from flow.benchmark.outcomes import Outcome
    from flow.benchmark.trials import Item

_INTERRUPTED = 130
_SWEPT = (
    "heights",
    "speeds",
    "floors",
    "floor_size",
    "light",
    "noise",
    "rocking",
    "fps",
    "exposure",
    "seeds",
    "first_seed",
)


class _Numbers(click.ParamType[tuple[float, ...]]):
    """Numbers with commas between them, within limits, each once."""

    name = "numbers"

    def __init__(self, low: float, high: float) -> None:
        self._low, self._high = low, high

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Read the numbers."""
        if isinstance(value, tuple):
            return value
        numbers = []
        for word in str(value).split(","):
            try:
                number = float(word)
            except ValueError:
                self.fail(f"{word.strip()!r} is no number; write them as 0.5,1,2", param, ctx)
            if not self._low <= number <= self._high:
                self.fail(f"{number:g} is outside {self._low:g} to {self._high:g}", param, ctx)
            numbers.append(number)
        return tuple(dict.fromkeys(numbers))


def _several(name: str, low: float, high: float, default: str, unit: str, text: str) -> Callable[[Any], Any]:
    kind = _Numbers(low, high)
    return click.option(name, type=kind, default=default, show_default=True, metavar=f"{unit},...", help=text)


def _count(name: str, low: int, text: str) -> Callable[[Any], Any]:
    return click.option(name, type=click.IntRange(low), metavar="N", help=text)


@click.command(short_help="Show accuracy against height, on synthetic recordings.")
@click.option(
    "--module", type=WordOr(SAMPLE_MODULES, "FILE"), help="The module file; or small, large or fisheye, ready examples."
)
@_several("--heights", 0.1, 100, "0.3,0.5,1,2,4,8", "M", "Heights above the floor, m.")
@_several("--speeds", 0, 50, "0.5", "M_S", "Mean speeds forward, m/s; each swings by 40 %.")
@click.option(
    "--floor", "floors", multiple=True, default=("gravel", "soil", "paving"), show_default=True,
    type=WordOr(GROUNDS, "PICTURE"), help="The floor; give it once for each.",
)  # fmt: skip
@click.option(
    "--floor-size", type=click.FloatRange(0, min_open=True), metavar="M", help="Width of PICTURE on the ground, m."
)
@_several("--light", 0.01, 2, "1", "X", "Light on the floor; 0.25 is a quarter, at the same exposure and gain.")
@_several("--noise", 0, 50, "1.5", "LEVELS", "One-sigma of a pixel at mid grey, grey levels.")
@_several("--rocking", 0, 20, "2", "DEG", "Rocking in roll and pitch at 1 Hz, amplitude in degrees.")
@_several("--fps", 5, 1000, "60", "HZ", "Frames per second.")
@click.option(
    "--exposure", type=click.FloatRange(0, 0.1), default=0.002, show_default=True, metavar="S",
    help="Exposure of each row, s.",
)  # fmt: skip
@_count("--seeds", 1, "Runs of each condition.  [default: 16; 6 of pictures over 0.15 megapixels]")
@click.option(
    "--first-seed", type=click.IntRange(min=0), default=0, metavar="N",
    help="Draw other runs: places, directions and noise that nobody has looked at yet.",
)  # fmt: skip
@_count("--frames", 6, "Frames of a run.  [default: 40; 20 of such pictures; a recording: all]")
@click.option("--alone", is_flag=True, help="Leave the other methods out; about half the time.")
@click.option(
    "--recordings", multiple=True, type=click.Path(path_type=Path), metavar="DIR...",
    help="Real recordings with a truth.csv, instead of synthetic flights.",
)  # fmt: skip
@click.argument("more", nargs=-1, type=click.Path(path_type=Path), metavar="")
@_count("--jobs", 1, "Processes that work side by side.  [default: one for each core]")
@click.option("--resume", is_flag=True, help="Keep the runs that are there already, from an interrupted sweep too.")
@click.option(
    "--output", type=click.Path(path_type=Path), default=Path("benchmark"), show_default=True, metavar="DIR",
    help="Where the results go; made if need be.",
)  # fmt: skip
@json_option
@click.pass_context
def benchmark(
    ctx: click.Context,
    /,
    module: str | None,
    recordings: tuple[Path, ...],
    more: tuple[Path, ...],
    frames: int | None,
    alone: bool,
    jobs: int | None,
    resume: bool,
    output: Path,
    as_json: bool,
    **swept: Any,
) -> None:
    """Show how good the speed is at each height and over each floor, before an autopilot leans on it.

    Flies the module over synthetic floors, with its own lens, readout, noise and range sensor, and holds every row
    against the exact truth. Beside the measured error stands the one that the module's figures predict, with the
    cause that dominates it. Five other ways to find the image motion, all from OpenCV, get the same frames, gyro,
    plane and solver, so that the image motions alone are compared. A part of the runs is flown with perfect logs as
    well: what is left is the picture's error, told as a multiple of the least possible one (the Cramer-Rao bound).

    Every combination of --heights, --speeds, --floor, --light, --noise, --rocking and --fps is a condition. The
    other methods take part in a third of its runs, to save time; they are compared on these alone.

    DIR gets benchmark.csv (a row for each condition and method), benchmark-runs.csv (each run) and benchmark.html.
    Ctrl-C keeps what is done; --resume goes on. The default takes a few minutes on two cores.

    \b
    Examples:
      groundpace benchmark --module fern-03.yaml --output fern-03-accuracy
      groundpace benchmark --module fern-03.yaml --heights 1,4 --light 1,0.25 --floor soil
      groundpace benchmark --module fern-03.yaml --floor moss.jpg --floor-size 1.2 --alone
      groundpace benchmark --recordings flight-07 flight-08
    """
    from flow.benchmark import sweep as bench
    from flow.benchmark.outcomes import pool
    from flow.benchmark.run_log import RunLog

    folders = _folders(ctx, module, recordings, more)
    methods = bench.METHODS[:1] if alone else bench.METHODS
    if folders:
        name = "recorded flights"
        items = bench.recorded_trials(folders, None if module is None else Path(module), frames, methods)
    else:
        items, name = _synthetic(str(module), swept, frames, methods)
    with RunLog(output, resume=resume) as log:
        try:
            with _progress(items) as advance:
                runs = bench.run_sweep(items, log, bench.local_engine(jobs or _cores()), advance)
        except KeyboardInterrupt:
            kept = f"{len(log)} of {len(items)} runs are kept, --resume goes on with the rest"
            click.echo(f"groundpace: interrupted; {kept}", err=True)
            ctx.exit(_INTERRUPTED)
        outcomes = pool(runs)
        _write(output, outcomes, name, recorded=bool(folders))
        log.finish()
    if as_json:
        click.echo(json.dumps([outcome.as_row() for outcome in outcomes], indent=2, allow_nan=False))
    else:
        _show(outcomes)
    click.echo(f"written: {output / 'benchmark.html'}, benchmark.csv, benchmark-runs.csv", err=True)


def _folders(
    ctx: click.Context, module: str | None, recordings: tuple[Path, ...], more: tuple[Path, ...]
) -> tuple[Path, ...]:
    if not recordings:
        if more:
            raise click.UsageError(f"what is {more[0]}? recordings follow --recordings")
        if module is None:
            raise click.UsageError("give the module with --module FILE, or flights with --recordings DIR")
        return ()
    for name in _SWEPT:
        if ctx.get_parameter_source(name) is not ParameterSource.DEFAULT:
            option = {"floors": "floor"}.get(name, name.replace("_", "-"))
            raise click.UsageError(f"--{option} is for synthetic flights; leave it out beside --recordings")
    return (*recordings, *more)


def _synthetic(
    module: str, swept: dict[str, Any], frames: int | None, methods: tuple[str, ...]
) -> tuple[list[Item], str]:
    from flow.benchmark.sweep import Sweep, synthetic_trials, usual_effort
    from flow.scene import find_module

    chosen = find_module(module)
    usual = usual_effort(chosen)
    seeds = swept["seeds"] or usual.seeds
    sweep = Sweep(
        heights_m=swept["heights"],
        speeds_m_s=swept["speeds"],
        floors=tuple(dict.fromkeys(swept["floors"])),
        floor_size_m=swept["floor_size"],
        light=swept["light"],
        noise_levels=swept["noise"],
        rocking_rad=tuple(math.radians(degrees) for degrees in swept["rocking"]),
        frame_rates_hz=swept["fps"],
        exposure_s=swept["exposure"],
        effort=replace(usual, frames=frames or usual.frames, seeds=seeds, shared_seeds=min(seeds, usual.shared_seeds)),
        methods=methods,
        first_seed=swept["first_seed"],
    )
    return synthetic_trials(chosen, sweep), chosen.name or Path(module).stem


def _cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def _progress(items: Sequence[Item]) -> Iterator[Callable[[Item], None]]:
    """Show runs and frames done and the time left on standard error; silent when nobody watches."""
    console = Console(stderr=True)
    frames = {item.key: item.frames * len(item.methods) for item in items}
    words = TextColumn("{task.fields[runs]}/{task.fields[all_runs]} runs  {task.completed:.0f}/{task.total:.0f} frames")
    left = (TimeRemainingColumn(), TextColumn("left"))
    with Progress(BarColumn(), words, *left, console=console, disable=not console.is_terminal, transient=True) as bar:
        task = bar.add_task("", total=sum(frames.values()), runs=0, all_runs=len(items))
        runs = 0

        def advance(item: Item) -> None:
            nonlocal runs
            runs += 1
            bar.update(task, advance=frames[item.key], runs=runs)

        yield advance


def _write(output: Path, outcomes: Sequence[Outcome], name: str, *, recorded: bool) -> None:
    """Write table and page; both appear, or neither."""
    from cli.page.benchmark import benchmark_page
    from cli.page.report import render
    from flow.benchmark.outcomes import table
    from flow.disk.files import replacing

    with replacing(output / "benchmark.csv") as csv_path, replacing(output / "benchmark.html") as html_path:
        csv_path.write_text(table(outcomes), encoding="utf-8", newline="\n")
        html_path.write_text(render(benchmark_page(outcomes, name, recorded=recorded)), encoding="utf-8", newline="\n")


def _show(outcomes: Sequence[Outcome]) -> None:
    from cli.page.benchmark_words import METHOD_WORDS, Words, millimetres, percent
    from flow.benchmark.outcomes import best_rival
    from flow.benchmark.rivals import OURS

    words = Words([outcome.condition for outcome in outcomes])
    shown = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    shown.add_column("RMS error, mm/s", no_wrap=True)
    for title in ("measured", "predicted", "in band", "usable", "picture / bound"):
        shown.add_column(title, justify="right", no_wrap=True)
    shown.add_column("best other / ours", no_wrap=True)
    for ours in (outcome for outcome in outcomes if outcome.method == OURS):
        other = best_rival(outcomes, ours.condition)
        rival = "" if other is None else METHOD_WORDS[other.method]
        if other is not None and ours.shared.rms_m_s > 0:
            rival = f"{other.shared.rms_m_s / ours.shared.rms_m_s:.2f} {rival}"
        shown.add_row(
            words.condition(ours.condition),
            millimetres(ours.sums.rms_m_s),
            "" if ours.forecast is None else millimetres(ours.forecast.scatter_m_s),
            percent(ours.sums.cover95),
            percent(ours.sums.usable),
            "" if ours.image is None or not ours.image.image_rows else f"{ours.image.over_bound:.2f}",
            rival,
        )
    Console(highlight=False, soft_wrap=True, width=200).print(shown)  # a longer line folds, a cell would be cut
