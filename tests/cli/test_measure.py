"""``groundpace measure`` from a recording folder to its files, watched, stopped and out of space."""

from __future__ import annotations

import errno
import json
import os
import pty
import re
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import numpy as np
import pandas as pd
import pytest

import flow
from cli.page.review_words import untold_scale
from flow.accuracy.reference import Reference
from flow.module import Module, write_module
from flow.row import REASONS
from flow.series import read_truth
from flow.speedlog import read_speed_columns
from flow.video import Video
from tests.cli.short_flight import COMMAND, ENVIRONMENT, ROOT, held, measured, run, small_module

# The contract, written out again here on purpose.
COLUMNS = (
    "time_s,interval_s,forward_m_s,right_m_s,down_m_s,forward_sigma_m_s,right_sigma_m_s,down_sigma_m_s,"
    "height_m,height_sigma_m,tracks,inlier_share,status"
)


# What it writes


def test_the_speed_log_keeps_its_contract(recording: Path) -> None:
    measured("rec")
    text = (recording / "measured" / "speed.csv").read_text()
    assert text.splitlines()[0] == COLUMNS
    log, frames = read_speed_columns(recording / "measured" / "speed.csv"), Video(recording / "video.mp4")
    # Contract: camera time + time_offset_s = gyro time; a row a pair, in the middle of its interval. Half a digit.
    gyro_s = frames.times_s + small_module().alignment.time_offset_s
    np.testing.assert_allclose(log.time_s, (gyro_s[1:] + gyro_s[:-1]) / 2, atol=6e-8)
    np.testing.assert_allclose(log.interval_s, np.diff(frames.times_s), atol=6e-8)
    # Exact truth, signed: every row within 4 of its own sigma (2 in 10 000 beyond, of 195).
    truth = Reference(read_truth(recording / "truth.csv")).mean_velocity_m_s(log.time_s, log.interval_s)
    assert log.usable.all()
    assert (np.abs(log.velocity_m_s - truth) < 4 * log.sigma_m_s).all()
    assert np.ptp(truth[:, 0]) > 10 * np.median(log.sigma_m_s[:, 0])  # so that a shifted row would show


def test_the_summary_says_what_the_log_says(recording: Path) -> None:
    cut = (recording / "gyro.csv").read_text().splitlines()[:400]  # 0.8 s of 1.2 s
    (recording / "gyro.csv").write_text("\n".join(cut) + "\n")
    said = measured("rec", "--output", "out").stdout
    facts = json.loads(Path("out/summary.json").read_text())
    log = read_speed_columns(Path("out/speed.csv"))
    ok = log.usable
    speed = np.hypot(log.velocity_m_s[ok, 0], log.velocity_m_s[ok, 1])
    assert (facts["rows"], facts["rows_usable"]) == (65, int(ok.sum()))
    assert 30 < ok.sum() < 60
    assert facts["duration_s"] == pytest.approx(log.interval_s.sum(), abs=1e-6)
    assert facts["status"]["no_gyro"]["rows"] == log.status.count("no_gyro") == 65 - ok.sum()
    # The log has 6 decimals, hence 1e-6 a row; distances are rounded to 0.1 mm.
    mean = float(np.average(speed, weights=log.interval_s[ok]))
    assert facts["mean_speed_m_s"] == pytest.approx(mean, abs=3e-6)
    assert facts["top_speed_m_s"] == pytest.approx(speed.max(), abs=3e-6)
    assert facts["distance_m"] == pytest.approx(float(speed @ log.interval_s[ok]), abs=1e-4)
    assert facts["lowest_height_m"] == pytest.approx(np.nanmin(log.height_m), abs=1e-4)
    assert facts["highest_height_m"] == pytest.approx(np.nanmax(log.height_m), abs=1e-4)
    assert facts["median_sigma_m_s"]["forward"] == pytest.approx(np.median(log.sigma_m_s[ok, 0]), rel=0.02)
    assert (facts["recording"], facts["module"]) == ("rec", "synthetic-small")
    assert facts["times_real_time"] > 0
    first, second, *others = said.splitlines()
    share = f"{ok.sum()} ({100 * ok.mean():.1f} %)"
    assert first == f"flight    1.1 s, 65 rows; {share} with a trustworthy velocity"
    assert second.split() == f"{65 - ok.sum()} no_gyro: {REASONS['no_gyro']}".split()
    topics = ["speed", "one-sigma", "path", "height", "scale", "bands", "took", "written"]
    assert [line.split()[0] for line in others] == topics
    assert f"top {speed.max():.2f} m/s" in said


