"""The clock of the source, found from the folder of a measurement."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from flow.errors import DataError
from flow.outlet.time_base import original_zero_ns

ZERO_NS = 1_700_000_000_123_456_789


def measured(folder: Path, recording: str, imported: str | None) -> Path:
    """Write what a measurement and an import leave behind."""
    (folder / "rec" / "measured").mkdir(parents=True)
    (folder / "rec" / "measured" / "summary.json").write_text(json.dumps({"recording": recording}))
    if imported is not None:
        (folder / "rec" / "import.yaml").write_text(imported)
    return folder / "rec" / "measured"


def test_it_is_found_wherever_one_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = measured(tmp_path, "rec", f"made:\n  time_zero_ns: {ZERO_NS}\n")
    assert original_zero_ns(folder) == ZERO_NS
    monkeypatch.chdir(tmp_path)
    (tmp_path / "elsewhere").mkdir()
    (folder / "summary.json").rename(tmp_path / "elsewhere" / "summary.json")
    assert original_zero_ns(Path("elsewhere")) == ZERO_NS


def test_a_source_that_counts_from_zero(tmp_path: Path) -> None:
    assert original_zero_ns(measured(tmp_path, "rec", "made: {version: 1.0}\n")) == 0


def test_nothing_tells(tmp_path: Path) -> None:
    assert original_zero_ns(measured(tmp_path, "rec", None)) is None
    assert original_zero_ns(tmp_path) is None
    other = measured(tmp_path / "other", "another-recording", f"made: {{time_zero_ns: {ZERO_NS}}}\n")
    assert original_zero_ns(other) is None


@pytest.mark.parametrize("text", ["made: {time_zero_ns: soon}", "made: [", "", "mapping: 1"])
def test_a_broken_import_file_is_named(text: str, tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"import\.yaml: does not record the clock of the source"):
        original_zero_ns(measured(tmp_path, "rec", text))
