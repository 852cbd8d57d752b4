"""The clock that a recording had before it was imported."""

from __future__ import annotations

import json
from pathlib import Path

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from flow.errors import DataError
from flow.intake.gathered import IMPORT_FILE


def original_zero_ns(folder: Path) -> int | None:
    """Give what the original clock read at the recording's time 0, ns; None where nothing tells.

    ``folder`` is what a measurement wrote: its ``summary.json`` names the recording, whose import file tells.

    Raises
    ------
    DataError
        The import file is there and cannot be understood.
    """
    try:
        recording = Path(json.loads((folder / "summary.json").read_text(encoding="utf-8"))["recording"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    # The summary has the name as it was typed, perhaps in another place: a recording also holds its own results.
    inside = [folder.resolve().parent] if folder.resolve().parent.name == recording.name else []
    found = next((path for path in (recording, *inside) if (path / IMPORT_FILE).is_file()), None)
    return None if found is None else _zero_ns(found / IMPORT_FILE)


def _zero_ns(path: Path) -> int:
    try:
        zero_ns = YAML(typ="safe").load(path.read_text(encoding="utf-8"))["made"].get("time_zero_ns", 0)
    except (OSError, ValueError, YAMLError, KeyError, TypeError, AttributeError):
        zero_ns = None
    if not isinstance(zero_ns, int):
        raise DataError("does not record the clock of the source; import the recording again", path=path)
    return zero_ns
