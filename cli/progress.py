"""Progress on standard error: frames done, frames per second, time left. Silent when nobody watches."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, Task, TextColumn, TimeRemainingColumn
from rich.text import Text


class _Rate(TextColumn):
    def __init__(self) -> None:
        super().__init__("")

    def render(self, task: Task) -> Text:
        return Text(f"{task.speed or 0.0:.0f} frames/s")


@contextmanager
def frames_progress(total: int) -> Iterator[Callable[[], None]]:
    """Give a function to call once a frame."""
    console = Console(stderr=True)
    done, left = (MofNCompleteColumn(), TextColumn("frames"), _Rate()), (TimeRemainingColumn(), TextColumn("left"))
    columns = (BarColumn(), *done, *left)
    with Progress(*columns, console=console, disable=not console.is_terminal, transient=True) as progress:
        task = progress.add_task("", total=total)
        waiting = 0

        def advance() -> None:
            nonlocal waiting
            waiting += 1
            if waiting == 15:  # the bar costs more than the count
                progress.advance(task, waiting)
                waiting = 0

        yield advance