def test_a_flight_without_any_speed_is_summed_up_too(recording: Path) -> None:
    readings = pd.read_csv(recording / "range.csv")
    readings["range_m"] = 50.0
    readings.to_csv(recording / "range.csv", index=False)
    result = run("rec")
    lines = result.stdout.splitlines()
    assert result.exit_code == 1  # the data could not serve
    assert lines[0].endswith("65 rows; none with a trustworthy velocity")
    assert lines[1].split()[:2] == ["65", "height_out_of_range:"]
    assert result.stderr == "groundpace: no row has a speed; `groundpace check rec` names the cause\n"
    assert read_speed_columns(recording / "measured" / "speed.csv").status == ["height_out_of_range"] * 65
    page = (recording / "measured" / "review.html").read_text()
    assert "No row has a speed" in page and f"65 of 65 rows: {REASONS['height_out_of_range']}." in page
    assert 'class="plot" data-chart="forward"' not in page and 'class="plot" data-chart="status"' in page
    facts = json.loads((recording / "measured" / "summary.json").read_text())
    assert facts["rows_usable"] == 0
    assert facts["mean_speed_m_s"] is facts["top_speed_m_s"] is facts["lowest_height_m"] is None


@pytest.mark.parametrize(
    ("stated", "missing"),
    [
        ({}, ["focal length", "mounting", "clock", "gyro bias"]),
        ({"camera": {"fx_px": 0.2, "fy_px": 0.2}, "gyro": {"bias_rad_s": [1e-4] * 3}}, ["mounting", "clock"]),
        ({"camera": {"fx_px": 0.2}}, ["focal length", "mounting", "clock", "gyro bias"]),
        ({"camera": {"fx_px": 0.2, "fy_px": 0.2}, "gyro": {"bias_rad_s": [1e-4] * 3},
          "alignment": {"camera_to_body_wxyz": [1e-4] * 4, "time_offset_s": 1e-4}}, []),
    ],
)  # fmt: skip
def test_it_says_where_the_bands_take_calibration_for_granted(
    recording: Path, stated: dict[str, Any], missing: list[str]
) -> None:
    tree = small_module().model_dump(exclude_unset=True)
    for section, sigma in stated.items():
        tree[section]["sigma"] = sigma
    write_module(recording / "module.yaml", Module.model_validate(tree))
    said = measured("rec").stdout
    granted = [line for line in said.splitlines() if "assume a careful calibration" in line]
    keys = json.loads((recording / "measured" / "summary.json").read_text())["unstated_sigmas"]
    assert len(keys) == len(missing)
    assert len(granted) == bool(missing)
    if missing:
        assert granted[0].endswith(f"where rec/module.yaml gives no sigma: {', '.join(missing)}")


def test_it_says_when_nothing_tells_the_scale(recording: Path) -> None:
    """Without an accelerometer every range scale fits; the sample flight in gusts, which has one, tells it."""
    table = pd.read_csv(recording / "gyro.csv")
    table[[column for column in table if not column.startswith("accel")]].to_csv(recording / "gyro.csv", index=False)
    silent = run("rec", "--fast", "-v")
    said = silent.stdout
    assert "no accelerometer is logged; focal length and range scale rest on the module file alone" in said
    facts = json.loads((recording / "measured" / "summary.json").read_text())
    assert (facts["speed_scale_sigma"], facts["accelerometer"], facts["rows_longer_baseline"]) == (None, False, 0)
    assert "baseline: every row from its own two frames" in silent.stderr
    assert "Scale: no accelerometer is logged" in (recording / "measured" / "review.html").read_text()
    told = run(str(ROOT / "sample_video" / "flight"), "--fast", "-v", "--output", "told")
    assert "rest on the module file" not in told.stdout
    facts = json.loads(Path("told/summary.json").read_text())
    assert facts["speed_scale_sigma"] < 0.05 and facts["accelerometer"] is True
    # The codec's error is larger than the accelerometer's: most rows come from a longer baseline.
    assert facts["rows"] / 2 < facts["rows_longer_baseline"] < facts["rows"]
    assert f"baseline: {facts['rows_longer_baseline']} of {facts['rows']} rows from a longer one" in told.stderr


