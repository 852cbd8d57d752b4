"""Every reader of a calibration takes any bytes; see ``tests/any_bytes.py``."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.frames import LeftOut, stills
from calib.gyro_rest import read_log
from calib.limits import limits_text, read_limits
from calib.taped import BenchAir, read_taped
from tests.any_bytes import FEW, Read, anything, many_places, spoilt, survives

SAMPLES = Path(__file__).parents[2] / "sample_video"


def start(name: str, lines: int = 60) -> bytes:
    return b"".join((SAMPLES / name).read_bytes().splitlines(keepends=True)[:lines])


def picture(path: Path) -> None:
    (found,) = stills(path.parent)
    assert isinstance(found, LeftOut) or found.grey.ndim == 2


BENCH = BenchAir(matters=True, measured_c=20.0)
READERS: dict[str, tuple[str, Callable[[], bytes], Read]] = {
    "taped heights": ("taped.csv", lambda: start("bench/taped.csv"), lambda path: read_taped(path, BENCH)),
    "gyro at rest": ("gyro.csv", lambda: start("bench/gyro.csv"), read_log),
    "limits": ("limits.yaml", limits_text().encode, read_limits),
    "picture of a board": ("view.png", (SAMPLES / "board" / "view-00.png").read_bytes, picture),
}


@pytest.mark.parametrize("name", READERS)
def test_any_content_is_read_or_refused(name: str, tmp_path: Path) -> None:
    file, sound, read = READERS[name]
    assert survives(read, tmp_path / file, sound())

    @FEW
    @given(st.one_of(spoilt(sound()), spoilt(sound()), anything()))
    def check(content: bytes) -> None:
        survives(read, tmp_path / file, content)

    check()
    for content in (*many_places(sound(), 25), b"[" * 1000, b"," * 1000, b"a: &a [*a]\n"):
        survives(read, tmp_path / file, content)
