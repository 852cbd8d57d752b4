"""The hidden folder beside a result in which it is made, and what becomes of those that killed runs left."""

from __future__ import annotations

import errno
import os
import re
import secrets
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_NAME = re.compile(r"\.groundpace-[0-9a-f]{16}")
_ASIDE = "aside"
_FOLDERS_OPEN = sys.platform != "win32"  # elsewhere nothing tells whether a run is alive, and nothing is ever cleared


@contextmanager
def workplace(folder: Path) -> Iterator[Path]:
    """Give a new hidden folder in ``folder``; it goes with all that is in it, however this ends.

    A run that is killed leaves it behind, and the next one that makes something in ``folder`` clears it away. The lock
    on a folder tells whether its run is alive: the system drops it with the process, and never before.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    if _FOLDERS_OPEN:
        _clear(folder)
    place, handle = _made(folder)
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)
        if handle is not None:
            os.close(handle)


def cannot_be_written(error: OSError) -> str:
    """Say why something cannot be written, and what to do."""
    full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    remedy = "make room there, or choose another disk" if full else "choose a folder you may write to"
    return f"cannot be written ({error.strerror or error}); {remedy}"


def set_aside(target: Path, place: Path) -> Path:
    """Move ``target`` into a workplace beside it; if this run is killed before something new has its name, it comes back."""
    aside = place / _ASIDE / target.name
    aside.parent.mkdir()
    target.rename(aside)
    return aside


def _made(folder: Path) -> tuple[Path, int | None]:
    """Make a workplace and lock it; give the open folder, which holds the lock, None where folders cannot be opened."""
    while True:
        place = folder / f".groundpace-{secrets.token_hex(8)}"
        place.mkdir(mode=0o700)
        if not _FOLDERS_OPEN:
            return place, None
        handle: int | None = None
        with suppress(FileNotFoundError):  # another run may take it for a leftover before it is locked
            handle = os.open(place, os.O_RDONLY)
            _lock(handle, wait=True)
            if os.path.samestat(os.fstat(handle), place.stat()):
                return place, handle
        if handle is not None:
            os.close(handle)


def _clear(folder: Path) -> None:
    """Remove the workplaces in a folder whose runs are dead."""
    places: list[Path] = []
    with suppress(PermissionError):  # one may write into a folder that one may not list
        places = [path for path in folder.iterdir() if _NAME.fullmatch(path.name)]
    for place in places:
        with suppress(OSError):  # somebody else's, or gone by now
            handle = os.open(place, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
            try:
                if _lock(handle, wait=False):
                    _bring_back(place)
                    shutil.rmtree(place, ignore_errors=True)
            finally:
                os.close(handle)


def _bring_back(place: Path) -> None:
    """Give what was set aside its name again, unless something new has it."""
    with suppress(FileNotFoundError):
        for held in (place / _ASIDE).iterdir():
            if not (place.parent / held.name).exists():
                held.rename(place.parent / held.name)


def _lock(handle: int, *, wait: bool) -> bool:
    """Lock an open folder; says whether that worked. Where a file system knows no locks, nothing is ever cleared."""
    if sys.platform == "win32":
        return False
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        return False
    return True
