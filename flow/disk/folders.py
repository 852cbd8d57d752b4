"""Folders written whole or not at all."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path

from flow.disk.workplace import cannot_be_written, set_aside, workplace
from flow.errors import DataError


@contextmanager
def fresh_folder(target: Path, own: Collection[str], *, force: bool) -> Iterator[Path]:
    """Give a temporary folder beside ``target``; on success it takes that name, on failure it goes.

    A folder that is not empty is replaced only with ``force``, and only if it holds nothing but ``own`` names.

    Raises
    ------
    DataError
        The folder is taken or cannot be written.
    """
    check_free(target, own, force=force)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with workplace(target.parent) as place:
            made = place / target.name
            made.mkdir()
            yield made
            check_free(target, own, force=force)  # it may have been filled meanwhile
            _swap(made, target, place)
    except OSError as error:
        raise DataError(cannot_be_written(error), path=target) from None


def _swap(made: Path, target: Path, place: Path) -> None:
    """Put a folder in the place of another, which comes back if that fails."""
    if not target.exists():
        made.rename(target)
        return
    aside = set_aside(target, place)
    try:
        made.rename(target)
    except OSError:
        aside.rename(target)
        raise


def check_free(target: Path, own: Collection[str], *, force: bool) -> None:
    """Refuse a folder that :func:`fresh_folder` would refuse, before the work for it is done.

    Raises
    ------
    DataError
        The folder is taken.
    """
    if not target.exists():
        return
    if not target.is_dir():
        raise DataError("is a file; name a new folder", path=target)
    held = sorted(entry.name for entry in target.iterdir())
    if not held:
        return
    if not force:
        raise DataError("is not empty; name another folder, or replace the recording there with --force", path=target)
    foreign = [name for name in held if name not in own]
    if foreign:
        raise DataError(f"holds {foreign[0]}, which is no part of a recording; name another folder", path=target)
