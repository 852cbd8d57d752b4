"""``groundpace import-lens`` and ``groundpace export-lens``."""

from __future__ import annotations

from pathlib import Path

import cv2
import pytest
from click.testing import CliRunner, Result

from cli.main import main
from flow.module import read_module
from tests.flow.test_lens_files import PINHOLE, camera_info

MODULE = """\
# glued on Tuesday
name: fern-03
camera:
  model: pinhole
  width_px: 320
  height_px: 240
  fx_px: 266.28
  fy_px: 266.28
  cx_px: 159.5
  cy_px: 119.5
  readout_s: 0.014  # by the flash test
  sigma: {fx_px: 0.01, readout_s: 0.0002}
  provenance: {when: "2026-01-01", readout_source: turned}
gyro:
  bias_rad_s: [0.008, -0.012, 0.005]
"""


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("module.yaml").write_text(MODULE)
    Path("lens.yaml").write_text(camera_info())
    return tmp_path


def test_only_the_lens_changes(place: Path) -> None:
    result = run("import-lens", "lens.yaml", "--module", "module.yaml")
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    assert result.stdout.startswith("pinhole lens of 640 x 480 px, focal length 531.20 and 531.90 px\n")
    assert "camera.readout_s stays as it was found at 320 x 240 px" in result.stdout
    assert result.stdout.endswith("written: camera in module.yaml\n")
    module, text = read_module("module.yaml"), Path("module.yaml").read_text()
    assert module.camera.model_dump(include={"fx_px", "cx_px", "width_px", "distortion"}) == PINHOLE.model_dump(
        include={"fx_px", "cx_px", "width_px", "distortion"}
    )
    # The shutter is the sensor's and stays, with its sigma and origin; the sigma of the older lens goes.
    assert module.camera.readout_s == 0.014
    assert module.camera.sigma.model_dump(exclude_unset=True) == {"readout_s": 0.0002}
    assert module.camera.provenance["readout_source"] == "turned"
    assert module.camera.provenance["source"] == "lens.yaml"
    assert module.camera.provenance["layout"] == "camera-info"
    assert "when" in module.camera.provenance
    assert module.gyro.bias_rad_s == (0.008, -0.012, 0.005)
    assert text.startswith("# glued on Tuesday\nname: fern-03\n")
    assert "# by the flash test" in text
    assert "gyro:\n  bias_rad_s: [0.008, -0.012, 0.005]\n" in text


def test_what_the_layouts_lack_is_said(place: Path) -> None:
    result = run("import-lens", "lens.yaml", "--module", "new.yaml")
    assert result.exit_code == 0, result.output
    assert "camera.readout_s" in result.stdout
    assert "camera.sigma.fx_px" in result.stdout
    assert read_module("new.yaml").camera.readout_s == 0
    result = run("export-lens", "module.yaml", "--to", "opencv")
    assert "this layout has no place for readout_s and sigma" in result.stderr


@pytest.mark.parametrize("layout", ["camera-info", "opencv"])
def test_out_and_in_again(layout: str, place: Path) -> None:
    assert run("export-lens", "module.yaml", "--to", layout).exit_code == 0
    assert run("import-lens", f"module-{layout}.yaml", "--module", "back.yaml").exit_code == 0
    keys = {"model", "width_px", "height_px", "fx_px", "fy_px", "cx_px", "cy_px"}
    lens = [read_module(path).camera for path in ("module.yaml", "back.yaml")]
    assert lens[1].model_dump(include=keys) == lens[0].model_dump(include=keys)
    assert lens[1].distortion == (0.0,) * 5


def test_opencv_reads_what_was_exported(place: Path) -> None:
    assert run("export-lens", "module.yaml", "--to", "opencv", "--output", "out/lens.yml").exit_code == 0
    storage = cv2.FileStorage("out/lens.yml", cv2.FILE_STORAGE_READ)
    assert storage.getNode("camera_matrix").mat()[0].tolist() == [266.28, 0, 159.5]
    assert storage.getNode("distortion_coefficients").mat().shape == (5, 1)


def test_a_dry_run_writes_nothing(place: Path) -> None:
    result = run("import-lens", "lens.yaml", "--module", "module.yaml", "--dry-run")
    assert result.exit_code == 0
    assert "+  fx_px: 531.2\n" in result.stdout
    assert Path("module.yaml").read_text() == MODULE


def test_faults_write_nothing(place: Path) -> None:
    Path("lens.yaml").write_text(camera_info(distortion_model="thin_prism"))
    result = run("import-lens", "lens.yaml", "--module", "new.yaml")
    assert result.exit_code == 1
    assert result.stderr.startswith("groundpace: lens.yaml: distortion_model: 'thin_prism' is unknown")
    assert not Path("new.yaml").exists()
    result = run("import-lens", "lens.yaml", "--module", "new.yaml", "--size", "640")
    assert result.exit_code == 2
    assert "640x480" in result.stderr
    result = run("export-lens", "module.yaml", "--to", "opencv", "--output", "module.yaml")
    assert result.exit_code == 1
    assert Path("module.yaml").read_text() == MODULE
