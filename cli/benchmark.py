"""``groundpace benchmark``: accuracy against height, ours and that of other methods on the same frames."""

from __future__ import annotations

import itertools
import json
import math
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from cli.console import print_table, result_console
from cli.options import RenamedOption, WordOr, json_option
from cli.progress import Stages, note
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
                self.fail(f"{word.strip()!r} is not a number; expected numbers such as 0.5,1,2", param, ctx)
            if not self._low <= number <= self._high:
                self.fail(f"{number:g} is outside {self._low:g} to {self._high:g}", param, ctx)
            numbers.append(number)
        return tuple(dict.fromkeys(numbers))


def _several(name: str, low: float, high: float, default: str, unit: str, text: str) -> Callable[[Any], Any]:
    kind = _Numbers(low, high)
    return click.option(name, type=kind, default=default, show_default=True, metavar=f"{unit},...", help=text)


def _count(name: str, low: int, text: str) -> Callable[[Any], Any]:
    return click.option(name, type=click.IntRange(low), metavar="N", help=text)


@click.command(short_help="Measure accuracy against height on synthetic recordings.")
@click.option(
    "--module",
    type=WordOr(SAMPLE_MODULES, "FILE"),
    help="The module file, or one of the examples small, large and fisheye.",
)
@_several("--heights", 0.1, 100, "0.3,0.5,1,2,4,8", "M", "Heights above the ground, m.")
@_several("--speeds", 0, 50, "0.5", "M_S", "Mean forward speeds, m/s; each varies by 40 %.")
@click.option(
    "--ground", "floors", cls=RenamedOption, old=("--floor",), multiple=True,
    default=("gravel", "soil", "paving"), show_default=True,
    type=WordOr(GROUNDS, "IMAGE"), help="The ground; give the option once for each.",
)  # fmt: skip
@click.option(
    "--ground-size", "floor_size", cls=RenamedOption, old=("--floor-size",),
    type=click.FloatRange(0, min_open=True), metavar="M", help="Width of IMAGE on the ground, m.",
)  # fmt: skip
@_several("--light", 0.01, 2, "1", "X", "Illumination of the ground, relative; exposure and gain stay.")
@_several("--noise", 0, 50, "1.5", "LEVELS", "One-sigma of a pixel at mid grey, grey levels.")
@_several("--rocking", 0, 20, "2", "DEG", "Amplitude of rocking in roll and pitch at 1 Hz, degrees.")
@_several("--fps", 5, 1000, "60", "HZ", "Frames per second.")
@click.option(
    "--exposure", type=click.FloatRange(0, 0.1), default=0.002, show_default=True, metavar="S",
    help="Exposure of each row, s.",
)  # fmt: skip
@_count("--seeds", 1, "Runs of each condition.  [default: 16; 6 for images over 0.15 megapixels]")
@click.option(
    "--first-seed", type=click.IntRange(min=0), default=0, metavar="N",
    help="First random seed; another one draws other places, directions and noise.",
)  # fmt: skip
@_count("--frames", 6, "Frames of each run.  [default: 40; 20 for images over 0.15 megapixels; all of a recording]")
@click.option("--alone", is_flag=True, help="Run without the other methods; takes about half the time.")
@click.option(
    "--recordings", multiple=True, type=click.Path(path_type=Path), metavar="DIR...",
    help="Real recordings with a truth.csv, instead of synthetic flights.",
)  # fmt: skip
@click.argument("more", nargs=-1, type=click.Path(path_type=Path), metavar="")
@_count("--jobs", 1, "Number of parallel processes.  [default: one for each core]")
@click.option("--resume", is_flag=True, help="Keep the runs of an earlier or interrupted sweep, and run the rest.")
@click.option(
    "--output", "-o", type=click.Path(path_type=Path), default=Path("benchmark"), show_default=True, metavar="DIR",
    help="Folder for the results; it is created if it does not exist.",
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
    """Measure accuracy at each height and over each ground, on synthetic recordings.

    The module flies over synthetic ground with its own lens, readout, noise and range sensor. Every row is compared
    with the exact truth. Beside the measured error stands the error predicted from the module file, with the
    dominant cause. Five other estimators of image motion, all from OpenCV, get the same frames, gyro, ground plane
    and solver, so that only the image motions differ. Some runs are repeated with error-free logs: their error is
    the image's own, given as a multiple of the Cramer-Rao bound.

    Every combination of --heights, --speeds, --ground, --light, --noise, --rocking and --fps is a condition. The
    other estimators take part in a third of the runs, to save time; they are compared on these runs alone.

    DIR gets benchmark.csv (a row for each condition and method), benchmark-runs.csv (each run) and benchmark.html.
    Ctrl-C keeps the finished runs; --resume runs the rest. The default takes a few minutes on two cores.

    \b
    Examples:
      groundpace benchmark --module fern-03.yaml --output fern-03-accuracy
      groundpace benchmark --module fern-03.yaml --heights 1,4 --light 1,0.25 --ground soil
      groundpace benchmark --module fern-03.yaml --ground moss.jpg --ground-size 1.2 --alone
      groundpace benchmark --recordings flight-07 flight-08
    """
    bar = ctx.with_resource(Stages())
    from flow.benchmark import sweep as bench
    from flow.benchmark.outcomes import pool
    from flow.benchmark.run_log import RunLog
    from flow.wording import counted

    folders = _folders(ctx, module, recordings, more)
    methods = bench.METHODS[:1] if alone else bench.METHODS
    if folders:
        name = "recorded flights"
        items = bench.recorded_trials(folders, None if module is None else Path(module), frames, methods)
    else:
        items, name = _synthetic(str(module), swept, frames, methods)
    with RunLog(output, resume=resume) as log:
        try:
            runs = bench.run_sweep(items, log, bench.local_engine(jobs or _cores()), _counter(bar, items))
        except KeyboardInterrupt:
            kept = f"{len(log)} of {counted(len(items), 'run')} kept; --resume runs the rest"
            bar.finish()
            click.echo(f"groundpace: interrupted; {kept}", err=True)
            ctx.exit(_INTERRUPTED)
        outcomes = pool(runs)
        _write(output, outcomes, name, recorded=bool(folders))
        log.finish()
    bar.finish()
    if as_json:
        click.echo(json.dumps([outcome.as_row() for outcome in outcomes], indent=2, allow_nan=False))
    else:
        _show(outcomes)
    note(f"written: {output / 'benchmark.html'}, benchmark.csv, benchmark-runs.csv")


def _folders(
    ctx: click.Context, module: str | None, recordings: tuple[Path, ...], more: tuple[Path, ...]
) -> tuple[Path, ...]:
    if not recordings:
        if more:
            raise click.UsageError(f"unexpected argument {more[0]}; recordings follow --recordings")
        if module is None:
            raise click.UsageError("give the module with --module FILE, or flights with --recordings DIR")
        return ()
    for name in _SWEPT:
        if ctx.get_parameter_source(name) is not ParameterSource.DEFAULT:
            option = {"floors": "ground", "floor_size": "ground-size"}.get(name, name.replace("_", "-"))
            raise click.UsageError(f"--{option} is for synthetic flights; remove it or --recordings")
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


def _counter(bar: Stages, items: Sequence[Item]) -> Callable[[Item], None]:
    """Give what counts the runs done and their frames."""
    frames = {item.key: item.frames * len(item.methods) for item in items}
    bar.stage(f"run 0/{len(items)}", sum(frames.values()))
    done = itertools.count(1)
    return lambda item: bar.advance(frames[item.key], f"run {next(done)}/{len(items)}")


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
    titles = ("RMS error, mm/s", "measured", "predicted", "in band", "usable", "image / bound", "best other / ours")
    rows = []
    for ours in (outcome for outcome in outcomes if outcome.method == OURS):
        other = best_rival(outcomes, ours.condition)
        rival = "" if other is None else METHOD_WORDS[other.method]
        if other is not None and ours.shared.rms_m_s > 0:
            rival = f"{other.shared.rms_m_s / ours.shared.rms_m_s:.2f} {rival}"
        cells = (
            words.condition(ours.condition),
            millimetres(ours.sums.rms_m_s),
            "" if ours.forecast is None else millimetres(ours.forecast.scatter_m_s),
            percent(ours.sums.cover95),
            percent(ours.sums.usable),
            "" if ours.image is None or not ours.image.image_rows else f"{ours.image.over_bound:.2f}",
            rival,
        )
        rows.append(cells)
    print_table(result_console(), titles, rows, left=(0, 6))
