"""``groundpace import`` with videos, pictures and text logs of other people."""

from __future__ import annotations

import shutil
from itertools import islice
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from ruamel.yaml import YAML

import flow
from cli.main import main
from flow.intake import gathered
from flow.video import Video
from tests.flow.intake.disguise import AXES, SAMPLE, SHIFT_S, disguised

ROWS = 300  # of 713: half of it passes over the ground, turning
MODULE = SAMPLE / "module.yaml"
GYRO = "gyro=RotX (deg/s),RotY (deg/s),RotZ (deg/s):deg/s"


def run(*arguments: object, typed: str | None = None) -> Result:
    return CliRunner().invoke(main, ["import", *map(str, arguments)], input=typed)


@pytest.fixture(scope="module")
def logged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Log the sample flight as somebody else would have; its video is as it was."""
    return disguised(tmp_path_factory.mktemp("logged"))


@pytest.fixture(scope="module")
def imported(logged: Path) -> tuple[Path, Result]:
    folder = logged.parent / "flight"
    return folder, run(SAMPLE / "video.mp4", logged, "--module", MODULE, "--yes", "--output", folder)


def speeds(folder: Path) -> pd.DataFrame:
    rows = [result.row for result in islice(flow.measure(flow.open_recording(folder)), ROWS)]
    assert {row.status for row in rows} == {"ok"}
    return pd.DataFrame(
        {
            "time_s": row.time_s,
            "forward": row.velocity.forward_m_s,
            "right": row.velocity.right_m_s,
            "down": row.velocity.down_m_s,
            "sigmas": row.velocity.sigma_m_s,
        }
        for row in rows
    )


def test_a_disguised_flight_measures_to_the_same_speeds(imported: tuple[Path, Result]) -> None:
    """Other names, deg/s, g, cm, axes turned by 90 degrees, a clock 37.4 s apart that drifts by 40 ppm: one command.

    The original is the reference. A row may come of a longer baseline in one of them and of its own pair in the other: 1 in 370 is
    beyond three sigmas of both together by chance, of 300 rows three at most (more than that, 1 in 100). Beyond five, 1 in 2e6,
    would be no chance, nor one of the codec's leaps before they are known.
    """
    folder, result = imported
    assert result.exit_code == 0, result.output
    assert "Import with this mapping?" not in result.stdout
    ours, original = speeds(folder), speeds(SAMPLE)
    sigma, own = (np.stack(each["sigmas"].to_numpy()) for each in (original, ours))
    for k, axis in enumerate(("forward", "right", "down")):
        difference = (ours[axis] - original[axis]).to_numpy()
        sigmas = np.abs(difference) / np.hypot(own[:, k], sigma[:, k])
        assert np.count_nonzero(sigmas > 3) <= 3 and sigmas.max() < 5, axis
    # The module's own 6 ms are still the residual that measure adds: times are the log's clock.
    middle_s = original["time_s"].to_numpy()
    np.testing.assert_allclose(ours["time_s"], middle_s * (1 + 40e-6) + SHIFT_S, rtol=0, atol=1e-3)
    # The rows know that the clock was found and not calibrated.
    assert own[:, 0].mean() > sigma[:, 0].mean()


def test_what_was_found_is_said(imported: tuple[Path, Result]) -> None:
    folder, result = imported
    for said in (
        "--map time=uptime:us",
        f"--map {GYRO}",
        "--map accel=AccX [g],AccY [g],AccZ [g]:g",
        "--map range=sonar_cm:cm",
        "gyro: 6001 samples, 500 Hz, jitter none",
        f"axes: '{AXES}', estimated from the video",
        "clock: camera time +37.4",
        "% at the second best offset",
        f"written: {folder}",
    ):
        assert said in (result.stderr if said.startswith("--map") else result.stdout)
    shown = [line.split() for line in result.stderr.splitlines()]
    assert ["37400000", "6.208439", "-10.087696", "1.450582"] in [words[:4] for words in shown]  # as logged
    assert ["37.4", "0.108357702", "-0.176063509", "0.025317432"] in [words[:4] for words in shown]  # as stored


def test_import_yaml_tells_all_and_repeats_the_import(imported: tuple[Path, Result], tmp_path: Path) -> None:
    folder, _ = imported
    tree = YAML(typ="safe").load((folder / "import.yaml").read_text())
    assert tree["logs"][0]["axes"] == AXES
    assert tree["clock"] == "search"
    clock = tree["made"]["clock"]
    assert clock["camera_to_gyro_s"] == pytest.approx(SHIFT_S + 0.006 + 40e-6 * 6, abs=1e-3)
    assert clock["explained"] > 0.95 > 0.6 > clock["second_best_explained"]
    assert tree["made"]["from"]["gyro"]["sha256"] == gathered.sha256(Path(tree["logs"][0]["file"]))
    again = run("--mapping", folder / "import.yaml", "--output", tmp_path / "again")
    assert again.exit_code == 0, again.output
    assert "Import with this mapping?" not in again.stderr
    for name in ("frames.csv", "gyro.csv", "range.csv", "module.yaml", "video.mp4"):
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes()


def test_a_kept_mapping_serves_other_files(imported: tuple[Path, Result], tmp_path: Path) -> None:
    folder, _ = imported
    log = disguised(tmp_path, shift_s=-3.0, drift=0.0).rename(tmp_path / "next.log")
    kept = tmp_path / "kept.yaml"
    tree = YAML(typ="safe").load((folder / "import.yaml").read_text())
    YAML(typ="safe").dump({"logs": [{k: v for k, v in tree["logs"][0].items() if k != "file"}]}, kept)
    given = ("--mapping", kept, "--clock", "3.0", "--module", MODULE, "--output", tmp_path / "next")
    result = run(SAMPLE / "video.mp4", log, *given)
    assert result.exit_code == 0, result.output
    gyro = pd.read_csv(tmp_path / "next" / "gyro.csv")
    original = pd.read_csv(SAMPLE / "gyro.csv")
    # The disguise rounded degrees/s to six decimals: 1e-8 rad/s.
    np.testing.assert_allclose(gyro["gyro_x_rad_s"], original["gyro_x_rad_s"], rtol=0, atol=2e-8)
    frames = pd.read_csv(tmp_path / "next" / "frames.csv")
    np.testing.assert_allclose(frames["time_s"], Video(SAMPLE / "video.mp4").times_s + 3.0, rtol=0, atol=1e-9)
    assert (tmp_path / "next" / "module.yaml").read_bytes() == MODULE.read_bytes()


def test_a_changed_source_is_told(imported: tuple[Path, Result], tmp_path: Path) -> None:
    folder, _ = imported
    log = tmp_path / "flightlog.txt"
    tree = YAML(typ="safe").load((folder / "import.yaml").read_text())
    shutil.copy(tree["logs"][0]["file"], log)
    with log.open("a") as file:
        file.write("49500000;1;2;3;0;0;-1;\n")
    tree["logs"][0]["file"], tree["clock"] = "flightlog.txt", 37.4
    YAML(typ="safe").dump(tree, tmp_path / "kept.yaml")
    result = run("--mapping", tmp_path / "kept.yaml", "--output", tmp_path / "again")
    assert result.exit_code == 0, result.output
    assert "note: flightlog.txt has changed since" in result.stdout


def test_a_proposed_mapping_waits_for_consent(logged: Path, tmp_path: Path) -> None:
    given = (SAMPLE / "video.mp4", logged, "--clock", "same", "--axes", AXES, "--output", tmp_path / "r")
    for typed in ("n\n", ""):
        result = run(*given, typed=typed)
        assert result.exit_code == 1
        assert "not imported; correct the mapping with --map, or accept it with --yes" in result.stderr
        assert list(tmp_path.iterdir()) == []


def test_without_a_module_it_imports_and_says_what_is_missing(logged: Path, tmp_path: Path) -> None:
    given = (SAMPLE / "video.mp4", logged, "--clock", SHIFT_S, "--axes", AXES, "--output", tmp_path / "r")
    result = run(*given, typed="y\n")
    assert result.exit_code == 0, result.output
    assert (
        f"note: measure needs a calibrated module: groundpace measure {tmp_path / 'r'} --module FILE" in result.stdout
    )
    assert not (tmp_path / "r" / "module.yaml").exists()
    assert flow.open_recording(tmp_path / "r", MODULE).frame_count == 714


def test_pictures_with_a_list_of_times(logged: Path, tmp_path: Path) -> None:
    (tmp_path / "pictures").mkdir()
    lumas = [frame.luma for frame, _ in zip(Video(SAMPLE / "video.mp4"), range(12), strict=False)]
    for k, luma in enumerate(lumas):
        cv2.imwrite(str(tmp_path / "pictures" / f"{k}.png"), luma)
    times = tmp_path / "times.csv"
    stamps = [37_500_000 + 16_667 * k for k in range(12)]
    times.write_text("\n".join(["name,us", *(f"{k}.png,{stamp}" for k, stamp in enumerate(stamps))]))
    given = ("--times", times, "--map", "frame_time=us:us", "--clock", "same", "--axes", AXES, "--yes")
    result = run(tmp_path / "pictures", logged, *given, "--module", MODULE, "--output", tmp_path / "r")
    assert result.exit_code == 0, result.output
    frames = list(flow.open_recording(tmp_path / "r").video())
    assert [frame.time_s for frame in frames] == pytest.approx([1e-6 * stamp for stamp in stamps], rel=0, abs=1e-9)
    for frame, luma in zip(frames, lumas, strict=True):
        np.testing.assert_array_equal(frame.luma, luma)


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (
            ["--map", "gyro=RotX (deg/s),RotY (deg/s),RotZ (deg/s):furlong/s"],
            2,
            "'furlong/s' is no unit of turn rate; known",
        ),
        (["--map", "gyro=RotX (deg/s):deg/s"], 2, "gyro: 3 columns expected, 1 given"),
        (["--map", "speed=a:m/s"], 2, "'speed' is no part of a recording; there are time, gyro"),
        (["--map", "range=depth:cm"], 1, "range: no log has the columns depth (flightlog.txt)"),
        (["--map", "range=sonar_cm:km"], 2, "'km' is no unit of length; did you mean m?"),
        (["--axes", "x=y y=x z=z"], 1, "is a mirror image, which no mounting makes"),
        (["--axes", "x=x y=y"], 1, "is not three axes; write for example"),
        (["--axes", "x=x y=-y z=-z", "--module", MODULE], 1, "confirm it with --axes 'x=x y=y z=z'"),
        (["--axes", "x=x y=y z=z", "--module", MODULE], 1, f"is it --axes '{AXES}'"),
        (["--clock", "soon"], 2, "'soon' is not search, same or a number of seconds"),
        (
            ["--clock", "same", "--axes", AXES],
            1,
            "the video 0.052 to 11.935 s: they never overlap; is it --clock search",
        ),
        (
            ["--clock", "same"],
            1,
            "which way its axes point is unknown without the video; by gravity down is",
        ),
        ([], 1, "takes the lens: give --module FILE (a camera section will do), or --clock same or SECONDS"),
        (["--module", "nowhere.yaml"], 1, "nowhere.yaml: no such file"),
        (["--mapping", "nowhere.yaml"], 1, "nowhere.yaml: cannot be read (no such file"),
    ],
)
def test_one_line_and_nothing_written(arguments, status, says, logged: Path, tmp_path: Path) -> None:
    result = run(SAMPLE / "video.mp4", logged, *arguments, "--yes", "--output", tmp_path / "r")
    assert result.exit_code == status
    said = [line for line in result.stderr.splitlines() if line.startswith(("groundpace: ", "Error: "))]
    assert len(said) == 1
    assert says in said[0]
    assert list(tmp_path.iterdir()) == []


def test_sources_that_are_nothing_of_the_kind(logged: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for sources, says in (
        ([tmp_path / "none.mp4"], "none.mp4: no such file or folder"),
        ([tmp_path / "empty"], "is a folder without images"),
        ([logged], "no frames (a video or a folder of images) to import"),
        ([SAMPLE / "video.mp4"], "no log to import"),
        ([SAMPLE / "video.mp4", SAMPLE / "video.mp4", logged], "a recording has one video or one folder of images"),
    ):
        result = run(*sources, "--yes", "--clock", "same", "--axes", AXES, "--output", tmp_path / "r")
        assert result.exit_code == 1, result.output
        assert says in result.stderr.splitlines()[-1]
    assert run("--output", tmp_path / "r").exit_code == 2
    assert [path.name for path in tmp_path.iterdir()] == ["empty"]


def test_an_import_broken_off_leaves_nothing(logged: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken_off(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(gathered, "_write_logs", broken_off)  # after the video was copied
    given = ("--yes", "--clock", SHIFT_S, "--axes", AXES, "--output", tmp_path / "r")
    result = run(SAMPLE / "video.mp4", logged, *given)
    assert result.exit_code == 130
    assert list(tmp_path.iterdir()) == []


def test_a_taken_folder_is_kept_unless_forced(logged: Path, tmp_path: Path) -> None:
    given = (SAMPLE / "video.mp4", logged, "--yes", "--clock", SHIFT_S, "--axes", AXES, "--output", tmp_path)
    (tmp_path / "notes.txt").write_text("mine")
    assert "is not empty" in run(*given).stderr
    assert "holds notes.txt, which is no part of a recording" in run(*given, "--force").stderr
    (tmp_path / "notes.txt").rename(tmp_path / "video.avi")
    result = run(*given, "--force")
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in tmp_path.glob("video.*")) == ["video.mp4"]
