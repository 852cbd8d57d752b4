"""What is read must be a file: a pipe that nobody writes to is waited for without end, a device has none."""

from __future__ import annotations

from pathlib import Path

from flow.errors import DataError


def refuse_devices(path: Path) -> None:
    """Refuse what is there and is neither a file nor a folder.

    Raises
    ------
    DataError
        A pipe, a socket or a device.
    """
    if path.exists() and not path.is_file() and not path.is_dir():
        raise DataError("is a pipe or a device; name a file", path=path)
