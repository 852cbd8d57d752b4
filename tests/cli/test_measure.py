"""``groundpace measure`` from a recording folder to its files, and what it says of folders that cannot serve."""

from __future__ import annotations

import json
import os
import pty
import re
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import av
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result

import flow
from cli.main import main
from flow import scene
from flow.module import Module, write_module
from flow.reference import Reference
from flow.series import read_truth
from flow.speedlog import read_speed_log
from flow.video import Video
from tests.flow.scene import grounds

ROOT = Path(__file__).parents[2]
# The contract, written out again here on purpose.
COLUMNS = (
    "time_s,interval_s,forward_m_s,right_m_s,down_m_s,forward_sigma_m_s,right_sigma_m_s,down_sigma_m_s,"
    "height_m,height_sigma_m,tracks,inlier_share,status"
)


def small_module() -> Module:
    """The preset at half its size: the same view, a quarter of the pixels."""
    preset = scene.preset_module("small")
    half = {"width_px": 160, "height_px": 120, "fx_px": 133.14, "fy_px": 133.14, "cx_px": 79.5, "cy_px": 59.5}
    return preset.model_copy(update={"camera": preset.camera.model_copy(update=half)})


@pytest.fixture(scope="session")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """1.2 s over gravel in gusts, 160 x 120 px, 60 frames/s: 66 frames with truth."""
    motion = scene.straight(1.2, height_m=1.0, speed_m_s=0.4) + scene.gusts(1.2, seed=1)
    spec = scene.SceneSpec(motion=motion, ground=grounds.gravel(), module=small_module(), seed=1)
    folder = tmp_path_factory.mktemp("flown") / "recording"
    scene.synthesize(folder, spec)
    return folder


