"""The positions on disk: ``track.csv``."""

from __future__ import annotations

import os

from flow.anchoring.position import Position
from flow.columns import TRACK
from flow.disk.files import RowWriter, cell


class TrackLogWriter(RowWriter):
    """Writes ``track.csv``: a row for each frame that has a position; see :class:`flow.anchoring.position.Position`.

    ``forward_right_m2`` is the covariance of the two, ``registered`` 1 where the picture itself was held against the
    anchor and 0 where speed was added up since.

    Parameters
    ----------
    path
        Where the log goes.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        super().__init__(path, TRACK)

    def write(self, position: Position) -> None:
        """Append a position."""
        (forward2, across2), (_, right2) = position.covariance_m2
        self.write_cells(
            [
                f"{position.time_s:.7f}", cell(position.forward_m, 6), cell(position.right_m, 6), cell(forward2**0.5, 6),
                cell(right2**0.5, 6), f"{across2:.3e}", str(position.anchor), str(int(position.sight is not None)),
            ]
        )  # fmt: skip
