"""A pipe that nobody writes to, in the place of any file: told in one line, not waited for without end."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.short_flight import ENVIRONMENT

PIPE = "pipe"
COMMANDS = {
    "module": ["check", "rec", "--module", PIPE],
    "speed log": ["compare", PIPE, "rec/truth.csv"],
    "board": ["calibrate", "lens", PIPE, "--board", "chessboard:9x6:0.025", "--model", "pinhole", "--module", "m.yaml"],
    "rest": ["calibrate", "gyro", PIPE, "--module", "m.yaml"],
    "foreign log": ["import", PIPE, "--module", "rec/module.yaml", "--yes", "--output", "new"],
    "foreign lens": ["import-lens", PIPE, "--module", "m.yaml"],
    "limits": ["accept", "--module", "rec/module.yaml", "--limits", PIPE],
    "ground": ["synthesize", "new", "--ground", PIPE, "--ground-size", "1", "--duration", "1"],
}

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pipes among files")


@pytest.mark.parametrize("what", COMMANDS)
def test_a_pipe_is_refused(recording: Path, what: str) -> None:
    os.mkfifo(PIPE)
    command = [sys.executable, "-m", "cli.main", *COMMANDS[what]]
    # A minute is no measure of speed: without the refusal it would wait for ever.
    done = subprocess.run(
        command, capture_output=True, text=True, env=ENVIRONMENT, timeout=60, check=False, stdin=subprocess.DEVNULL
    )
    assert done.returncode == 1, done.stderr
    assert done.stderr == f"groundpace: {PIPE}: is a pipe or a device; name a file\n"


@pytest.mark.parametrize("name", ["gyro.csv", "range.csv", "attitude.csv", "frames.csv", "module.yaml"])
def test_a_pipe_in_a_recording_is_refused(recording: Path, name: str) -> None:
    (recording / name).unlink(missing_ok=True)
    os.mkfifo(recording / name)
    command = [sys.executable, "-c", "import flow; flow.open_recording('rec')"]
    done = subprocess.run(command, capture_output=True, text=True, env=ENVIRONMENT, timeout=60, check=False)
    assert f"{name}: is a pipe or a device" in done.stderr
