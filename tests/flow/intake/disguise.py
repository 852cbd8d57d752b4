"""The sample flight as somebody else would have logged it: other names, units, axes and clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from flow.intake.axes import R_body_log

SAMPLE = Path(__file__).parents[3] / "sample_video" / "flight"
SHIFT_S, DRIFT = 37.4, 40e-6
AXES = "x=-y y=x z=z"  # body from the log's: turned by 90 degrees about down


def disguised(folder: Path, *, source: Path = SAMPLE, shift_s: float = SHIFT_S, drift: float = DRIFT) -> Path:
    """Write the gyro and range logs of a recording as one file; its clock runs apart and started elsewhere.

    Semicolons, deg/s, g, centimetres, whole microseconds; rows of gyro and range mixed, empty cells where a row has none.
    """
    gyro, heights = pd.read_csv(source / "gyro.csv"), pd.read_csv(source / "range.csv")
    back = R_body_log(AXES).T
    rate = np.degrees(gyro[["gyro_x_rad_s", "gyro_y_rad_s", "gyro_z_rad_s"]].to_numpy() @ back.T)
    force = gyro[["accel_x_m_s2", "accel_y_m_s2", "accel_z_m_s2"]].to_numpy() @ back.T / 9.80665
    columns = ["RotX (deg/s)", "RotY (deg/s)", "RotZ (deg/s)", "AccX [g]", "AccY [g]", "AccZ [g]"]
    log = pd.DataFrame(np.column_stack([rate, force]).round(6), columns=columns)
    log.insert(0, "uptime", gyro["time_s"])
    below = pd.DataFrame({"uptime": heights["time_s"] + 1e-3, "sonar_cm": (100 * heights["range_m"]).round(4)})
    log = pd.concat([log, below]).sort_values("uptime", kind="stable")
    log["uptime"] = np.rint(1e6 * (log["uptime"] * (1 + drift) + shift_s)).astype(np.int64)
    path = folder / "flightlog.txt"
    log.to_csv(path, sep=";", index=False)
    return path
