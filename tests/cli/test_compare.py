"""``groundpace compare`` from files to words. The test writes the logs, so every error is known."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from cli.main import main
from cli.page.comparison_charts import error_chart, scatter_chart
from flow.accuracy.pairs import Pairs
from flow.row import LevelVelocity, NoVelocity, SpeedRow
from flow.speedlog import SpeedLogWriter
from tests.cli.test_calibrate import Parts

BIAS_M_S = (0.02, -0.03, 0.0)
SHIFT_S = 0.05


def velocity(t: float) -> tuple[float, float, float]:
    return (
        1 + 0.5 * math.sin(1.3 * t) + 0.2 * math.sin(3.1 * t),
        0.4 * math.cos(0.9 * t),
        0.1 * math.sin(2 * t),
    )


@pytest.fixture
def logs(tmp_path: Path) -> tuple[str, str]:
    """Write a speed log 50 ms behind its reference, with a bias, and every tenth row empty."""
    rng = np.random.default_rng(5)
    with SpeedLogWriter(tmp_path / "speed.csv") as log:
        for i in range(500):
            t = 1.01 + 0.02 * i
            moved = [v + b + rng.normal(0, 0.01) for v, b in zip(velocity(t + SHIFT_S), BIAS_M_S, strict=True)]
            given = LevelVelocity(
                forward_m_s=moved[0], right_m_s=moved[1], down_m_s=moved[2], covariance_m2_s2=np.eye(3) * 1e-4
            )
            log.write(
                SpeedRow(
                    time_s=t,
                    interval_s=0.02,
                    velocity=NoVelocity(reason="few_tracks") if i % 10 == 0 else given,
                    height_m=1.55,
                    height_sigma_m=0.1,
                    tracks=100,
                    inlier_share=0.9,
                )
            )
    rows = (f"{i / 200},{','.join(map(repr, velocity(i / 200)))},1.5\n" for i in range(2600))
    (tmp_path / "truth.csv").write_text("time_s,forward_m_s,right_m_s,down_m_s,height_m\n" + "".join(rows))
    return str(tmp_path / "speed.csv"), str(tmp_path / "truth.csv")


def test_json_holds_the_signed_errors(logs: tuple[str, str]) -> None:
    result = CliRunner().invoke(main, ["compare", *logs, "--align", "--json"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert (found["rows"], found["rows_usable"], found["rows_compared"]) == (500, 450, 450)
    assert found["aligned"] is True
    # Noise of 0.01 m/s: 0.7 ms of shift on 450 rows, 0.5 mm/s of bias; four of each.
    assert found["time_shift"]["shift_s"] == pytest.approx(SHIFT_S, abs=0.003)
    for axis, bias in zip(("forward", "right", "down"), BIAS_M_S, strict=True):
        assert found[axis]["bias_m_s"] == pytest.approx(bias, abs=0.002)
    assert found["down"]["share_95"] == pytest.approx(0.95, abs=0.04)
    assert found["height"]["bias_m"] == pytest.approx(0.05, abs=1e-9)


def test_the_table_says_the_same_in_words(logs: tuple[str, str]) -> None:
    result = CliRunner().invoke(main, ["compare", *logs])
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0].startswith("450 of 500 rows compared, 450 with a velocity")
    assert "not removed" in lines[1]
    assert float("".join(lines[1].split("log time")[1].split()[:2])) == pytest.approx(1000 * SHIFT_S, abs=3)
    assert lines[2].split("  ")[0] == "axis"
    rows = {line.split()[0]: line for line in lines[3:6]}
    assert list(rows) == ["forward", "right", "down"]
    assert float(rows["right"].split()[2]) == pytest.approx(BIAS_M_S[1], abs=0.01)
    assert "bias +0.0500 m" in lines[6]
    assert "\x1b" not in result.stdout
    assert max(map(len, lines[2:])) <= 80
    assert "drift in 60 s: the compared rows cover no such interval" in lines
    assert any(line.startswith("speed m/s") for line in lines)
    assert not any(line.startswith("height m ") for line in lines)  # one bin tells nothing new


def test_drift_in_words(logs: tuple[str, str]) -> None:
    lines = CliRunner().invoke(main, ["compare", *logs, "--align"]).stdout.splitlines()
    second = next(line for line in lines if line.startswith("drift in 1 s:")).split()
    # Bias (0.02, -0.03) over a second is 36 mm; white noise adds 0.01 sqrt(2 * 0.02 * 1 s) = 2 mm.
    assert float(second[4]) == pytest.approx(0.036, abs=0.002)
    assert second[5:7] == ["m", "RMS,"]


def test_without_a_log_nothing_is_printed_on_standard_output(logs: tuple[str, str], tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["compare", logs[0], str(tmp_path / "none.csv"), "--json"])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr == f"groundpace: {tmp_path / 'none.csv'}: no such file\n"


def test_json_tells_windows_bins_and_moments(logs: tuple[str, str]) -> None:
    found = json.loads(CliRunner().invoke(main, ["compare", *logs, "--json"]).stdout)
    assert (found["speed"], found["reference_file"]) == logs
    assert [drift["window_s"] for drift in found["drift"]] == [1.0, 10.0, 60.0]
    assert found["drift"][0]["windows"] == 9
    assert found["drift"][2] == {**dict.fromkeys(found["drift"][2]), "window_s": 60.0, "windows": 0}
    assert sum(b["rows"] for b in found["by_speed_m_s"]) == sum(b["rows"] for b in found["by_height_m"]) == 450
    assert found["height_by_reference"] is True
    assert found["reference"]["step_s"] == pytest.approx(0.005)
    assert len(found["largest_errors"]) == 5
    assert "pairs" not in found
    # A moment is looked up in the video of the log, so its time stays on the log's clock when the shift is taken out.
    aligned = json.loads(CliRunner().invoke(main, ["compare", *logs, "--align", "--json"]).stdout)
    for moment in aligned["largest_errors"] + aligned["farthest_outside"]:
        rows = (moment["time_s"] - 1.01) / 0.02
        assert rows == pytest.approx(round(rows), abs=1e-6)


def test_rows_that_never_meet_name_both_files(logs: tuple[str, str], tmp_path: Path) -> None:
    late = tmp_path / "late.csv"
    late.write_text("time_s,forward_m_s,right_m_s,down_m_s,height_m\n90,0,0,0,1\n90.1,0,0,0,1\n")
    result = CliRunner().invoke(main, ["compare", logs[0], str(late), "--output", str(tmp_path / "out")])
    assert result.exit_code == 1
    assert result.stderr.startswith(f"groundpace: {logs[0]}: against {late}: the speed log (1.010 to 10.990 s)")
    assert "are both on the gyro clock?" in result.stderr
    assert result.stderr.count("\n") == 1
    assert not (tmp_path / "out").exists()


def written_page(logs: tuple[str, str], folder: Path) -> str:
    result = CliRunner().invoke(main, ["compare", *logs, "--output", str(folder), "--json"])
    assert result.exit_code == 0, result.output
    json.loads(result.stdout)  # the page is told of on standard error
    assert [path.name for path in folder.iterdir()] == ["compare.html"]
    return (folder / "compare.html").read_text(encoding="utf-8")


def test_the_page_is_one_file_with_the_errors_in_it(logs: tuple[str, str], tmp_path: Path) -> None:
    text = written_page(logs, tmp_path / "deep" / "page")
    parts = Parts(text)
    assert parts.reaching == []
    assert text.count("plotly.js (basic") == 1
    times, forward, right, height, speed = parts.figures
    error, band, _ = times["data"][:3]
    given = [v for v in error["y"] if v is not None]
    assert len(given) == 450
    # The mean of forward errors is their bias and, not aligned, the mean change of speed over 50 ms.
    rows = [i for i in range(500) if i % 10]
    moved = np.mean([velocity(1.01 + 0.02 * i + SHIFT_S)[0] - velocity(1.01 + 0.02 * i)[0] for i in rows])
    assert np.mean(given) == pytest.approx(1000 * (BIAS_M_S[0] + moved), abs=2)  # noise 10 / sqrt(450), four of them
    assert max(v for v in band["y"] if v is not None) == pytest.approx(19.6)  # 1.96 * 10 mm/s
    assert len(forward["data"][0]["x"]) == len(right["data"][0]["x"]) == 450
    assert height["layout"]["xaxis"]["range"] == [1.5, 1.55]
    assert len(speed["data"]) == 4
    assert "apart in time, which adds to the errors: see --align" in parts.words
    assert "#t=" not in text  # no review beside the log


def test_the_page_links_into_the_review_beside_the_log(logs: tuple[str, str], tmp_path: Path) -> None:
    (tmp_path / "review.html").write_text("review")
    text = written_page(logs, tmp_path / "my page")
    worst = json.loads(CliRunner().invoke(main, ["compare", *logs, "--json"]).stdout)["largest_errors"][0]
    assert f'href="../review.html#t={worst["time_s"]:.3f}"' in text
    shown = CliRunner().invoke(main, ["compare", *logs]).stdout.splitlines()[-1]
    assert f"{tmp_path / 'review.html'}#t={worst['time_s']:.3f}" in shown


def test_a_file_name_cannot_break_out_of_the_page(logs: tuple[str, str], tmp_path: Path) -> None:
    hostile = tmp_path / "<img src=x onerror=alert(1)>"
    hostile.mkdir()
    named = hostile / "</script><b>.csv".replace("/", "")
    named.write_text(Path(logs[1]).read_text())
    moved = hostile / "speed.csv"
    moved.write_text(Path(logs[0]).read_text())
    (hostile / "review.html").write_text("review")
    text = written_page((str(moved), str(named)), tmp_path / "page")
    assert "<img" not in text and "<script><b>" not in text
    assert "&lt;script&gt;&lt;b&gt;.csv" in text
    assert "%3Cimg%20src%3Dx%20onerror%3Dalert%281%29%3E/review.html#t=" in text


def test_a_page_that_cannot_be_written_leaves_the_old_one(logs: tuple[str, str], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    result = CliRunner().invoke(main, ["compare", *logs, "--output", str(tmp_path / "file"), "--json"])
    assert result.exit_code == 1
    assert result.stdout == "" and result.stderr.count("\n") == 1
    assert (tmp_path / "file").read_text() == "mine"


def test_long_logs_are_drawn_as_the_range_of_their_errors() -> None:
    count = 20_000
    error = np.random.default_rng(6).normal(0, 0.01, (count, 3))
    error[12_345, 0] = 0.2  # a single row in 20 000 is not thinned away
    held = np.arange(count) // 5000 != 1  # a hole of 100 s
    time_s = np.arange(count) / 50
    pairs = Pairs(
        time_s=time_s[held], interval_s=np.full(15_000, 0.02), truth_m_s=np.zeros((15_000, 3)),
        error_m_s=error[held], sigma_m_s=np.full((15_000, 3), 0.01), height_m=np.ones(15_000),
        height_by_reference=True,
    )  # fmt: skip
    chart = json.loads(error_chart(pairs).json)
    line, band, outside = chart["data"][:3]
    assert len(line["x"]) < 2000
    assert max(v for v in line["y"] if v is not None) == 200.0
    assert line["x"].count(None) == band["x"].count(None) == 2  # one stretch on each side of the hole
    assert len(outside["x"]) == np.sum(np.abs(error[held, 0]) > 0.0196)
    assert len(json.loads(scatter_chart(pairs, 0).json)["data"][0]["x"]) <= 2000
