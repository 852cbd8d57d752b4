"""The gyro log as the review page shows it: thinned rates, and the turn of the body during each row."""

from __future__ import annotations

from collections.abc import Iterator

from cli.page.review_bins import Bins
from flow.accuracy.gyro_turns import GyroTurns
from flow.series import GyroSamples

_MOST_BINS = 24_000


class TurnLog(GyroTurns):
    """Turn of the body between two times; thins the rates on the way.

    Parameters are the first two of :class:`flow.accuracy.gyro_turns.GyroTurns`.
    """

    def __init__(self, chunks: Iterator[GyroSamples], bias_rad_s: tuple[float, float, float]) -> None:
        self.rates = Bins(3, _MOST_BINS)
        super().__init__(chunks, bias_rad_s, self.rates.add)