@pytest.fixture
def recording(flown: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy to spoil, named as a user in its parent folder would name it."""
    shutil.copytree(flown, tmp_path / "rec")
    monkeypatch.chdir(tmp_path)
    return Path("rec")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["measure", *arguments])


def measured(*arguments: str) -> Result:
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    assert result.stdout == ""
    return result


def held(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


# What it writes


def test_the_speed_log_keeps_its_contract(recording: Path) -> None:
    measured("rec")
    text = (recording / "measured" / "speed.csv").read_text()
    assert text.splitlines()[0] == COLUMNS
    log, frames = read_speed_log(recording / "measured" / "speed.csv"), Video(recording / "video.mp4")
    # Contract: camera time + time_offset_s = gyro time; a row a pair, in the middle of its interval. Half the last digit.
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
    said = measured("rec", "--output", "out").stderr
    facts = json.loads(Path("out/summary.json").read_text())
    log = read_speed_log(Path("out/speed.csv"))
    ok = log.usable
    speed = np.hypot(log.velocity_m_s[ok, 0], log.velocity_m_s[ok, 1])
    assert (facts["rows"], facts["rows_usable"]) == (65, int(ok.sum()))
    assert 30 < ok.sum() < 60
    assert facts["duration_s"] == pytest.approx(log.interval_s.sum(), abs=1e-6)
    assert facts["status"]["no_gyro"]["rows"] == log.status.count("no_gyro") == 65 - ok.sum()
    # The log has 6 decimals, hence 1e-6 a row; distances are rounded to 0.1 mm.
    assert facts["mean_speed_m_s"] == pytest.approx(float(speed @ log.interval_s[ok] / log.interval_s[ok].sum()), abs=3e-6)
    assert facts["top_speed_m_s"] == pytest.approx(speed.max(), abs=3e-6)
    assert facts["distance_m"] == pytest.approx(float(speed @ log.interval_s[ok]), abs=1e-4)
    assert facts["lowest_height_m"] == pytest.approx(np.nanmin(log.height_m), abs=1e-4)
    assert facts["highest_height_m"] == pytest.approx(np.nanmax(log.height_m), abs=1e-4)
    assert facts["median_sigma_m_s"]["forward"] == pytest.approx(np.median(log.sigma_m_s[ok, 0]), rel=0.02)
    assert (facts["recording"], facts["module"]) == ("rec", "synthetic-small")
    assert facts["times_real_time"] > 0
    lines = said.splitlines()
    assert lines[0].split() == f"flight 1.1 s, 65 rows; {ok.sum()} ({100 * ok.mean():.1f} %) with a speed to trust".split()
    assert lines[1].strip() == f"{65 - ok.sum()} no_gyro: the gyro log does not cover the interval between the two frames"
    assert [line.split()[0] for line in lines[2:]] == ["speed", "one-sigma", "path", "height", "bands", "took", "written"]
    assert f"top {speed.max():.2f} m/s" in said


def test_a_flight_without_any_speed_is_summed_up_too(recording: Path) -> None:
    readings = pd.read_csv(recording / "range.csv")
    readings["range_m"] = 50.0
    readings.to_csv(recording / "range.csv", index=False)
    lines = measured("rec").stderr.splitlines()
    assert lines[0].endswith("65 rows; none with a speed to trust")
    assert lines[1].split()[:2] == ["65", "height_out_of_range:"]
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
    said = measured("rec").stderr
    granted = [line for line in said.splitlines() if "for granted" in line]
    keys = json.loads((recording / "measured" / "summary.json").read_text())["unstated_sigmas"]
    assert len(keys) == len(missing)
    assert len(granted) == bool(missing)
    if missing:
        assert granted[0].endswith(f"where rec/module.yaml gives no sigma: {', '.join(missing)}")


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
    assert done.stdout == b""
    assert done.stderr.startswith(b"flight ")
    assert b"\x1b" not in done.stderr and b"\r" not in done.stderr and b"frames/s" not in done.stderr


def test_a_terminal_sees_progress(recording: Path) -> None:
    ours, theirs = pty.openpty()
    with subprocess.Popen([*COMMAND, "rec"], stdout=subprocess.PIPE, stderr=theirs, env=ENVIRONMENT) as process:
        os.close(theirs)
        seen = b"".join(iter(lambda: _read(ours), b""))
        assert process.stdout is not None
        assert process.stdout.read() == b""
    os.close(ours)
    assert process.returncode == 0
    assert b"frames/s" in seen and b"65 frames" in re.sub(rb"\x1b\[[0-9;]*m", b"", seen)
    assert b"\nwritten   rec/measured/speed.csv" in seen


COMMAND = [sys.executable, "-m", "cli.main", "measure"]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "120"}


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


# What cannot serve

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


# By name: what is done to the folder, and what the one line must hold (file, row, column, reason, remedy).
FAULTS: dict[str, tuple[Spoil, str]] = {
    "no folder": (lambda f: f.rename("else"), r"rec: no such folder; give the folder of a recording"),
    "no video": (lambda f: (f / "video.mp4").unlink(), r"rec: holds no video; put it there as video.mp4"),
    "two videos": (lambda f: shutil.copy(f / "video.mp4", f / "video.mkv"), r"rec: .*video.mkv, video.mp4; keep one"),
    "empty video": (lambda f: (f / "video.mp4").write_bytes(b""), r"rec/video.mp4: cannot be read as a video \(.*\); is it cut"),
    "cut mp4": (lambda f: (f / "video.mp4").write_bytes((f / "video.mp4").read_bytes()[:-4000]), r"rec/video.mp4: .*cut short"),
    "cut mkv": (lambda f: remuxed(f, 0.6), r"rec/video.mkv: .*cut short"),
    "no frames": (frameless, r"rec/video.avi: holds no frame"),
    "other size": (text("module.yaml", "width_px: 160", "width_px: 320"),
                   r"rec/video.mp4: pictures are 160 x 120 px, rec/module.yaml was calibrated at 320 x 120 px; record or"),
    "few times": (frame_times(lambda t: t[:-3]), r"rec/frames.csv: 63 rows for the 66 frames of video.mp4; one row a stored"),
    "many times": (frame_times(lambda t: pd.concat([t, t[-1:] + 1])), r"rec/frames.csv: 67 rows for the 66 frames"),
    "no times": (frame_times(lambda t: t[:0]), r"rec/frames.csv: 0 rows for the 66 frames"),
    "time repeats": (frame_times(lambda t: cell(t, 5, "time_s", t.time_s[4])),
                     r"rec/frames.csv:7: time_s: time repeats: 0.118667 s after 0.118667 s; times must increase"),
    "time back": (frame_times(lambda t: cell(t, 5, "time_s", 0.1)), r"rec/frames.csv:7: time_s: time runs backwards: 0.1 s"),
    "time in words": (frame_times(lambda t: cell(t, 5, "time_s", "soon")), r"rec/frames.csv:7: time_s: 'soon' is not a"),
    "frames miscounted": (frame_times(lambda t: cell(t, 5, "frame", 9)), r"rec/frames.csv:7: frame: 9 does not follow; number"),
    "frames in ms": (frame_times(lambda t: t * [1, 1000]), r"rec/frames.csv:2: time_s: .* is time in milliseconds\?"),
    "no gyro": (lambda f: (f / "gyro.csv").unlink(), r"rec/gyro.csv: missing; a recording needs"),
    "gyro a folder": (lambda f: ((f / "gyro.csv").unlink(), (f / "gyro.csv").mkdir()), r"rec/gyro.csv: is a folder; a CSV"),
    "gyro binary": (lambda f: (f / "gyro.csv").write_bytes(bytes(range(256))), r"rec/gyro.csv: not a text file; a CSV"),
    "gyro without rows": (rows("gyro.csv", lambda lines: []), r"rec/gyro.csv: holds no row"),
    "gyro repeats": (rows("gyro.csv", lambda lines: lines[:9] + lines[8:]), r"rec/gyro.csv:11: time_s: time repeats: 0.016 s"),
    "gyro back": (rows("gyro.csv", lambda lines: swapped(lines, 500, 502)), r"rec/gyro.csv:503: time_s: time runs backwards"),
    "gyro in degrees": (scaled("gyro.csv", "gyro", 57.29578), r"rec/gyro.csv:2: gyro_x_rad_s: .* is the log in deg/s\?"),
    "gyro in ms": (scaled("gyro.csv", "time_s", 1000), r"rec/gyro.csv:2: time_s: rows are 2 s apart .* in milliseconds\?"),
    "gyro in words": (rows("gyro.csv", lambda lines: [*lines[:40], lines[40].replace(",", ",x", 1), *lines[41:]]),
                      r"rec/gyro.csv:42: gyro_x_rad_s: 'x.*' is not a finite number; leave the cell empty where"),
    "gyro column gone": (text("gyro.csv", "gyro_y_rad_s", "rate"), r"rec/gyro.csv:1: gyro_y_rad_s: column missing; found time_s"),
    "gyro without header": (text("gyro.csv", ".*\n", ""), r"rec/gyro.csv:1: time_s: column missing; .* line of column names"),
    "gyro semicolons": (lambda f: (f / "gyro.csv").write_text((f / "gyro.csv").read_text().replace(",", ";")),
                        r"rec/gyro.csv:1: time_s: column missing; .* commas, not semicolons"),
    "gyro later": (scaled("gyro.csv", "time_s", 1, plus=100), r"rec/gyro.csv: covers 100.000 to 101.200 s, the video 0.058 to "),
    "accel in g": (scaled("gyro.csv", "accel", 1 / 9.80665), r"rec/gyro.csv:2: accel_x_m_s2: .* is the log in g\?"),
    "accel dead": (scaled("gyro.csv", "accel", 0.0), r"rec/gyro.csv:2: accel_x_m_s2: .* leave these columns out"),
    "accel upside down": (scaled("gyro.csv", "accel", -1.0), r"rec/gyro.csv: accel_z_m_s2: .*turn the sign"),
    "accel column gone": (text("gyro.csv", "accel_y_m_s2", "ay"), r"rec/gyro.csv:1: accel_y_m_s2: column missing .* all three"),
    "no range": (lambda f: (f / "range.csv").unlink(), r"rec/range.csv: missing; without a range there is no metric speed"),
    "range without rows": (rows("range.csv", lambda lines: []), r"rec/range.csv: holds no row"),
    "range without readings": (scaled("range.csv", "range_m", np.nan), r"rec/range.csv: holds no reading"),
    "range in mm": (scaled("range.csv", "range_m", 1000), r"rec/range.csv:2: range_m: 984.173 m is too far .* millimetres"),
    "range negative": (scaled("range.csv", "range_m", -1), r"rec/range.csv:2: range_m: -0.98.* m is negative; leave the cell"),
    "range back": (rows("range.csv", lambda lines: swapped(lines, 5, 7)), r"rec/range.csv:8: time_s: time runs backwards"),
    "range earlier": (scaled("range.csv", "time_s", 1, plus=-100), r"rec/range.csv: covers -100.000 .* share a clock"),
    "attitude link": (link_to_nothing, r"rec/attitude.csv: no such file"),
    "attitude in degrees": (lambda f: (f / "attitude.csv").write_text("time_s,roll_rad,pitch_rad\n0,5,-8\n1,5,-8\n2,5,-8\n"),
                            r"rec/attitude.csv:2: roll_rad: 5 rad is beyond a full turn; is the log in degrees\?"),
    "no module": (lambda f: (f / "module.yaml").unlink(), r"rec/module.yaml: missing; give the calibrated module with --module"),
    "module a folder": (lambda f: ((f / "module.yaml").unlink(), (f / "module.yaml").mkdir()), r"rec/module.yaml: is a folder"),
    "module no yaml": (text("module.yaml", "camera:", "camera: [:"), r"rec/module.yaml:2: not valid YAML"),
    "module key": (text("module.yaml", "readout_s:", "readout:"), r"rec/module.yaml:11: camera.readout: .*unknown key; is it"),
    "module readout": (text("module.yaml", "readout_s: 0.014", "readout_s: 14"),
                       r"rec/module.yaml:11: camera.readout_s: found 14: should be less than or equal to 0.2"),
    "module focal": (text("module.yaml", "fx_px: 133.14", "fx_px: wide"), r"rec/module.yaml:6: camera.fx_px: found 'wide'"),
    "module no camera": (text("module.yaml", "camera:(\n  .*)+\n", ""), r"rec/module.yaml: camera: missing; `groundpace cal"),
}  # fmt: skip


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


def test_memory_does_not_grow_with_the_recording(recording: Path) -> None:
    """Ten times the flight, sensors and all: the same peak but for what one chunk of a table takes."""
    # VmHWM is this program's own peak; getrusage would start from that of the process that started it.
    code = (
        "import re, sys, cli.main; cli.main.main(sys.argv[1:], standalone_mode=False);"
        "print(re.search(r'VmHWM:\\s*(\\d+)', open('/proc/self/status').read())[1])"
    )
    if not Path("/proc/self/status").exists():
        pytest.skip("no /proc on this system")
    peaks = {}
    for times in (1, 10):
        folder = repeated(recording, times)
        command = [sys.executable, "-c", code, "measure", str(folder)]
        done = subprocess.run(command, capture_output=True, text=True, check=True, env=ENVIRONMENT)
        peaks[times] = int(done.stdout) / 1024
        assert json.loads((folder / "measured" / "summary.json").read_text())["rows"] == 66 * times - 1
    # A chunk of 32768 rows is not full yet: 6 MB more. Pictures that were kept would add 11 MB to that.
    assert peaks[10] < peaks[1] + 11


def repeated(recording: Path, times: int) -> Path:
    """The same flight over and over, logs and pictures alike, without pause in time."""
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
