"""Files written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from flow.errors import DataError


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a temporary path beside ``path``; on success it takes the place of ``path``, on failure it goes.

    Folders that are missing are made; on failure those go too.

    Raises
    ------
    DataError
        The folder cannot be written, or the disk is full.
    """
    temporary: Path | None = None
    made: list[Path] = []
    try:
        if file := next((parent for parent in path.parents if parent.is_file()), None):
            raise DataError(f"cannot be written, {file} is a file; choose a folder", path=path)
        if path.is_dir():
            raise DataError("cannot be written, a folder has that name; choose another place", path=path)
        made = [folder for folder in path.parents if not folder.exists()]
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}-", suffix=path.suffix)
        os.close(handle)
        temporary = Path(name)
        yield temporary
        temporary.chmod(0o644)
        temporary.replace(path)
        made = []
    except OSError as error:
        problem = f"cannot be written ({error.strerror or error}); choose a folder you may write to"
        raise DataError(problem, path=path) from None
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        for folder in made:
            with suppress(OSError):  # somebody else's by now
                folder.rmdir()


def write_text(path: Path, text: str) -> None:
    """Write ``text`` as UTF-8, whole or not at all."""
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
