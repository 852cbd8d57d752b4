"""Progress on standard error: the stage, frames done, frames per second, time left. Silent when nobody watches."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType

from rich.console import Console
from rich.progress import BarColumn, Progress, ProgressColumn, Task, TextColumn, TimeRemainingColumn
from rich.text import Text

from cli.options import verbosity

_EVERY = 15  # frames; the bar costs more than the count
_NARROW = 72  # characters; below that there is no room for rate and time left


class _Count(ProgressColumn):
    def render(self, task: Task) -> Text:
        return Text("" if not task.fields["unit"] else f"{task.completed:.0f}/{task.total:.0f} {task.fields['unit']}")


class _Rate(ProgressColumn):
    def render(self, task: Task) -> Text:
        speed = task.finished_speed or task.speed
        return Text("" if not task.fields["unit"] or not speed else f"{speed:.0f} {task.fields['unit']}/s")


class _Left(TimeRemainingColumn):
    def __init__(self) -> None:
        super().__init__(elapsed_when_finished=True)

    def render(self, task: Task) -> Text:
        if task.total is None:
            return Text()
        return super().render(task) if task.finished else super().render(task).append(" left")


class Stages:
    """A bar that names what is being done; a context manager, or ended by :meth:`finish`.

    It shows from the start, while libraries load, and is full in the end. A failure takes it away. Numba's compiler is
    a stage of its own, which begins and ends by itself. With ``--verbose`` each stage leaves a line with the time it
    took, watched or not; with ``--quiet`` nothing shows.

    Parameters
    ----------
    name
        The first stage.
    """

    def __init__(self, name: str = "starting") -> None:
        self._console = Console(stderr=True)
        self._loud = verbosity() > 0
        columns: list[ProgressColumn] = [TextColumn("{task.description}"), BarColumn(), _Count()]
        if self._console.width >= _NARROW:
            columns += [_Rate(), _Left()]
        hidden = verbosity() < 0 or not self._console.is_terminal
        self._progress = Progress(*columns, console=self._console, disable=hidden)
        self._task = self._progress.add_task(name, total=None, unit="")
        self._name, self._began = name, time.perf_counter()
        self._waiting, self._seen_first, self._ended = 0, False, False
        self._stop_watching: Callable[[], None] | None = None
        self._progress.start()

    def __enter__(self) -> Stages:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None and not self._ended:
            self._progress.live.transient = True
            self._end()
        self.finish()

    def stage(self, name: str, total: int | None = None, unit: str = "frames") -> None:
        """Begin a stage of ``total`` units; without that the bar only shows that work goes on. The last one ends full."""
        self._fill()
        self._tell_time()
        self._name, self._began, self._waiting = name, time.perf_counter(), 0
        self._progress.reset(self._task, total=total, description=name, unit="" if total is None else unit)
        self._progress.tasks[0].total = total  # reset() takes None for "as before"
        self._progress.refresh()
        if self._stop_watching is None and "flow.numerics.compiled" in sys.modules:
            from flow.numerics.compiled import watch_compiler

            self._stop_watching = watch_compiler(self._compile)

    def advance(self, count: int = 1, name: str | None = None) -> None:
        """Count what is done; the stage may take another name on the way."""
        self._waiting += count
        self._name = name or self._name
        task = self._progress.tasks[0]
        if self._seen_first:
            self._progress.reset(self._task, total=task.total, description=self._name)
            self._seen_first = False
        if self._waiting >= _EVERY or (task.total is not None and task.completed + self._waiting >= task.total):
            self._progress.update(self._task, advance=self._waiting, description=self._name)
            self._waiting = 0

    @contextmanager
    def frames(self, name: str, total: int) -> Iterator[Callable[[], None]]:
        """Give a function to call once a frame, in a stage of ``total`` frames."""
        self.stage(name, total)
        yield self.advance

    def first_pass(self, frame: int) -> None:
        """Show that a frame has been seen for the first time, which the stage will count once it comes to it."""
        self._seen_first = True
        if frame % _EVERY == 0:
            self._progress.update(self._task, completed=frame, description="first pass")

    def say(self, what: str) -> None:
        """Name what is being done in a stage of unknown extent; a colon parts its name from how far it is."""
        if what.partition(":")[0] != self._name.partition(":")[0]:
            self._tell_time()
            self._began = time.perf_counter()
        self._name = what
        self._progress.update(self._task, description=what)

    def finish(self) -> None:
        """Fill the bar and leave it; the result comes next. More than once does no harm."""
        if self._ended:
            return
        self._tell_time()
        self._fill()
        self._end()

    def _fill(self) -> None:
        """Show a stage as done: full, whatever number was foreseen."""
        total = max(self._progress.tasks[0].completed + self._waiting, 1)
        self._progress.update(self._task, total=total, completed=total, description=self._name, refresh=True)
        self._waiting = 0

    def _end(self) -> None:
        self._ended = True
        if self._stop_watching is not None:
            self._stop_watching()
        self._progress.stop()

    def _compile(self) -> None:
        self._progress.update(self._task, description="compiling")

    def _tell_time(self) -> None:
        if self._loud:
            text = f"{self._name.partition(':')[0]}: {time.perf_counter() - self._began:.1f} s"
            self._progress.console.print(text, highlight=False, markup=False, soft_wrap=True)


@contextmanager
def frames_progress(total: int, name: str = "measuring") -> Iterator[Callable[[], None]]:
    """Give a function to call once a frame."""
    with Stages(name) as stages:
        stages.stage(name, total)
        yield stages.advance


def note(text: str) -> None:
    """Say on standard error what is worth knowing but no part of the result; ``--quiet`` leaves it out."""
    if verbosity() >= 0:
        Console(stderr=True, highlight=False, markup=False, emoji=False, soft_wrap=True).print(text)