def test_an_accelerometer_that_told_nothing_is_not_denied() -> None:
    facts = {"speed_scale_sigma": None, "accelerometer": True}
    assert str(untold_scale(facts)).startswith("no row could be compared with the accelerometer;")
    assert str(untold_scale(facts | {"accelerometer": False})).startswith("no accelerometer is logged;")
    assert str(untold_scale(facts | {"speed_scale_sigma": 0.15})).startswith("too steady to tell it (± 15 %);")
    assert untold_scale(facts | {"speed_scale_sigma": 0.01}) is None


def test_truth_is_never_read(recording: Path) -> None:
    logs = []
    for spoil in (lambda p: None, lambda p: p.write_bytes(b"\0nonsense\n"), lambda p: p.unlink(), lambda p: p.mkdir()):
        spoil(recording / "truth.csv")
        measured("rec")
        logs.append((recording / "measured" / "speed.csv").read_bytes())
    assert len(set(logs)) == 1


def test_the_module_may_come_from_elsewhere(recording: Path) -> None:
    measured("rec")
    own = (recording / "measured" / "speed.csv").read_bytes()
    (recording / "module.yaml").rename("fern.yaml")
    measured("rec", "--module", "fern.yaml", "--output", "elsewhere")
    assert Path("elsewhere/speed.csv").read_bytes() == own
    # Named, it is taken even where the recording has one of its own.
    longer = small_module().camera.model_copy(update={"fx_px": 140.0})
    write_module(recording / "module.yaml", small_module().model_copy(update={"camera": longer}))
    measured("rec", "--module", "fern.yaml", "--output", "again")
    assert Path("again/speed.csv").read_bytes() == own


def test_a_second_run_replaces_the_first(recording: Path) -> None:
    measured("rec")
    first = held(recording / "measured")
    longer = small_module().camera.model_copy(update={"fx_px": 160.0, "fy_px": 160.0})
    write_module(recording / "module.yaml", small_module().model_copy(update={"camera": longer}))
    measured("rec")
    second = held(recording / "measured")
    assert second.keys() == first.keys() >= {"speed.csv", "summary.json"}
    assert not any(name.startswith(".") for name in second)
    assert all(second[name] != first[name] for name in ("speed.csv", "summary.json"))


# How it behaves at a terminal and when it is stopped


def test_it_is_quiet_but_for_the_summary_unless_somebody_watches(recording: Path) -> None:
    done = subprocess.run([*COMMAND, "rec"], capture_output=True, check=True, env=ENVIRONMENT)
    assert done.stderr == b""
    assert done.stdout.startswith(b"flight ")
    assert b"\x1b" not in done.stdout and b"\r" not in done.stdout and b"frames/s" not in done.stdout


def test_a_terminal_sees_progress(recording: Path) -> None:
    ours, theirs = pty.openpty()
    with subprocess.Popen([*COMMAND, "rec"], stdout=subprocess.PIPE, stderr=theirs, env=ENVIRONMENT) as process:
        os.close(theirs)
        seen = b"".join(iter(lambda: _read(ours), b""))
        assert process.stdout is not None
        result = process.stdout.read()
    os.close(ours)
    assert process.returncode == 0
    shown = re.sub(rb"\x1b\[[0-9;?]*[A-Za-z]", b"", seen).decode()
    bars = [bar for bar in re.split(r"[\r\n]+", shown) if bar.strip()]
    assert bars[0].startswith("starting ")  # from the start on, before anything is known of the recording
    assert any(bar.startswith("first pass ") for bar in bars)
    assert any("frames/s" in bar and "65/65 frames" in bar for bar in bars if bar.startswith("measuring "))
    # Full in the end: no piece of the bar is open, which is drawn in a colour of its own.
    assert bars[-1].startswith("smoothing and writing ") and "╺" not in bars[-1] and "╸" not in bars[-1]
    assert b"\nwritten   rec/measured/speed.csv" in result and b"written" not in seen


