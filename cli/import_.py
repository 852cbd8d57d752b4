"""``groundpace import``: a recording from videos, logs and bags of other formats."""

from __future__ import annotations

import signal
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console

from cli.console import print_text, result_console
from cli.options import WordChoice, WordOr, verbosity
from cli.progress import frames_progress, note
from flow.choices import CLOCKS, CODECS, FRAME_TIMES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from flow.intake.gather import Ready
    from flow.intake.mapping import Clock, ImportPlan, SaidPart
    from flow.intake.plan import Sample
    from flow.intake.propose import Proposal


_TERMINATED = 143  # 128 + SIGTERM, as shells report it


class _Clock(click.ParamType["Clock"]):
    """``search``, ``same`` or seconds."""

    name = "clock"
    words = CLOCKS

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Clock:
        if value in CLOCKS:
            return value  # type: ignore[no-any-return]
        try:
            return float(value)
        except ValueError:
            self.fail(f"{value!r} is not search, same or a number of seconds", param, ctx)


@click.command("import", short_help="Make a recording from other videos, logs and bags.")
@click.argument("sources", metavar="[SOURCE]...", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--output", "-o", type=click.Path(path_type=Path), metavar="DIR", required=True, help="The recording to make."
)
@click.option(
    "--module", type=click.Path(path_type=Path), metavar="FILE", help="The calibrated module; it is copied to DIR."
)
@click.option(
    "--map", "said", metavar="PART=COLUMNS:UNIT", multiple=True, help="Columns and unit of a part; see above."
)
@click.option("--axes", metavar="AXES", help="Body axes in terms of the log's axes, such as 'x=-y y=x z=z'.")
@click.option(
    "--clock",
    type=_Clock(),
    metavar="search|same|SECONDS",
    help="Offset between video clock and log clock: estimated from the rotation (search), none (same), or"
    " video time + SECONDS = log time.  [default: search; same for a bag]",
)
@click.option(
    "--rate", "rate_hz", type=click.FloatRange(min=0, min_open=True), metavar="HZ", help="Nominal frame rate."
)
@click.option(
    "--times",
    type=WordOr(FRAME_TIMES, "FILE"),
    help="Frame times: a table or list, or the names of the image files.",
)
@click.option("--mapping", type=click.Path(path_type=Path), metavar="FILE", help="The import.yaml of another import.")
@click.option("--topic", "topics", metavar="PART=NAME", multiple=True, help="Topic of a bag for a part.")
@click.option("--ground-z", "ground_z_m", type=float, metavar="M", help="Height of the ground in a bag's world frame.")
@click.option(
    "--codec",
    type=WordChoice(CODECS),
    default="lossless",
    show_default=True,
    help="Video codec for a folder of images; a video is copied as it is.",
)
@click.option("--yes", is_flag=True, help="Accept the proposed mapping without asking.")
@click.option("--force", is_flag=True, help="Replace an existing recording.")
def import_(
    sources: tuple[Path, ...],
    output: Path,
    mapping: Path | None,
    said: tuple[str, ...],
    topics: tuple[str, ...],
    codec: Any,
    yes: bool,
    force: bool,
    **options: Any,
) -> None:
    """Make a recording from other videos, logs and bags.

    SOURCE is a video or a folder of images, and the text logs that belong to it; or a bag (ROS 1, ROS 2, MCAP) by
    itself. The meaning of the columns is inferred from their names and values, shown with sample rows, and must be
    confirmed. --map states it directly. PART is time, gyro, accel, range, air_temperature, attitude (roll,pitch),
    velocity (forward,right,down of a reference), height, frame_time or exposure. A minus before a column changes its
    sign, PART=none leaves a part out, PART@FILE refers to one log.
    Units: s ms us ns iso8601, rad/s deg/s mdeg/s, m/s^2 g mg, m cm mm in ft, rad deg, degC degF K.

    Where video and log were started separately, their clock offset and drift are estimated by matching the rotation
    in the video with the gyro. This needs the lens (--module). DIR/import.yaml records where everything came from;
    it repeats the import, and serves as --mapping for the files of the next flight.

    \b
    Examples:
      groundpace import flight.mp4 log.csv --module fern-03.yaml --output flight-07
      groundpace import flight.mp4 imu.csv range.csv --module fern-03.yaml --axes 'x=y y=-x z=z' \
        --map time=t:us --map gyro=wx,wy,wz:deg/s --map accel=ax,ay,az:g --map range=d:cm --output flight-07
      groundpace import next.mp4 next.csv --mapping flight-07/import.yaml --output flight-08
      groundpace import robot.mcap --module fern-03.yaml --output flight-09
    """
    from flow.intake.gather import gather
    from flow.intake.gathered import changed_sources, check_target, write_recording
    from flow.intake.mapping import read_mapping
    from flow.intake.plan import Said, make_plan
    from flow.scene.encode import Encoding

    signal.signal(signal.SIGTERM, lambda *_: sys.exit(_TERMINATED))  # an orderly end takes the half-made folder away
    if not sources and mapping is None:
        raise click.UsageError("expected a video and its logs, a bag, or --mapping FILE")
    console = result_console()
    told = Said(parts=_parts(said), topics=_pairs(topics), **options)
    kept = None if mapping is None else read_mapping(mapping)
    check_target(output, force=force)
    plan, proposals = make_plan(sources, kept, told)
    _confirm(plan, proposals, yes=yes)
    ready = gather(plan, partial(frames_progress, name="matching clocks"))
    changed = [] if kept is None or sources else changed_sources(ready.gathered, kept.made)
    _show_gathered(console, plan, ready, [f"{name} has changed since {mapping} was written" for name in changed])
    with frames_progress(len(ready.gathered.frames.times_s), "writing") as advance:
        write_recording(
            output,
            ready.gathered,
            module=ready.module_text,
            clock=None if ready.match is None else ready.match.tree(),
            encoding=Encoding(codec=codec),
            force=force,
            progress=advance,
        )
    print_text(console, f"written: {output}")
    if ready.module_text is None:
        _show_what_is_missing(console, output, has_lens="camera" in ready.gathered.sections)


