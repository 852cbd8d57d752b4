"""What the tests of ``groundpace measure`` share: a module, and ways to run the command."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from click.testing import CliRunner, Result

from cli.main import main
from flow import scene
from flow.module import Module

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-m", "cli.main", "measure"]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "120"}


def small_module() -> Module:
    """Describe the preset at half its size: the same view, a quarter of the pixels."""
    preset = scene.preset_module("small")
    half = {"width_px": 160, "height_px": 120, "fx_px": 133.14, "fy_px": 133.14, "cx_px": 79.5, "cy_px": 59.5}
    return preset.model_copy(update={"camera": preset.camera.model_copy(update=half)})


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["measure", *arguments])


def measured(*arguments: str) -> Result:
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    return result


def held(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
