"""Ways to spoil a recording folder."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import av
import numpy as np
import pandas as pd

from flow.video import Video

Spoil = Callable[[Path], object]


def text(file: str, old: str, new: str) -> Spoil:
    """Replace a pattern once."""

    def spoil(folder: Path) -> None:
        whole, count = re.subn(old, new, (folder / file).read_text(), count=1)
        assert count == 1
        (folder / file).write_text(whole)

    return spoil


def rows(file: str, change: Callable[[list[str]], list[str]]) -> Spoil:
    """Change the lines below the header."""

    def spoil(folder: Path) -> None:
        header, *lines = (folder / file).read_text().splitlines()
        (folder / file).write_text("\n".join([header, *change(lines)]) + "\n")

    return spoil


def scaled(file: str, columns: str, factor: float, plus: float = 0.0) -> Spoil:
    """Multiply the columns whose name matches."""

    def spoil(folder: Path) -> None:
        table = pd.read_csv(folder / file)
        names = table.columns[table.columns.str.contains(columns)]
        table[names] = table[names] * factor + plus
        table.to_csv(folder / file, index=False)

    return spoil


def frame_times(change: Callable[[pd.DataFrame], pd.DataFrame]) -> Spoil:
    """Write a frames.csv with a fault."""

    def spoil(folder: Path) -> None:
        times_s = Video(folder / "video.mp4").times_s
        change(pd.DataFrame({"frame": np.arange(len(times_s)), "time_s": times_s})).to_csv(
            folder / "frames.csv", index=False
        )

    return spoil


def cell(table: pd.DataFrame, row: int, column: str, value: Any) -> pd.DataFrame:
    table = table.astype(object)
    table.loc[row, column] = value
    return table


def remuxed(folder: Path, keep: float) -> None:
    """Put the video into Matroska and cut the file there, as a full card would."""
    with av.open(str(folder / "video.mp4")) as source, av.open(str(folder / "video.mkv"), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.size:
                packet.stream = stream
                target.mux(packet)
    (folder / "video.mp4").unlink()
    whole = (folder / "video.mkv").read_bytes()
    (folder / "video.mkv").write_bytes(whole[: int(keep * len(whole))])


def frameless(folder: Path) -> None:
    (folder / "video.mp4").unlink()
    with av.open(str(folder / "video.avi"), "w") as container:
        stream = container.add_stream("mjpeg", rate=30)
        stream.width, stream.height, stream.pix_fmt = 160, 120, "yuvj420p"  # type: ignore[union-attr]
        container.start_encoding()


def link_to_nothing(folder: Path) -> None:
    (folder / "attitude.csv").symlink_to("gone.csv")


def swapped(lines: list[str], i: int, j: int) -> list[str]:
    lines[i], lines[j] = lines[j], lines[i]
    return lines
