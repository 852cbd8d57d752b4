"""Long columns, and the times of long videos, are not in memory."""

from __future__ import annotations

import errno
import os
import tempfile
import tracemalloc
from fractions import Fraction

import numpy as np
import pytest

import flow.disk.on_disk
from flow.disk.listing import _Stamps
from flow.disk.on_disk import LongColumn
from flow.errors import DataError


def test_a_long_column_comes_back_whole_and_not_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flow.disk.on_disk, "_IN_MEMORY", 1000)
    tracemalloc.start()
    try:
        column = LongColumn()
        for k in range(100_500):
            column.append(0.5 * k)
        whole = column.finish()
        # As numbers in memory these are 804 kB; 1000 of them wait for the file at a time, 8 kB. (The rest: modules loaded.)
        assert tracemalloc.get_traced_memory()[1] < 400_000
    finally:
        tracemalloc.stop()
    np.testing.assert_array_equal(whole, 0.5 * np.arange(100_500))
    assert not whole.flags.writeable
    assert len(column) == 100_500


def test_a_short_column_needs_no_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "TemporaryFile", None)
    column = LongColumn()
    column.extend(np.array([1.0, 3.0]))
    assert column.finish().tolist() == [1.0, 3.0]


class Full:
    """A file on a disk without room."""

    def write(self, _: bytes) -> int:
        """Fail as the system does."""
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def close(self) -> None:
        """Have nothing to do."""


def test_no_room(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flow.disk.on_disk, "_IN_MEMORY", 10)
    monkeypatch.setattr(tempfile, "TemporaryFile", Full)
    with pytest.raises(DataError, match=r"no room .* \(No space left on device\); let TMPDIR"):
        LongColumn().extend(range(10))


def test_stamps_out_of_order_are_put_in_order() -> None:
    """As many as 16 pictures may wait for one that is shown before them (H.264 and HEVC)."""
    order = [17 * (k // 17) + (k % 17 - 1) % 17 for k in range(510)]  # the last of each 17 comes first
    stamps = _Stamps(Fraction(1, 50), reorder=True)
    for stamp in order:
        stamps.add(stamp)
    times_s = stamps.finish()
    assert times_s is not None
    np.testing.assert_array_equal(times_s, np.arange(510) / 50)