def _confirm(plan: ImportPlan, proposals: Sequence[Proposal], *, yes: bool) -> None:
    """Show what was inferred, and have it accepted."""
    from flow.errors import DataError
    from flow.intake.plan import sample

    for proposal in proposals if not yes or verbosity() >= 0 else ():
        _show(proposal, sample(proposal.log))
    shown = [proposal.log.file for proposal in proposals]
    for log in plan.logs:
        if log.file not in shown and (left_out := sample(log).left_out):
            note(f"{log.file}: columns left out: {', '.join(left_out)}")
    if proposals and not yes:
        try:
            click.confirm("Import with this mapping?", default=True, abort=True, err=True)
        except click.Abort:
            raise DataError("not imported; correct the mapping with --map, or accept it with --yes") from None


def _show_gathered(console: Console, plan: ImportPlan, ready: Ready, changes: Sequence[str]) -> None:
    """Show what reading the sources found, and what matched their clocks."""
    for remark in ready.gathered.remarks:
        print_text(console, remark)
    for change in changes:
        print_text(console, change, label="note: ")
    if ready.match is not None:
        print_text(console, str(ready.match), label="clock: ")
        if plan.logs and all(log.axes is None for log in plan.logs):
            print_text(console, f"'{ready.match.axes}', estimated from the video", label="axes: ")


def _show_what_is_missing(console: Console, output: Path, *, has_lens: bool) -> None:
    if has_lens:
        lens = "module.yaml has the lens of the bag, and large one-sigmas for all that a bag does not contain"
        print_text(console, lens, label="note: ")
    needed = f"measure needs a calibrated module: groundpace measure {output} --module FILE"
    print_text(console, needed, label="note: ")


def _parts(said: tuple[str, ...]) -> list[SaidPart]:
    from flow.errors import DataError
    from flow.intake.mapping import part_from_text

    try:
        return [part_from_text(text) for text in said]
    except DataError as error:
        raise click.BadParameter(str(error), param_hint="--map") from None


def _pairs(topics: tuple[str, ...]) -> dict[str, str]:
    from flow.intake.bag_topics import PARTS

    pairs = {}
    for text in topics:
        part, found, name = text.partition("=")
        if not found or part not in PARTS or not name:
            raise click.BadParameter(
                f"{text!r} is not PART=NAME with PART one of {', '.join(PARTS)}", param_hint="--topic"
            )
        pairs[part] = name
    return pairs


def _show(proposal: Proposal, rows: Sample) -> None:
    """Show a proposed mapping, and three rows as logged and as they will be stored."""
    from flow.intake.mapping import part_text

    say = Console(stderr=True, highlight=False, soft_wrap=True, markup=False).print
    why = {"name": "from its name", "values": "unit from its values", "said": "as given"}
    log = proposal.log
    say(f"{log.file}: proposed mapping")
    width = max(len(part_text(part, columns)) for part, columns in log.parts.items())
    for part, columns in log.parts.items():
        say(f"  --map {part_text(part, columns):{width}}  {why[proposal.reasons[part]]}")
    if log.gyro is not None:
        say(f"  --axes '{log.axes}'" if log.axes else "  axes: to be estimated from the video; --axes states them")
    if rows.left_out:
        say(f"  columns left out: {', '.join(rows.left_out)}")
    say("  as logged:")
    _table(rows.names, rows.logged, say)
    say("  as it will be stored:" if log.axes or log.gyro is None else "  as it will be stored, in the log's axes:")
    _table(rows.stored_names, rows.stored, say)


def _table(names: tuple[str, ...], rows: tuple[tuple[str, ...], ...], say: Any) -> None:
    widths = [max(len(cell) for cell in column) for column in zip(names, *rows, strict=True)]
    for row in (names, *rows):
        say("    " + "  ".join(f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True)))
