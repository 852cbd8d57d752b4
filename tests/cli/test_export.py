"""``groundpace export``."""

from __future__ import annotations

from pathlib import Path

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result
from mcap.reader import make_reader
from mcap_ros2.decoder import DecoderFactory

from cli.main import main
from tests.cli.short_flight import measured
from tests.flow.outlet.logs import ROWS, speed_folder


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["export", *arguments])


def test_a_measured_flight_as_mcap(recording: Path) -> None:
    measured(str(recording), "--output", "speed")
    result = run("speed", "--to", "mcap")
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    assert "messages on /ground_speed" in result.stdout
    assert result.stdout.endswith("written: speed/speed.mcap\n")
    rows = [line.split(",") for line in Path("speed/speed.csv").read_text().splitlines()[1:]]
    usable = [row for row in rows if row[-1] == "ok"]
    with Path("speed/speed.mcap").open("rb") as file:
        held = [
            m.decoded_message for m in make_reader(file, decoder_factories=[DecoderFactory()]).iter_decoded_messages()
        ]
    assert len(usable) > 50
    assert len(held) == len(usable)
    for row, message in zip(usable, held, strict=True):
        v, c = message.twist.twist.linear, message.twist.covariance
        assert (v.x, -v.y, -v.z) == tuple(float(cell) for cell in row[2:5])
        assert (c[0], c[7], c[14]) == tuple(float(cell) ** 2 for cell in row[5:8])
        assert message.header.stamp.sec * 10**9 + message.header.stamp.nanosec == round(float(row[0]) * 1e9)


def test_rows_left_out_are_counted(tmp_path: Path) -> None:
    folder = speed_folder(tmp_path / "speed")
    result = run(str(folder), "--to", "bag", "--output", str(tmp_path / "out" / "fern.bag"))
    assert result.exit_code == 0, result.output
    assert "2 messages on /ground_speed; 1 row without a velocity left out" in result.stdout
    assert (tmp_path / "out" / "fern.bag").read_bytes().startswith(b"#ROSBAG V2.0")
    assert run(str(folder), "--to", "parquet").exit_code == 0
    assert pq.read_table(folder / "speed.parquet").num_rows == 3


@pytest.mark.parametrize("kind", ["mcap", "bag"])
def test_a_log_without_velocities_is_refused(kind: str, tmp_path: Path) -> None:
    folder = speed_folder(tmp_path / "speed", ROWS[1:2])
    result = run(str(folder), "--to", kind)
    assert result.exit_code == 1
    assert "no row of the speed log has a velocity" in result.stderr
    assert [path.name for path in folder.iterdir()] == ["speed.csv"]


def test_a_folder_without_log_is_refused(tmp_path: Path) -> None:
    for folder, says in ((tmp_path, "holds no speed.csv"), (tmp_path / "gone", "no such folder")):
        result = run(str(folder), "--to", "mcap")
        assert result.exit_code == 1
        assert f"{folder}: {says}; give the folder that `groundpace measure` wrote" in result.stderr
    assert run(str(tmp_path)).exit_code == 2
