"""Whether error bands are honest: every kind of recording measured as a user does, and its errors held against its sigmas.

Some ten minutes, or two with ``--quick``; flights that ``--keep`` finds are not rendered again::

    python -m tests.benchmarks.honesty --keep /tmp/flights --json before.json
    python -m tests.benchmarks.honesty --keep /tmp/flights --json after.json --compare before.json

Per recording: rows, share of rows with a velocity; then of ``speed.csv``, ``fused.csv`` and ``track.csv`` the RMS error, NEES
(the mean of (error / sigma)^2), cover of the 95 % band, and the share of samples beyond 4 sigma and 2 cm/s (2 cm) in any axis.
Axes are forward / right / down. A group passes where its mean NEES is 0.6 to 1.5 in every axis, that of no recording exceeds 4
and less than 0.5 % are beyond. An error that lasts for a whole flight, such as that of the tilt in the down axis or of a place,
is one draw: about one recording in 20 exceeds 4 with bands that are right. The path of ``carried`` itself errs by 4 to 5 mm/s
between two images at 60 a second (see :mod:`tests.outside.carried`), which counts as the rows' error here.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import partial
from itertools import zip_longest
from pathlib import Path

import numpy as np

from tests.benchmarks.honest_figures import Errors, Figures, figures
from tests.benchmarks.honest_flights import CARRIED, KINDS, SHIPPED, Flight, flights
from tests.benchmarks.honest_store import Ready, carried_by_hand, sample_flight, stored
from tests.outside.carried import FOLDER

NEES = (0.6, 1.5)  # of a group's mean: what a reader of a 95 % band can lean on
WORST_NEES = 4.0
BEYOND = 0.005
OUTPUTS = ("speed", "fused", "place")
Job = Callable[[Path], Iterator[Ready]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What a group's recordings say together of one output; ``None`` where none of them has it."""

    mean: Errors
    worst_nees: tuple[float, ...]
    worst_name: str
    recordings: int

    @property
    def passes(self) -> tuple[bool, bool, bool]:
        """Whether mean, worst recording and share beyond are within the targets."""
        return (
            all(NEES[0] <= value <= NEES[1] for value in self.mean.nees),
            max(self.worst_nees) <= WORST_NEES,
            self.mean.beyond < BEYOND,
        )


def main() -> None:
    """Measure, print and compare."""
    asked = _options()
    before = [] if asked.compare is None else _read(asked.compare)
    with tempfile.TemporaryDirectory() as scratch:
        found: list[Figures] = []
        for more in _measured(_jobs(asked.kind, quick=asked.quick), asked.keep or Path(scratch), asked.processes):
            found = sorted([*found, *more], key=lambda one: (KINDS.index(one.kind), one.group, one.name))
            if asked.json is not None:  # after every flight: half of a long run is of use too
                asked.json.write_text(json.dumps([one.as_dict() for one in found], indent=1) + "\n")
    print("\n".join(report(found)))
    if before:
        print("\n".join(comparison(before, found)))


def report(found: Sequence[Figures]) -> Iterator[str]:
    """Lines of the table, of the groups' means, and of the verdicts."""
    yield _HEAD
    for group, members in _grouped(found):
        yield from ["", f"{group}:", *map(_line, members), *(_mean_line(name, members) for name in OUTPUTS)]
    yield from [
        "",
        f"verdicts: mean NEES {NEES[0]} to {NEES[1]}, no recording above {WORST_NEES:g}, beyond < {BEYOND:.1%}",
    ]
    for group, members in _grouped(found):
        yield from (f"{group:20} {name:5} {_verdict_line(verdict(members, name))}" for name in OUTPUTS)
        usable = [one.usable for one in members]
        yield f"{group:20} rows  {np.mean(usable):.1%} with a velocity, {min(usable):.1%} at least, of {len(members)} recordings"


def verdict(members: Sequence[Figures], output: str) -> Verdict | None:
    """Average an output over recordings, each counting alike; None where no recording has it."""
    pairs = [(one.name, errors) for one in members if (errors := getattr(one, output)) is not None]
    if not pairs:
        return None
    nees = np.array([errors.nees for _, errors in pairs])

    def mean(key: str) -> tuple[float, ...]:
        return tuple(np.mean([getattr(errors, key) for _, errors in pairs], axis=0).tolist())

    return Verdict(
        mean=Errors(
            samples=sum(errors.samples for _, errors in pairs),
            rms_mm=mean("rms_mm"), nees=mean("nees"), cover=mean("cover"),
            beyond=float(np.mean([errors.beyond for _, errors in pairs])),
        ),
        worst_nees=tuple(nees.max(axis=0).tolist()),
        worst_name=pairs[int(nees.max(axis=1).argmax())][0],
        recordings=len(pairs),
    )  # fmt: skip


