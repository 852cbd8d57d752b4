"""Accuracy over many conditions: the work list, an engine that works it off, and the collection of what comes back.

The three are apart. An item of the work list is a small frozen dataclass that stands alone; :func:`flow.benchmark.trials.work`
turns it into rows anywhere; :class:`RunLog` takes the rows in any order and survives an interruption. Another engine
than :func:`local_engine` needs only to map the one to the other.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import cv2

from flow.benchmark.rivals import OURS, RIVALS
from flow.benchmark.run_log import RunLog
from flow.benchmark.trial_flight import Condition, ground_of
from flow.benchmark.trials import Item, RecordedTrial, Run, SyntheticTrial, work
from flow.errors import DataError
from flow.module import Module
from flow.recording import open_recording
from flow.scene import KINDS

METHODS = (OURS, *RIVALS)
"""Every method that can be compared; ours first."""

Engine: TypeAlias = Callable[[Callable[[Item], list[Run]], Sequence[Item]], Iterable[tuple[Item, list[Run]]]]

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """Frames of a run, runs of each condition, and how many of these the other methods take part in.

    In the first ``image_seeds`` of these the error of the picture alone is looked at, over ``image_frames`` frames more.
    """

    frames: int
    seeds: int
    shared_seeds: int
    image_seeds: int = 2
    image_frames: int = 16


def usual_effort(module: Module) -> Effort:
    """Choose an effort that keeps the default sweep within minutes: less of larger pictures."""
    small = module.camera.width_px * module.camera.height_px <= 2 * 320 * 240
    return (
        Effort(frames=40, seeds=16, shared_seeds=4)
        if small
        else Effort(frames=20, seeds=6, shared_seeds=2, image_seeds=1)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """What to vary on synthetic recordings; every combination is flown as often as the effort says.

    Our own method measures every run, the others the first few. Another ``first_seed`` draws other runs.

    ``floors`` are kinds of :func:`flow.scene.make_ground` or pictures ``floor_size_m`` wide. ``light`` is a factor on
    what falls on the floor, ``noise_levels`` the one-sigma of a pixel at mid grey, ``rocking_rad`` the amplitude in
    roll and pitch at :data:`flow.benchmark.trials.ROCKING_HZ`.
    """

    heights_m: tuple[float, ...]
    speeds_m_s: tuple[float, ...]
    floors: tuple[str, ...]
    floor_size_m: float | None
    light: tuple[float, ...]
    noise_levels: tuple[float, ...]
    rocking_rad: tuple[float, ...]
    frame_rates_hz: tuple[float, ...]
    exposure_s: float
    effort: Effort
    methods: tuple[str, ...] = METHODS
    first_seed: int = 0


def synthetic_trials(module: Module, sweep: Sweep) -> list[Item]:
    """List the work of a sweep, floor by floor, since a floor takes seconds to make.

    Raises
    ------
    DataError
        A floor is no kind that is known and no picture that can be read, or its width is not given.
    """
    for floor in sweep.floors:
        if floor not in KINDS:
            ground_of(floor, sweep.floor_size_m)
    grid = itertools.product(
        sweep.floors, sweep.speeds_m_s, sweep.light, sweep.noise_levels, sweep.rocking_rad, sweep.frame_rates_hz,
        sweep.heights_m, range(sweep.first_seed, sweep.first_seed + sweep.effort.seeds),
    )  # fmt: skip
    looked_at = sweep.first_seed + sweep.effort.image_seeds
    return [
        SyntheticTrial(
            module=module,
            condition=Condition(
                floor=floor, height_m=height, speed_m_s=speed, light=light, noise_levels=noise, rocking_rad=rocking,
                frame_rate_hz=rate,
            ),
            floor_size_m=None if floor in KINDS else sweep.floor_size_m,
            exposure_s=sweep.exposure_s,
            seed=seed,
            frames=sweep.effort.frames,
            image_frames=min(sweep.effort.image_frames, sweep.effort.frames) if seed < looked_at else 0,
            methods=sweep.methods if seed - sweep.first_seed < sweep.effort.shared_seeds else sweep.methods[:1],
        )
        for floor, speed, light, noise, rocking, rate, height, seed in grid
    ]  # fmt: skip


def recorded_trials(
    folders: Sequence[Path], module: Path | None, frames: int | None, methods: tuple[str, ...] = METHODS
) -> list[Item]:
    """List the work on recordings that have a reference log; the first ``frames`` frames of each, or all.

    Raises
    ------
    DataError
        A folder is no recording, or has no ``truth.csv``.
    """
    items: list[Item] = []
    for folder in folders:
        recording = open_recording(folder, module)
        if recording.truth_path is None:
            raise DataError("holds no truth.csv; an error needs a reference", path=folder)
        count = recording.frame_count if frames is None else min(frames, recording.frame_count)
        items += [
            RecordedTrial(folder=str(folder), module_path=str(recording.module_path), frames=count, methods=(method,))
            for method in methods
        ]
    return items


def run_sweep(
    items: Sequence[Item], log: RunLog, engine: Engine, progress: Callable[[Item], None] | None = None
) -> list[Run]:
    """Work off what the log does not hold yet; gives the runs of all items, in their order.

    Raises
    ------
    DataError
        A recording cannot serve, or a process of the engine was ended from outside.
    """
    done = log.done(items)
    if progress is not None:
        for item in items:
            if item.key in done:
                progress(item)
    for item, runs in engine(work, [item for item in items if item.key not in done]):
        log.add(runs)
        done[item.key] = runs
        if progress is not None:
            progress(item)
    return [run for item in items for run in done[item.key]]


def local_engine(processes: int) -> Engine:
    """Make an engine of so many processes on this machine, one thread each; they end with it, whatever happens."""

    def engine(job: Callable[[Item], list[Run]], items: Sequence[Item]) -> Iterator[tuple[Item, list[Run]]]:
        before = set(multiprocessing.active_children())
        # Fresh interpreters: a fork would copy the threads' locks of the progress bar, and OpenCV's thread pool.
        pool = ProcessPoolExecutor(
            min(processes, len(items)) or 1, multiprocessing.get_context("spawn"), initializer=_begin_worker
        )
        finished = False
        try:
            with _quiet_children():
                futures = {pool.submit(job, item): item for item in items}
            for future in as_completed(futures):
                yield futures.pop(future), future.result()
            finished = True
        except BrokenProcessPool:
            raise DataError("a working process was ended from outside (out of memory?); use fewer --jobs") from None
        finally:
            pool.shutdown(wait=finished, cancel_futures=True)
            if not finished:
                for child in set(multiprocessing.active_children()) - before:
                    child.terminate()

    return engine


def _begin_worker() -> None:
    cv2.setNumThreads(1)
    parent = multiprocessing.parent_process()

    def end_with_parent() -> None:
        assert parent is not None
        parent.join()
        os._exit(1)

    threading.Thread(target=end_with_parent, daemon=True).start()


@contextmanager
def _quiet_children() -> Iterator[None]:
    """Let processes started here use one thread each and leave Ctrl-C to their parent (both are inherited)."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    main = threading.current_thread() is threading.main_thread()
    handler = signal.signal(signal.SIGINT, signal.SIG_IGN) if main else None
    try:
        yield
    finally:
        if main:
            signal.signal(signal.SIGINT, handler)
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
