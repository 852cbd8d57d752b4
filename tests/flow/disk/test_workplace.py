"""What a killed run leaves is cleared away by the next; what anybody else has there is not."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from flow.disk import workplace as workplace_module
from flow.disk.files import replacing, write_text
from flow.disk.folders import fresh_folder
from flow.disk.workplace import workplace
from tests.cli.short_flight import ENVIRONMENT

_HELD = """
import sys, time
from pathlib import Path
from flow.disk.files import replacing
with replacing(Path("out/speed.csv")) as first, replacing(Path("out/review.mp4")):
    first.write_text("half")
    print("ready", flush=True)
    time.sleep(60)
"""
_SWAPPED_HALF = """
import os, signal, sys
from pathlib import Path
from flow.disk import folders
def dies(*_): os.kill(os.getpid(), signal.SIGKILL)
with folders.fresh_folder(Path("rec"), ["a.txt"], force=True) as made:
    (made / "a.txt").write_text("new")
    aside = folders.set_aside
    folders.set_aside = lambda *all: (aside(*all), dies())
"""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no locks that end with their process")


def started(code: str) -> subprocess.Popen[str]:
    """Run a program until it says that it is ready."""
    run = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, env=ENVIRONMENT)
    assert run.stdout is not None
    assert run.stdout.readline() == "ready\n"
    return run


def killed(run: subprocess.Popen[str]) -> None:
    run.kill()
    assert run.stdout is not None
    run.wait()
    run.stdout.close()


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_killed_run_is_cleared_away_and_a_living_one_is_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    dead, alive = started(_HELD), started(_HELD)
    try:
        killed(dead)
        assert len(names(tmp_path / "out")) == 4
        write_text(Path("out/summary.json"), "{}")
        left = names(tmp_path / "out")
        assert left[-1] == "summary.json" and len(left) == 3
        assert {name for place in left[:2] for name in names(tmp_path / "out" / place)} == {"speed.csv", "review.mp4"}
    finally:
        killed(alive)
    write_text(Path("out/summary.json"), "{}")
    assert names(tmp_path / "out") == ["summary.json"]


def test_a_run_does_not_clear_its_own(tmp_path: Path) -> None:
    with replacing(tmp_path / "a") as first, replacing(tmp_path / "b") as second:
        first.write_text("1")
        second.write_text("2")
    assert {name: (tmp_path / name).read_text() for name in names(tmp_path)} == {"a": "1", "b": "2"}


def a_file(place: Path) -> None:
    place.write_text("mine")


def a_link(place: Path) -> None:
    precious = place.parent.parent / "precious"
    precious.mkdir()
    (precious / "flight.txt").write_text("mine")
    place.symlink_to(precious)


@pytest.mark.parametrize(
    ("name", "make"),
    [
        (".groundpace-notes", Path.mkdir),
        (".groundpace-0123456789abcdef0", Path.mkdir),
        (".groundpace-0123456789ABCDEF", Path.mkdir),
        ("groundpace-0123456789abcdef", Path.mkdir),
        (".groundpace-0123456789abcdef", a_file),
        (".groundpace-0123456789abcdef", a_link),
    ],
)
def test_what_is_not_ours_stays(tmp_path: Path, name: str, make: Callable[[Path], None]) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    make(folder / name)
    write_text(folder / "z.txt", "new")
    assert names(folder) == sorted([name, "z.txt"])
    if make is a_link:
        assert (tmp_path / "precious" / "flight.txt").read_text() == "mine"


def test_a_folder_whose_replacement_was_killed_half_way_comes_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    write_text(Path("rec/a.txt"), "old")
    run = subprocess.run([sys.executable, "-c", _SWAPPED_HALF], env=ENVIRONMENT, check=False)
    assert run.returncode < 0
    assert not Path("rec").exists()
    with fresh_folder(Path("other"), [], force=False):
        assert Path("rec/a.txt").read_text() == "old"
    assert names(tmp_path) == ["other", "rec"]


def test_a_new_folder_is_not_replaced_by_what_was_set_aside(tmp_path: Path) -> None:
    for name in ("rec/new", ".groundpace-0123456789abcdef/aside/rec/old"):
        write_text(tmp_path / name, "")
    with workplace(tmp_path):
        pass
    assert names(tmp_path) == ["rec"]
    assert names(tmp_path / "rec") == ["new"]


def test_where_folders_cannot_be_opened_results_are_written_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on Windows, where opening a folder is denied (Python's documentation of os.open) and O_DIRECTORY is unknown."""

    def denied(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    leftover = tmp_path / f".groundpace-{'0' * 16}"
    leftover.mkdir()
    monkeypatch.setattr(workplace_module, "_FOLDERS_OPEN", False)
    monkeypatch.setattr(workplace_module, "os", SimpleNamespace(open=denied))
    write_text(tmp_path / "result.csv", "new\n")
    assert (tmp_path / "result.csv").read_text() == "new\n"
    assert sorted(p.name for p in tmp_path.iterdir()) == [leftover.name, "result.csv"]
