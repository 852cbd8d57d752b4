"""How well a real camera's images are measured, at several frame rates and through H.264.

Run ``python -m tests.benchmarks.carried_table``; GROUNDPACE_REAL names the recording's folder (see
:mod:`tests.outside.carried`, also for what of these errors is the path's own).
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from tests.outside.carried import Outcome, outcome


def main() -> None:
    """Print a row for each way to store the images."""
    print(
        "images   codec     usable   RMS forward / right mm/s   mean mm/s      in 95 % band     place RMS mm  moving light"
    )
    with tempfile.TemporaryDirectory() as folder:
        for every, h264 in ((1, None), (2, None), (3, None), (4, None), (1, "60"), (2, "30")):
            place = None if h264 is None else Path(folder) / h264
            if place is not None:
                place.mkdir()
            print(_line(60 / every, "lossless" if h264 is None else "h264", outcome(every, place)))


def _line(rate_hz: float, codec: str, found: Outcome) -> str:
    level, sigma = 1e3 * found.error_m_s[:, :2], 1e3 * found.sigma_m_s[:, :2]
    rms, mean = np.sqrt(np.mean(level**2, axis=0)), level.mean(axis=0)
    inside = 100 * np.mean(np.abs(level) < 1.96 * sigma, axis=0)
    place = 1e3 * np.sqrt(np.mean(np.square(found.place_error_m).sum(axis=1)))
    return (
        f"{rate_hz:4.0f}/s   {codec:8}  {100 * found.usable / found.rows:5.1f} %   {rms[0]:11.1f} / {rms[1]:3.1f}        "
        f"{mean[0]:+9.1f} / {mean[1]:+3.1f}    {inside[0]:5.1f} / {inside[1]:4.1f} %   {place:8.1f}      "
        f"{found.lit} of {found.rows}"
    )


if __name__ == "__main__":
    main()
