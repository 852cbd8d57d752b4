"""What ``groundpace measure`` says of recordings that cannot serve: one line, and nothing touched."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.cli.short_flight import held, run
from tests.cli.spoils import Spoil, cell, frame_times, frameless, link_to_nothing, remuxed, rows, scaled, swapped, text

# By name: what is done to the folder, and what the one line must hold (file, row, column, reason, remedy).
FAULTS: dict[str, tuple[Spoil, str]] = {
    "no folder": (lambda f: f.rename("else"), r"rec: no such folder; give the folder of a recording"),
    "no video": (lambda f: (f / "video.mp4").unlink(), r"rec: holds no video; put it there as video.mp4"),
    "two videos": (lambda f: shutil.copy(f / "video.mp4", f / "video.mkv"), r"rec: .*video.mkv, video.mp4; keep one"),
    "empty video": (
        lambda f: (f / "video.mp4").write_bytes(b""),
        r"rec/video.mp4: cannot be read as a video \(.*\); is it cut",
    ),
    "cut mp4": (
        lambda f: (f / "video.mp4").write_bytes((f / "video.mp4").read_bytes()[:-4000]),
        r"rec/video.mp4: .*cut short",
    ),
    "cut mkv": (lambda f: remuxed(f, 0.6), r"rec/video.mkv: .*cut short"),
    "no frames": (frameless, r"rec/video.avi: holds no frame"),
    "other size": (
        text("module.yaml", "width_px: 160", "width_px: 320"),
        r"rec/video.mp4: frames are 160 x 120 px, rec/module.yaml was calibrated at 320 x 120 px; record or",
    ),
    "few times": (
        frame_times(lambda t: t[:-3]),
        r"rec/frames.csv: 63 rows for the 66 frames of video.mp4; one row a stored",
    ),
    "many times": (frame_times(lambda t: pd.concat([t, t[-1:] + 1])), r"rec/frames.csv: 67 rows for the 66 frames"),
    "no times": (frame_times(lambda t: t[:0]), r"rec/frames.csv: 0 rows for the 66 frames"),
    "time repeats": (
        frame_times(lambda t: cell(t, 5, "time_s", t.time_s[4])),
        r"rec/frames.csv:7: time_s: time repeats: 0.118667 s after 0.118667 s; times must increase",
    ),
    "time back": (
        frame_times(lambda t: cell(t, 5, "time_s", 0.1)),
        r"rec/frames.csv:7: time_s: time runs backwards: 0.1 s",
    ),
    "time in words": (
        frame_times(lambda t: cell(t, 5, "time_s", "soon")),
        r"rec/frames.csv:7: time_s: 'soon' is not a",
    ),
    "frames miscounted": (
        frame_times(lambda t: cell(t, 5, "frame", 9)),
        r"rec/frames.csv:7: frame: 9 does not follow; number",
    ),
    "frames in ms": (frame_times(lambda t: t * [1, 1000]), r"rec/frames.csv:2: time_s: .* is time in milliseconds\?"),
    "no gyro": (lambda f: (f / "gyro.csv").unlink(), r"rec/gyro.csv: missing; a recording needs"),
    "gyro a folder": (
        lambda f: ((f / "gyro.csv").unlink(), (f / "gyro.csv").mkdir()),
        r"rec/gyro.csv: is a folder; a CSV",
    ),
    "gyro binary": (lambda f: (f / "gyro.csv").write_bytes(bytes(range(256))), r"rec/gyro.csv: not a text file; a CSV"),
    "gyro without rows": (rows("gyro.csv", lambda lines: []), r"rec/gyro.csv: holds no row"),
    "gyro repeats": (
        rows("gyro.csv", lambda lines: lines[:9] + lines[8:]),
        r"rec/gyro.csv:11: time_s: time repeats: 0.016 s",
    ),
    "gyro back": (
        rows("gyro.csv", lambda lines: swapped(lines, 500, 502)),
        r"rec/gyro.csv:503: time_s: time runs backwards",
    ),
    "gyro in degrees": (
        scaled("gyro.csv", "gyro", 57.29578),
        r"rec/gyro.csv:2: gyro_x_rad_s: .* is the log in deg/s\?",
    ),
    "gyro in ms": (
        scaled("gyro.csv", "time_s", 1000),
        r"rec/gyro.csv:2: time_s: rows are 2 s apart .* in milliseconds\?",
    ),
    "gyro in words": (
        rows("gyro.csv", lambda lines: [*lines[:40], lines[40].replace(",", ",x", 1), *lines[41:]]),
        r"rec/gyro.csv:42: gyro_x_rad_s: 'x.*' is not a finite number; leave the cell empty where",
    ),
    "gyro column gone": (
        text("gyro.csv", "gyro_y_rad_s", "rate"),
        r"rec/gyro.csv:1: gyro_y_rad_s: column missing; found time_s",
    ),
    "gyro without header": (
        text("gyro.csv", ".*\n", ""),
        r"rec/gyro.csv:1: time_s: column missing; .* line of column names",
    ),
    "gyro semicolons": (
        lambda f: (f / "gyro.csv").write_text((f / "gyro.csv").read_text().replace(",", ";")),
        r"rec/gyro.csv:1: time_s: column missing; .* commas, not semicolons",
    ),
    "gyro later": (
        scaled("gyro.csv", "time_s", 1, plus=100),
        r"rec/gyro.csv: covers 100.000 to 101.200 s, the video 0.058 to ",
    ),
    "accel in g": (scaled("gyro.csv", "accel", 1 / 9.80665), r"rec/gyro.csv:2: accel_x_m_s2: .* is the log in g\?"),
    "accel dead": (scaled("gyro.csv", "accel", 0.0), r"rec/gyro.csv:2: accel_x_m_s2: .* leave these columns out"),
    "accel upside down": (scaled("gyro.csv", "accel", -1.0), r"rec/gyro.csv: accel_z_m_s2: .*turn the sign"),
    "accel column gone": (
        text("gyro.csv", "accel_y_m_s2", "ay"),
        r"rec/gyro.csv:1: accel_y_m_s2: column missing .* all three",
    ),
    "no range": (
        lambda f: (f / "range.csv").unlink(),
        r"rec/range.csv: missing; without a range there is no metric speed",
    ),
    "range without rows": (rows("range.csv", lambda lines: []), r"rec/range.csv: holds no row"),
    "range without readings": (scaled("range.csv", "range_m", np.nan), r"rec/range.csv: holds no reading"),
    "range in mm": (
        scaled("range.csv", "range_m", 1000),
        r"rec/range.csv:2: range_m: 984.173 m is too far .* millimetres",
    ),
    "range negative": (
        scaled("range.csv", "range_m", -1),
        r"rec/range.csv:2: range_m: -0.98.* m is negative; leave the cell",
    ),
    "range back": (
        rows("range.csv", lambda lines: swapped(lines, 5, 7)),
        r"rec/range.csv:8: time_s: time runs backwards",
    ),
    "range earlier": (scaled("range.csv", "time_s", 1, plus=-100), r"rec/range.csv: covers -100.000 .* share a clock"),
    "attitude link": (link_to_nothing, r"rec/attitude.csv: no such file"),
    "attitude in degrees": (
        lambda f: (f / "attitude.csv").write_text("time_s,roll_rad,pitch_rad\n0,5,-8\n1,5,-8\n2,5,-8\n"),
        r"rec/attitude.csv:2: roll_rad: 5 rad is beyond a full turn; is the log in degrees\?",
    ),
    "no module": (
        lambda f: (f / "module.yaml").unlink(),
        r"rec/module.yaml: missing; give the calibrated module with --module",
    ),
    "module a folder": (
        lambda f: ((f / "module.yaml").unlink(), (f / "module.yaml").mkdir()),
        r"rec/module.yaml: is a folder",
    ),
    "module no yaml": (text("module.yaml", "camera:", "camera: [:"), r"rec/module.yaml:2: not valid YAML"),
    "module key": (
        text("module.yaml", "readout_s:", "readout:"),
        r"rec/module.yaml:11: camera.readout: .*unknown key; did you mean readout_s",
    ),
    "module readout": (
        text("module.yaml", "readout_s: 0.014", "readout_s: 14"),
        r"rec/module.yaml:11: camera.readout_s: found 14: should be less than or equal to 0.2",
    ),
    "module focal": (
        text("module.yaml", "fx_px: 133.14", "fx_px: wide"),
        r"rec/module.yaml:6: camera.fx_px: found 'wide'",
    ),
    "module no camera": (
        text("module.yaml", "camera:(\n  .*)+\n", ""),
        r"rec/module.yaml: camera: missing; `groundpace cal",
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_bad_data_is_told_in_one_line_and_costs_nothing(recording: Path, fault: str) -> None:
    spoil, message = FAULTS[fault]
    spoil(recording)
    earlier = Path("earlier")
    earlier.mkdir()
    for name in ("speed.csv", "summary.json"):
        (earlier / name).write_text("an earlier result\n")
    before = held(Path())
    result = run("rec", "--output", "earlier")
    assert result.exit_code == 1, result.output
    assert result.stdout == ""
    assert re.match(f"groundpace: {message}", result.stderr), result.stderr
    assert result.stderr.count("\n") == 1
    assert held(Path()) == before
    assert run("rec", "--output", "fresh/folder").stderr == result.stderr
    assert not Path("fresh").exists()


@pytest.mark.parametrize(
    ("output", "message"),
    [
        ("file/out", r"file/out/\w+.\w+: cannot be written, file is a file; choose a folder"),
        ("file", r"file/\w+.\w+: cannot be written, file is a file; choose a folder"),
        ("/proc/out", r"/proc/out/\w+.\w+: cannot be written \(.*\); choose a folder you may write to"),
        ("taken", r"taken/speed.csv: cannot be written, a folder has that name; choose another place"),
    ],
)
def test_an_output_that_cannot_be_written(recording: Path, output: str, message: str) -> None:
    Path("file").write_text("x")
    Path("taken/speed.csv").mkdir(parents=True)
    before = held(Path())
    result = run("rec", "--output", output)
    assert result.exit_code == 1
    assert re.fullmatch(f"groundpace: {message}\n", result.stderr), result.stderr
    assert held(Path()) == before
