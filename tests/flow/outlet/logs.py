"""A short speed log whose numbers are easy to follow."""

from __future__ import annotations

from pathlib import Path

HEADER = (
    "time_s,interval_s,forward_m_s,right_m_s,down_m_s,forward_sigma_m_s,right_sigma_m_s,down_sigma_m_s,"
    "height_m,height_sigma_m,tracks,inlier_share,status"
)
ROWS = (
    "0.0250000,0.0166667,1.250000,-0.500000,0.125000,0.003000,0.004000,0.007000,1.50000,0.00400,180,0.9800,ok",
    "0.0416667,0.0166667,,,,,,,,,12,0.2500,few_tracks",
    "0.0583333,0.0166667,-0.750000,0.000000,-0.250000,0.005000,0.006000,0.008000,1.40000,0.00500,150,0.9000,ok",
)


def speed_folder(folder: Path, rows: tuple[str, ...] = ROWS) -> Path:
    """Write ``speed.csv`` as a measurement would."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "speed.csv").write_text("\n".join([HEADER, *rows]) + "\n")
    return folder
