"""``groundpace calibrate alignment``: three sections of the module file from one recording."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.alignment import AlignmentCalibration, calibrate_alignment
from flow.module import read_module
from flow.recording import Recording, open_recording
from tests.cli.test_calibrate import BEFORE, Parts, run

HAND_TURNED = Path(__file__).parents[2] / "sample_video" / "hand-turned"


@pytest.fixture(scope="module")
def turned() -> AlignmentCalibration:
    """Calibrate the sample once; its module.yaml is the exact truth of the synthetic recording."""
    opened = open_recording(HAND_TURNED, needs_range=False, check_overlap=False)
    return calibrate_alignment(opened)


@pytest.fixture
def lens_only(tmp_path: Path) -> Path:
    """Write a module of which only the lens is known, with a gyro bias that somebody guessed."""
    text = (HAND_TURNED / "module.yaml").read_text().split("alignment:")[0]
    path = tmp_path / "fern-03.yaml"
    path.write_text(text.replace("readout_s: 0.014", "readout_s: 0.0") + "gyro:\n  bias_rad_s: [0.0, 0.0, 0.0]\n")
    return path


def test_alignment_from_a_recording_without_range(
    turned: AlignmentCalibration, lens_only: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: dict[str, Any] = {}

    def known(recording: Recording, *, readout: bool, progress: Any) -> AlignmentCalibration:
        asked.update(folder=recording.folder, module=recording.module_path, readout=readout)
        return dataclasses.replace(turned, module=recording.module, readout_s=0.0139, readout_sigma_s=8e-5)

    monkeypatch.setattr("calib.alignment.calibrate_alignment", known)
    folder = tmp_path / "hand-turned"
    folder.mkdir()
    for name in ("video.mp4", "gyro.csv"):
        (folder / name).symlink_to(HAND_TURNED / name)
    result = run("alignment", folder, "--module", lens_only, "--readout")
    assert result.exit_code == 0, result.output
    assert asked == {"folder": folder, "module": lens_only, "readout": True}
    found, truth = read_module(lens_only), read_module(HAND_TURNED / "module.yaml")
    # Exact truth within four of the calibration's own sigmas.
    moved = (found.alignment.R_body_camera * truth.alignment.R_body_camera.inv()).as_rotvec()
    assert np.all(np.abs(moved) < 4 * found.alignment.rotation_sigma_rad)
    late = found.alignment.time_offset_s - truth.alignment.time_offset_s
    assert abs(late) < 4 * found.alignment.sigma.time_offset_s
    assert np.all(
        np.abs(np.subtract(found.gyro.bias_rad_s, truth.gyro.bias_rad_s)) < 4 * np.array(found.gyro.sigma.bias_rad_s)
    )
    assert (found.camera.readout_s, found.camera.sigma.readout_s) == (0.0139, 8e-5)
    assert found.camera.fx_px == truth.camera.fx_px
    assert "written: alignment and gyro and camera" in result.stdout
    assert re.search(r"camera clock +\+\d\.\d+ ± 0\.\d+ ms +speed ± \d\.\d+ mm/s", result.stdout)
    parts = Parts((tmp_path / "fern-03-alignment.html").read_text(encoding="utf-8"))
    assert parts.reaching == [] and len(parts.figures) == 4
    assert [t["name"] for t in parts.figures[0]["data"][:3]] == ["gyro, before", "gyro, now", "camera"]


@pytest.mark.parametrize(
    ("off", "sigma", "stays"),
    [(0.0, 1e-5, True), (0.0, 1e-2, False), (0.01, 1e-5, False)],
    ids=["agrees and is surer", "agrees, less sure", "contradicts"],
)
def test_a_surer_gyro_bias_stays(
    turned: AlignmentCalibration,
    lens_only: Path,
    monkeypatch: pytest.MonkeyPatch,
    off: float,
    sigma: float,
    stays: bool,
) -> None:
    held = [round(float(b) + off, 6) for b in turned.bias_rad_s]
    lens_only.write_text(
        lens_only.read_text().split("gyro:")[0]
        + f"gyro:\n  bias_rad_s: {held}\n  sigma: {{bias_rad_s: {[sigma] * 3}}}\n"
    )
    monkeypatch.setattr(
        "calib.alignment.calibrate_alignment",
        lambda recording, **_: dataclasses.replace(turned, module=recording.module),
    )
    result = run("alignment", HAND_TURNED, "--module", lens_only)
    assert result.exit_code == 0, result.output
    found = read_module(lens_only).gyro
    assert (found.bias_rad_s == tuple(held)) == stays
    assert ("is consistent and has a smaller sigma" in result.stdout) == stays


def test_alignment_needs_a_lens(tmp_path: Path) -> None:
    module = tmp_path / "fern-03.yaml"
    module.write_text(BEFORE)
    result = run("alignment", HAND_TURNED, "--module", module)
    assert result.exit_code == 1
    assert "camera" in result.stderr and "calibrate lens" in result.stderr
    assert module.read_text() == BEFORE


@pytest.mark.parametrize("text", [None, "name: fern-03\n"])
def test_the_lens_comes_first(text: str | None, tmp_path: Path) -> None:
    path = tmp_path / "new.yaml"
    if text is not None:
        path.write_text(text)
    before = {each.name: each.read_text() for each in tmp_path.iterdir()}
    result = run("alignment", HAND_TURNED, "--module", path)
    assert result.exit_code == 1
    command = f"groundpace calibrate lens IMAGES --board KIND:COLSxROWS:SIZE --module {path}"
    assert f"the lens comes first: {command}" in result.stderr
    assert {each.name: each.read_text() for each in tmp_path.iterdir()} == before
