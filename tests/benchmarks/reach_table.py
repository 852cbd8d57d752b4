"""Print the README's accuracy table: the recordings of ``tests/flow/test_reach.py``, measured afresh.

python -m tests.benchmarks.reach_table
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.flow.test_reach import CASES, measured

WORDS = {
    "hover": "hovering in gusts at 1 m, rocking ±3° at 1 Hz",
    "tilted_pass": "1.9 m/s at 2 m, leaning 8°, yawing",
    "high_pass": "2.8 m/s at 6 m, range noise 2 cm",
    "turning": "turning on the spot at 90°/s while rocking",
    "low_and_fast": "3.2 m/s at 0.6 m (24 px a frame)",
    "wide_lens": "140° equidistant lens, 0.8 m/s at 1 m",
    "crossing_object": "a textured object crossing a quarter of the view",
    "laser": "laser ranger, leaning 10-20°, 1 m/s at 1.5 m",
    "cold_air": "ultrasonic ranger at -5 °C, 1.2 m/s at 1.5 m",
}


def main() -> None:
    """Measure each recording and print one row of the table for it."""
    print("| recording | RMS forward / right, mm/s | mean error, mm/s | rows usable | inside the 95 % band |")
    print("| --- | --- | --- | --- | --- |")
    for case in CASES:
        if case.__name__ not in WORDS:
            continue
        with tempfile.TemporaryDirectory() as folder:
            found = measured(case(), Path(folder))
        axes = (found.forward, found.right)
        rms = " / ".join(f"{1000 * axis.rms_m_s:.1f}" for axis in axes)
        bias = " / ".join(f"{1000 * axis.bias_m_s:+.1f}" for axis in axes)
        inside = " / ".join(f"{100 * axis.share_95:.0f} %" for axis in axes)
        usable = f"{100 * found.rows_usable / found.rows:.0f} %"
        print(f"| {WORDS[case.__name__]} | {rms} | {bias} | {usable} | {inside} |", flush=True)


if __name__ == "__main__":
    main()