def comparison(before: Sequence[Figures], after: Sequence[Figures]) -> Iterator[str]:
    """Lines with both runs side by side, for recordings and group means that are in both, and the ratio of RMS."""
    yield from ["", "before -> after: RMS ratio | NEES | beyond | usable"]
    old = {(one.kind, one.name): one for one in before}
    for group, members in _grouped(after):
        both = [(old[key], one) for one in members if (key := (one.kind, one.name)) in old]
        yield from ["", f"{group}:"]
        for name in OUTPUTS:
            for was, now in both:
                if (a := getattr(was, name)) is not None and (b := getattr(now, name)) is not None:
                    yield f"{now.name:34} {name:5} {_change(a, b)}   {was.usable:6.1%} -> {now.usable:6.1%}"
            a_mean, b_mean = (verdict([pair[k] for pair in both], name) for k in (0, 1))
            if a_mean is not None and b_mean is not None:
                yield f"{'  mean':34} {name:5} {_change(a_mean.mean, b_mean.mean)}"


def _jobs(kinds: Sequence[str], *, quick: bool) -> list[tuple[str, Job]]:
    """Give a name and what makes its recordings ready, the long ones first."""
    jobs: list[tuple[str, Job]] = []
    if CARRIED in kinds and (FOLDER / "module.yaml").exists():
        jobs.append(("carried", partial(carried_by_hand, quick=quick)))
    elif CARRIED in kinds:
        print(f"no recording with real images at {FOLDER}: GROUNDPACE_REAL names its folder", file=sys.stderr)
    chosen = [flight for flight in flights() if flight.kind in kinds and (flight.quick or not quick)]
    chosen.sort(key=lambda flight: -flight.size_px[0] * len(flight.variants))
    jobs += [(f"{flight.kind} {flight.name}", partial(_stored, flight)) for flight in chosen]
    if SHIPPED in kinds:
        jobs.append(("sample_video/flight", sample_flight))
    return jobs


def _stored(flight: Flight, keep: Path) -> Iterator[Ready]:
    return stored(flight, keep)


def _measured(jobs: Sequence[tuple[str, Job]], keep: Path, processes: int) -> Iterator[list[Figures]]:
    with ProcessPoolExecutor(max_workers=processes) as pool:
        waiting = {pool.submit(_measure, job, keep): name for name, job in jobs}
        for number, done in enumerate(as_completed(waiting), 1):
            print(f"{number} of {len(jobs)}: {waiting[done]}", file=sys.stderr, flush=True)
            yield done.result()


def _measure(job: Job, keep: Path) -> list[Figures]:
    with tempfile.TemporaryDirectory() as scratch:
        return [figures(ready, Path(scratch)) for ready in job(keep)]


def _read(path: Path) -> list[Figures]:
    return [Figures.of(plain) for plain in json.loads(path.read_text())]


def _grouped(found: Sequence[Figures]) -> Iterator[tuple[str, list[Figures]]]:
    for group in dict.fromkeys(one.group for one in found):
        yield group, [one for one in found if one.group == group]


_HEAD = (
    f"{'recording':34} {'rows':>4} usable | speed: RMS mm/s, NEES, cover %, beyond % "
    "| fused: the same | place: RMS mm, NEES, cover %, beyond %"
)


def _line(one: Figures) -> str:
    parts = [_errors_text(getattr(one, name)) for name in OUTPUTS]
    return f"{one.name:34} {one.rows:4d} {one.usable:6.1%} | {' | '.join(parts)}"


def _mean_line(output: str, members: Sequence[Figures]) -> str:
    found = verdict(members, output)
    return f"{'  mean, ' + output:34} {'none' if found is None else _errors_text(found.mean)}"


def _errors_text(errors: Errors | None) -> str:
    if errors is None:
        return "-"
    rms = "/".join(f"{value:.3g}" for value in errors.rms_mm)
    nees = "/".join(f"{value:.2f}" for value in errors.nees)
    cover = "/".join(f"{100 * value:.0f}" for value in errors.cover)
    return f"{rms:>14}  {nees:>14}  {cover:>9}  {100 * errors.beyond:.1f}"


def _verdict_line(found: Verdict | None) -> str:
    if found is None:
        return "-"
    mean, worst, beyond = (("ok", "FAIL")[not passed] for passed in found.passes)
    nees, most = ("/".join(f"{value:.2f}" for value in values) for values in (found.mean.nees, found.worst_nees))
    return (
        f"NEES {nees} {mean}; worst {most} {worst} ({found.worst_name}); "
        f"beyond {found.mean.beyond:.2%} {beyond}; of {found.recordings}"
    )


def _change(before: Errors, after: Errors) -> str:
    ratio = "/".join(f"{b / a:.2f}" if a else "-" for a, b in zip_longest(before.rms_mm, after.rms_mm, fillvalue=0.0))
    nees = ["/".join(f"{value:.2f}" for value in errors.nees) for errors in (before, after)]
    return f"{ratio:>14}   {nees[0]:>15} -> {nees[1]:15}  {before.beyond:6.2%} -> {after.beyond:6.2%}"


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Are the error bands honest? See the module's text.")
    parser.add_argument("--kind", action="append", choices=KINDS, help="only this kind; may be given again")
    parser.add_argument("--quick", action="store_true", help="the fewest flights of each kind")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="folder of rendered flights, made or found")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write all figures there")
    parser.add_argument("--compare", type=Path, metavar="BEFORE.json", help="print an earlier run beside this one")
    parser.add_argument("--processes", type=int, default=min(2, os.cpu_count() or 1), help="1 or 2")
    asked = parser.parse_args()
    asked.kind = asked.kind or list(KINDS)
    asked.processes = min(max(asked.processes, 1), 2)
    return asked


if __name__ == "__main__":
    main()
