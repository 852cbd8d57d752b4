"""Where a section of a module file comes from: when, which file, which version, which residual."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from flow.errors import DataError
from flow.module import Provenance


def provenance(source: Path, residual: Mapping[str, str | int | float | bool]) -> Provenance:
    """Provenance of a calibration made now from ``source``.

    Parameters
    ----------
    source
        The file or folder the calibration read.
    residual
        How well the data fitted: plain names with the unit in the name, for example ``rms_px``. Stored
        beside the other entries; floats are cut to six significant digits.

    Returns
    -------
    ``when`` (UTC, ISO 8601), ``source`` (its name), ``sha256``, ``version`` of groundpace, then the
    residuals.

    Raises
    ------
    DataError
        The source can no longer be read.
    """
    return {
        "when": datetime.now(UTC).isoformat(timespec="seconds"),
        "source": source.resolve().name,
        "sha256": sha256(source),
        "version": _version(),
        **{key: float(f"{value:.6g}") if isinstance(value, float) else value for key, value in residual.items()},
    }


def sha256(source: Path) -> str:
    """SHA-256 of a file; of a folder, that of the lines ``hash  relative/path`` of its files in path order.

    The folder form is what ``find . -type f | sort | xargs sha256sum | sha256sum`` gives in the C locale,
    with the leading ``./`` left out. Files whose name begins with a dot are passed over.
    """
    try:
        if not source.is_dir():
            return _digest(source)
        lines = (f"{_digest(file)}  {name}\n" for name, file in _files(source))
        return hashlib.sha256("".join(lines).encode()).hexdigest()
    except OSError as error:
        raise DataError(f"cannot be read ({error.strerror or error})", path=source) from None


def _files(folder: Path) -> Iterable[tuple[str, Path]]:
    found = ((path.relative_to(folder).as_posix(), path) for path in folder.rglob("*") if path.is_file())
    return sorted((name, path) for name, path in found if not path.name.startswith("."))


def _digest(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _version() -> str:
    try:
        return version("groundpace")
    except PackageNotFoundError:
        return "from source"
