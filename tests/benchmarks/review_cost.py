"""What the review page and the overlay add to a measurement; run it, it is not a test.

    python tests/benchmarks/review_cost.py [RECORDING] [--rounds 3]

Four variants run in turn in one process, and the ratios are what counts: the bare measurement; with the rows and
points of the page gathered; as ``groundpace measure`` does it, page and its video written; and with ``--overlay``.
Without RECORDING a 640 x 480 flight of 5 s is synthesised first.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import flow
from cli.page.review import Review
from cli.page.review_rows import FlightData
from flow.speedlog import Summary
from tests.benchmarks.measure_cost import synthesised


def bare(recording: flow.Recording) -> None:
    """Measure, and sum the rows up."""
    summary = Summary()
    for result in flow.measure(recording):
        summary.add(result.row)


def gathered(recording: flow.Recording) -> None:
    """Measure, and gather what the page shows."""
    summary, data = Summary(), FlightData(recording)
    for result in flow.measure(recording):
        summary.add(result.row)
        data.add(result)


def reviewed(recording: flow.Recording, output: Path, *, overlay: bool = False) -> None:
    """Measure as the command does."""
    summary = Summary()
    with Review(recording, output, overlay=overlay) as review:
        for result in flow.measure(recording, watch=review.watch):
            summary.add(result.row)
            review.add(result)
        review.write(summary.as_dict())


def costs(work: Callable[[], None]) -> tuple[float, float]:
    """Wall-clock and processor seconds of a call."""
    began = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - began[0], time.process_time() - began[1]


def main() -> None:
    """Print the ratios: median of the rounds, each taken side by side."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("recording", type=Path, nargs="?")
    parser.add_argument("--rounds", type=int, default=3)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        recording = flow.open_recording(given.recording or synthesised(Path(made) / "flight"))
        output = Path(made) / "measured"
        variants: dict[str, Callable[[], None]] = {
            "bare": lambda: bare(recording),
            "gathered": lambda: gathered(recording),
            "page": lambda: reviewed(recording, output),
            "overlay": lambda: reviewed(recording, output, overlay=True),
        }
        rounds = [{name: costs(work) for name, work in variants.items()} for _ in range(given.rounds)]
    for over, under, what in (
        ("gathered", "bare", "gathering the page's data, over the bare measurement"),
        ("page", "bare", "page and its video, over the bare measurement"),
        ("overlay", "page", "--overlay, over the measurement without it"),
    ):
        wall, busy = (statistics.median(r[over][k] / r[under][k] for r in rounds) for k in (0, 1))
        print(f"{100 * (wall - 1):+6.1f} % time, {100 * (busy - 1):+6.1f} % processor: {what}")
    per_row = statistics.median(r["bare"][1] for r in rounds) / (recording.frame_count - 1)
    print(f"the bare measurement takes {1e3 * per_row:.2f} ms of processor time a row")


if __name__ == "__main__":
    main()