def test_the_summary_as_json_is_that_of_the_file(recording: Path) -> None:
    done = run("rec", "--json")
    assert done.exit_code == 0
    assert json.loads(done.stdout) == json.loads((recording / "measured" / "summary.json").read_text())
    assert done.stderr.startswith("written: rec/measured/speed.csv")
    assert run("rec", "--json", "--quiet").stderr == ""


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 65536)
    except OSError:  # Linux: the other side has closed
        return b""


def test_an_interrupt_leaves_the_earlier_result(recording: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    measured("rec")
    before = held(recording)
    whole = flow.measure

    def stopped(opened: flow.Recording, **options: Any) -> Iterator[flow.FrameResult]:
        for number, result in enumerate(whole(opened, **options)):
            if number == 20:
                raise KeyboardInterrupt
            yield result

    monkeypatch.setattr(flow, "measure", stopped)
    for place in ("rec/measured", "fresh/folder"):
        result = run("rec", "--output", place)
        assert result.exit_code == 130
        assert result.stderr.count("\n") == 1
    assert held(recording) == before
    assert not Path("fresh").exists()


def test_a_disk_that_fills_up_leaves_the_earlier_result(recording: Path) -> None:
    measured("rec")
    before = held(recording)

    def short_of_space() -> None:  # the log has some 7 kB; the system call fails as on a full disk
        resource.setrlimit(resource.RLIMIT_FSIZE, (3000, 3000))

    done = subprocess.run(
        [*COMMAND, "rec"], capture_output=True, text=True, check=False, env=ENVIRONMENT, preexec_fn=short_of_space
    )
    assert done.returncode == 1
    assert re.fullmatch(r"groundpace: rec/measured/\S+: cannot be written \(File too large\); .*\n", done.stderr)
    assert held(recording) == before


def test_a_failure_at_the_very_end_leaves_every_earlier_file(recording: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    measured("rec", "--overlay")
    before = held(recording)
    assert len(before) > 6

    def full(*_: object, **__: object) -> str:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("cli.measure.json.dumps", full)
    longer = small_module().camera.model_copy(update={"fx_px": 160.0, "fy_px": 160.0})
    write_module(Path("longer.yaml"), small_module().model_copy(update={"camera": longer}))
    result = run("rec", "--overlay", "--module", "longer.yaml")
    assert result.exit_code == 1
    assert result.stderr.endswith(
        "cannot be written (No space left on device); make room there, or choose another disk\n"
    )
    assert result.stderr.count("\n") == 1
    assert held(recording) == before


def test_memory_does_not_grow_with_the_recording(recording: Path) -> None:
    """Nine flights more, sensors and all: the same peak but for what one chunk of a table takes."""
    # VmHWM is this program's own peak; getrusage would start from that of the process that started it.
    code = (
        "import re, sys, cli.main; cli.main.main(sys.argv[1:], standalone_mode=False);"
        "print(re.search(r'VmHWM:\\s*(\\d+)', open('/proc/self/status').read())[1])"
    )
    if not Path("/proc/self/status").exists():
        pytest.skip("no /proc on this system")
    folders = {times: repeated(recording, times) for times in (3, 12)}  # either fills the seconds that are held back
    peaks = {}
    for times in (3, 3, 12):  # the first run may have to compile loops, which takes memory too
        folder = folders[times]
        command = [sys.executable, "-c", code, "measure", "--fast", str(folder)]
        done = subprocess.run(command, capture_output=True, text=True, check=True, env=ENVIRONMENT)
        peaks[times] = int(done.stdout.splitlines()[-1]) / 1024
        assert json.loads((folder / "measured" / "summary.json").read_text())["rows"] == 66 * times - 1
    # A chunk of 32768 rows is not full yet: 6 MB more, and the allocator's slack. (Pictures that were kept: see
    # tests/flow/test_measure.py. What fused.csv needs is bounded by 20 s of samples, longer than these flights.)
    assert peaks[12] < peaks[3] + 14


def repeated(recording: Path, times: int) -> Path:
    """Write the same flight over and over, logs and pictures alike, without pause in time."""
    folder = Path(f"times{times}")
    folder.mkdir()
    shutil.copy(recording / "module.yaml", folder)
    every_s = 1.2
    for name in ("gyro.csv", "range.csv"):
        table = pd.read_csv(recording / name)
        table = table[table.time_s < every_s - 1e-6]
        parts = [table.assign(time_s=table.time_s + k * every_s) for k in range(times)]
        pd.concat(parts).to_csv(folder / name, index=False)
    frames = list(Video(recording / "video.mp4"))
    with av.open(str(folder / "video.mkv"), "w") as container:
        stream = container.add_stream("ffv1", rate=60)
        stream.width, stream.height, stream.pix_fmt = 160, 120, "gray"  # type: ignore[union-attr]
        lines = ["frame,time_s"]
        for k in range(times):
            for frame in frames:
                picture = av.VideoFrame.from_ndarray(frame.luma, format="gray")
                picture.pts = len(lines) - 1
                lines.append(f"{len(lines) - 1},{frame.time_s + k * every_s:.6f}")
                container.mux(stream.encode(picture))  # type: ignore[union-attr]
        container.mux(stream.encode())  # type: ignore[union-attr]
    (folder / "frames.csv").write_text("\n".join(lines) + "\n")
    return folder


def test_a_faster_run_leaves_nothing_of_a_slower_one(recording: Path) -> None:
    """``--fast`` gives the same speed and nothing else; files of the run before would pass for its own."""
    measured("rec", "--overlay")
    before = held(recording / "measured")
    assert {"track.csv", "fused.csv", "overlay.mp4"} <= before.keys()
    assert before["track.csv"].count(b"\n") == 66
    measured("rec", "--fast")
    after = held(recording / "measured")
    assert not {"track.csv", "fused.csv", "overlay.mp4"} & after.keys()
    assert after["speed.csv"] == before["speed.csv"]


def test_a_killed_run_leaves_nothing_that_the_next_does_not_clear(recording: Path) -> None:
    output = recording / "measured"
    with subprocess.Popen([*COMMAND, "rec"], env=ENVIRONMENT, stderr=subprocess.DEVNULL) as dying:
        while not list(output.glob(".groundpace-*/speed.csv")) and dying.poll() is None:
            time.sleep(0.01)
        dying.kill()
    assert list(output.iterdir()) and not held(output).keys() & {"speed.csv", "review.html"}
    measured("rec")
    assert {path.name[0] for path in output.iterdir()}.isdisjoint(".")
    assert (output / "speed.csv").exists()


def test_a_part_is_measured_as_the_whole_is(recording: Path) -> None:
    """The same rows, at the same times; their speeds agree within what both of them state."""
    measured("rec", "--output", "whole")
    measured("rec", "--output", "part", "--start", "0.5", "--end", "1.0")
    whole, part = (read_speed_columns(Path(folder) / "speed.csv") for folder in ("whole", "part"))
    begin_s = whole.time_s[0] - whole.interval_s[0] / 2
    inside = (whole.time_s - whole.interval_s / 2 > begin_s + 0.5 - 1e-3) & (
        whole.time_s + whole.interval_s / 2 < begin_s + 1.0 + 1e-3
    )
    np.testing.assert_allclose(part.time_s, whole.time_s[inside], atol=2e-7)  # seven digits
    both = np.isfinite(part.velocity_m_s).all(axis=1) & np.isfinite(whole.velocity_m_s[inside]).all(axis=1)
    assert both.sum() > 0.8 * inside.sum()
    # Height and tilt begin anew: what they leave is in the bands, 4 sigma of a few dozen rows.
    off = (part.velocity_m_s - whole.velocity_m_s[inside])[both]
    assert (np.abs(off) < 4 * np.hypot(part.sigma_m_s, whole.sigma_m_s[inside])[both]).all()
    frames = json.loads((Path("part") / "summary.json").read_text())
    assert frames["rows"] == inside.sum()
    assert (Path("part") / "review.html").exists()


def test_a_part_that_is_none_is_refused_before_anything_is_written(recording: Path) -> None:
    before = held(recording)
    result = run("rec", "--start", "1.2", "--end", "1.1")
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "holds no two frames from 1.2 to 1.1 s" in result.stderr
    assert held(recording) == before
    assert run("rec", "--start", "-1").exit_code == 2
