"""Files with anything in them: made from a sound one by what disks, cards and people do, or from nothing at all."""

from __future__ import annotations

import resource
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from flow.errors import DataError

Read = Callable[[Path], object]

_HANG_S = 60  # no file here takes a second: whatever is at it for a minute will never end
_MEMORY = 3 << 30  # address space that reading some kB may ask for; a length that lies asks for more
_NASTY = (
    b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\n\n", b'"', b",", b";", b"-", b"1e999", b"nan", b"\xf0\x9f\x9a\x81",
)  # fmt: skip
# Shrinking and a database are for a person at a failure; a test run needs the same files each time.
FEW = settings(
    max_examples=40, deadline=None, derandomize=True, database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large],
)  # fmt: skip


class Content(bytes):
    """Bytes that a failing test shows the beginning of."""

    def __repr__(self) -> str:
        return f"{len(self)} bytes, {bytes(self[:300])!r}"


def anything() -> st.SearchStrategy[bytes]:
    """Give bytes, text of any language, and tables of numbers with words in them."""
    cell = st.one_of(st.floats().map(repr), st.integers().map(str), st.text(max_size=8), st.just(""))
    table = st.lists(st.lists(cell, max_size=6).map(",".join), max_size=8).map("\n".join)
    return st.one_of(
        st.binary(max_size=200), *[text.map(lambda t: t.encode(errors="replace")) for text in (table, st.text())]
    )


@st.composite
def spoilt(draw: st.DrawFn, sound: bytes) -> Content:
    """Spoil a sound file: bytes changed, a part cut out, doubled or put elsewhere, the end missing."""
    data = bytearray(sound)
    place = st.integers(0, max(len(sound) - 1, 0))
    for _ in range(draw(st.integers(1, 4))):
        if not data:
            break
        at, other = draw(place) % len(data), draw(place) % len(data)
        first, last = min(at, other), min(max(at, other), min(at, other) + 4096)
        match draw(st.sampled_from(["change", "flip", "cut out", "double", "put in", "end"])):
            case "change":
                data[at] = draw(st.integers(0, 255))
            case "flip":
                data[at] ^= 1 << draw(st.integers(0, 7))
            case "cut out":
                del data[first:last]
            case "double":
                data[at:at] = data[first:last]
            case "put in":
                data[at:at] = draw(st.sampled_from(_NASTY))
            case _:
                del data[at:]
    return Content(data)


def many_places(sound: bytes, count: int) -> Iterator[bytes]:
    """Give the file cut off at ``count`` places and with one bit turned at each of as many, spread over all of it."""
    for k, at in enumerate(np.linspace(0, len(sound) - 1, count).astype(int)):
        yield sound[:at]
        turned = bytearray(sound)
        turned[at] ^= 1 << (k % 8)
        yield bytes(turned)


def survives(read: Read, path: Path, content: bytes) -> bool:
    """Read a file; whether it was taken. All that may go wrong is one clear line that names it.

    Takes neither long nor much memory.
    """
    path.write_bytes(content)
    try:
        with _watched():
            read(path)
    except DataError as error:
        told = str(error)
        assert path.name in told and "\n" not in told and len(told) < 1000, told
        return False
    return True


def drained(read: Callable[[Path], Any]) -> Read:
    """Read to the end what comes piece by piece."""

    def whole(path: Path) -> None:
        for _ in read(path):
            pass

    return whole


@contextmanager
def _watched() -> Iterator[None]:
    """Limit memory and time of what runs inside."""
    pages = Path("/proc/self/statm")
    limits = resource.getrlimit(resource.RLIMIT_AS)
    if pages.exists():
        now = int(pages.read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (now + _MEMORY, limits[1]))
    before = signal.signal(signal.SIGALRM, _hangs)
    signal.alarm(_HANG_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
        resource.setrlimit(resource.RLIMIT_AS, limits)


def _hangs(*_: object) -> None:
    raise TimeoutError("hangs")
