"""``groundpace compare`` from files to words. The test writes the logs, so every error is known."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from cli.main import main
from flow.row import LevelVelocity, NoVelocity, SpeedRow
from flow.speedlog import SpeedLogWriter

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
            moved = [
                v + b + rng.normal(0, 0.01) for v, b in zip(velocity(t + SHIFT_S), BIAS_M_S, strict=True)
            ]
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
    assert lines[0].startswith("450 of 500 rows compared, 450 give a velocity")
    assert "not taken out" in lines[1]
    assert float("".join(lines[1].split("log time")[1].split()[:2])) == pytest.approx(1000 * SHIFT_S, abs=3)
    assert lines[2].split("  ")[0] == "axis"
    rows = {line.split()[0]: line for line in lines[3:6]}
    assert list(rows) == ["forward", "right", "down"]
    assert float(rows["right"].split()[2]) == pytest.approx(BIAS_M_S[1], abs=0.01)
    assert "bias +0.0500 m" in lines[6]
    assert "\x1b" not in result.stdout
    assert max(map(len, lines[2:])) <= 80


def test_without_a_log_nothing_is_printed_on_standard_output(logs: tuple[str, str], tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["compare", logs[0], str(tmp_path / "none.csv"), "--json"])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr == f"groundpace: {tmp_path / 'none.csv'}: no such file\n"
