"""Files appear whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from flow.disk.files import replacing, write_text
from flow.errors import DataError


def test_the_new_file_takes_the_place_of_the_old(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "er" / "a.txt"
    write_text(path, "eins\n")
    write_text(path, "zwei µ\n")
    assert path.read_bytes() == "zwei µ\n".encode()
    assert [p.name for p in path.parent.iterdir()] == ["a.txt"]


def test_a_failure_keeps_the_old_and_cleans_up(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    with pytest.raises(RuntimeError), replacing(path) as temporary:
        temporary.write_text("half")
        raise RuntimeError
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(DataError, match=r"file/a.txt: cannot be written"):
        write_text(tmp_path / "file" / "a.txt", "x")
    (tmp_path / "folder").mkdir()
    with pytest.raises(DataError, match=r"folder: cannot be written"):
        write_text(tmp_path / "folder", "x")


def test_a_full_disk_is_told_in_one_line(tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("no /dev/full on this system")
    told = pytest.raises(DataError, match=r"a.txt: cannot be written \(No space left on device\)")
    with told, replacing(tmp_path / "a.txt"), full.open("w") as file:
        file.write("x")
    assert list(tmp_path.iterdir()) == []
