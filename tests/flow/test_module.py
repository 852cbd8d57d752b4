"""The module file: the contract's example, every kind of slip in it, updates that keep a person's lines."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flow.errors import DataError
from flow.module import (
    Module,
    read_module,
    read_partial_module,
    section_diff,
    section_update,
    write_module,
)

CAMERA = "camera: {width_px: 640, height_px: 480, fx_px: 531.2, fy_px: 531.9, cx_px: 322.4, cy_px: 236.8}\n"
EXAMPLE = """\
name: fern-03
camera:
  model: pinhole            # pinhole: distortion k1 k2 p1 p2 k3
  width_px: 640
  height_px: 480
  fx_px: 531.2
  fy_px: 531.9
  cx_px: 322.4
  cy_px: 236.8
  distortion: [-0.28, 0.09, 0.0004, -0.0003, 0.0]
  readout_s: 0.014          # rolling-shutter time over all rows; 0 = global shutter
alignment:
  camera_to_body_wxyz: [0.7071, 0.0, 0.0, 0.7071]
  camera_position_m: [0.03, -0.01, 0.02]     # from the body origin, body axes
  time_offset_s: 0.006
gyro:
  bias_rad_s: [0.008, -0.012, 0.005]         # subtracted from gyro.csv
  noise_rad_s_rthz: 1.2e-4                   # a number, or one per axis
range:
  beam: wide
  scale: 1.0
  offset_m: 0.0
  noise_m: 0.005
  time_offset_s: 0.0
  position_m: [0.0, 0.0, 0.0]
  min_m: 0.1
  max_m: 8.0
  assumed_air_temperature_c: 20.0
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "module.yaml"


def test_the_contracts_example(path: Path) -> None:
    path.write_text(EXAMPLE)
    module = read_module(path)
    assert module.name == "fern-03"
    assert module.camera.distortion == (-0.28, 0.09, 0.0004, -0.0003, 0.0)
    assert module.camera.readout_s == 0.014
    assert module.alignment.camera_position_m == (0.03, -0.01, 0.02)
    assert module.gyro.bias_rad_s == (0.008, -0.012, 0.005)
    np.testing.assert_array_equal(module.gyro.noise_per_axis, 3 * [1.2e-4])
    assert module.range.assumed_air_temperature_c == 20.0
    np.testing.assert_array_equal(module.camera.matrix, [[531.2, 0, 322.4], [0, 531.9, 236.8], [0, 0, 1]])


def test_the_nominal_mounting_turns_the_axes_as_the_contract_says(path: Path) -> None:
    # camera x = body y, camera y = -body x, camera z = body z; the quaternion is rounded to 4 digits there.
    path.write_text(EXAMPLE)
    for alignment in (read_module(path).alignment, Module.model_validate({"camera": _camera()}).alignment):
        turned = alignment.R_body_camera.apply(np.eye(3))
        np.testing.assert_allclose(turned, [[0, 1, 0], [-1, 0, 0], [0, 0, 1]], atol=1e-12)


def test_a_camera_alone_is_a_module(path: Path) -> None:
    path.write_text(CAMERA + "gyro:\n")  # a section still empty has its defaults
    module = read_module(path)
    assert module.camera.distortion_terms.tolist() == 5 * [0.0]
    assert module.gyro.bias_rad_s == (0.0, 0.0, 0.0)
    assert module.range.beam == "wide"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "module.yaml: expected sections"),
        ("- 1\n", "module.yaml: expected sections"),
        ("name: fern-03\n", "module.yaml: camera: missing; `groundpace calibrate lens` finds it"),
        ("camera: 5\n", "module.yaml:1: camera: found 5: should be a section"),
        ("camera:\n", "module.yaml:1: camera.width_px: missing"),
        (CAMERA.replace(", cy_px: 236.8", ""), "module.yaml:1: camera.cy_px: missing"),
        (
            CAMERA.replace("531.2", "-531.2"),
            "module.yaml:1: camera.fx_px: found -531.2: should be greater than 0",
        ),
        (
            CAMERA.replace("531.2", "'531.2'"),
            "module.yaml:1: camera.fx_px: found '531.2': should be a valid number",
        ),
        (
            CAMERA.replace("531.2", "true"),
            "module.yaml:1: camera.fx_px: found True: should be a valid number",
        ),
        (
            CAMERA.replace("640", "640.5"),
            "module.yaml:1: camera.width_px: found 640.5: should be a valid integer",
        ),
        (CAMERA.replace("531.2", ".nan"), "module.yaml:1: camera.fx_px: found nan: should be"),
        (
            CAMERA.replace("531.2", "1e308"),
            "module.yaml:1: camera: fx_px, fy_px: (1e+308, 531.9) is no lens for 640 px",
        ),
        (CAMERA.replace("531.9", "1e-3"), "module.yaml:1: camera: fx_px, fy_px: (531.2, 0.001) is no lens for 640 px"),
        (
            CAMERA.replace("}", ", distortion: [1e200, 0, 0, 0, 0]}"),
            "camera.distortion.0: found 1e+200: should be less",
        ),
        (CAMERA + "alignment: {time_offset_s: 1e300}\n", "alignment.time_offset_s: found 1e+300: should be less"),
        (
            CAMERA.replace("322.4", "5000"),
            "module.yaml:1: camera: cx_px, cy_px: (5000.0, 236.8) is far outside",
        ),
        (
            CAMERA.replace("}", ", distortion: [1, 2]}"),
            "module.yaml:1: camera: distortion: a pinhole lens has 5 terms, found 2",
        ),
        (
            CAMERA.replace("}", ", model: fisheye, distortion: [1, 2, 3, 4, 5]}"),
            "a fisheye lens has 4 terms, found 5",
        ),
        (
            CAMERA + "lens: {}\n",
            "module.yaml:2: lens: unknown key; known here are name, camera, alignment, gyro, range",
        ),
        (
            CAMERA + "gyro:\n  bias: [0, 0, 0]\n",
            "module.yaml:3: gyro.bias: found [0, 0, 0]: unknown key; did you mean bias_rad_s or bias_instability_rad_s?",
        ),
        (CAMERA + "gyro:\n  bias_rad_s: [0, 0]\n", "module.yaml:3: gyro.bias_rad_s.2: missing"),
        (
            CAMERA + "gyro:\n  bias_rad_s: [0, 9, 0]\n",
            "module.yaml:3: gyro.bias_rad_s.1: found 9: should be less than",
        ),
        (
            CAMERA + "gyro:\n  noise_rad_s_rthz: low\n",
            "module.yaml:3: gyro.noise_rad_s_rthz: found 'low': should be a number",
        ),
        (
            CAMERA + "gyro:\n  noise_rad_s_rthz: [1, 2]\n",
            "module.yaml:3: gyro.noise_rad_s_rthz: found [1, 2]: should be",
        ),
        (
            CAMERA + "range: {beam: cone}\n",
            "module.yaml:2: range.beam: found 'cone': should be 'wide' or 'narrow'",
        ),
        (CAMERA + "range: {min_m: 9, max_m: 8}\n", "module.yaml:2: range: min_m: 9.0 is not below max_m 8.0"),
        (
            CAMERA + "alignment: {camera_to_body_wxyz: [1, 1, 0, 0]}\n",
            "a unit quaternion (w, x, y, z) is expected",
        ),
        (
            CAMERA + "alignment: {readout_s: 0.01}\n",
            "alignment.readout_s: found 0.01: unknown key here; did you mean camera.",
        ),
        (CAMERA + "gyro: {biass_rad_s: [0, 0, 0]}\n", "unknown key; did you mean bias_rad_s"),
        (CAMERA + "ranges: {}\n", "ranges: unknown key; did you mean range?"),
        (
            CAMERA + "range: {sigma: {noise: 1}}\n",
            "module.yaml:2: range.sigma.noise: found 1: unknown key; did you mean noise_m?",
        ),
        (CAMERA + CAMERA, "module.yaml:2: not valid YAML: found duplicate key"),
        ("camera: [\n", "module.yaml:2: not valid YAML"),
        ("\x00", "module.yaml: not valid YAML"),
    ],
)
def test_slips_name_line_key_and_value(path: Path, text: str, message: str) -> None:
    path.write_text(text)
    with pytest.raises(DataError) as caught:
        read_module(path)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_no_file_and_no_text(path: Path) -> None:
    with pytest.raises(DataError, match="no such file; give the calibrated module with --module"):
        read_module(path)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(DataError, match="cannot be read as text"):
        read_module(path)


def test_an_update_rewrites_its_section_and_keeps_every_other_line(path: Path) -> None:
    path.write_text(EXAMPLE)
    new = section_update(
        path,
        "gyro",
        {
            "bias_rad_s": np.array([0.001, 0.002, 0.003]),
            "sigma": {"bias_rad_s": (1e-5, 1e-5, np.float64(2e-5))},
            "provenance": {"source": "rest.csv", "rows": np.int64(5)},
        },
    )
    old_lines, new_lines = EXAMPLE.splitlines(), new.splitlines()
    changed = [line for line in old_lines if line not in new_lines]
    assert len(changed) == 1
    assert changed[0].startswith("  bias_rad_s")
    path.write_text(new)
    module = read_module(path)
    assert module.gyro.bias_rad_s == (0.001, 0.002, 0.003)
    assert module.gyro.noise_rad_s_rthz == 1.2e-4
    assert module.gyro.sigma.bias_rad_s == (1e-5, 1e-5, 2e-5)
    assert module.gyro.provenance == {"source": "rest.csv", "rows": 5}
    assert module.camera.distortion[0] == -0.28
    # A second calibration replaces sigma and provenance whole.
    path.write_text(section_update(path, "gyro", {"provenance": {"source": "rest-2.csv"}}))
    assert read_module(path).gyro.provenance == {"source": "rest-2.csv"}


def test_an_update_begins_a_file_and_an_empty_section(path: Path) -> None:
    path.write_text(section_update(path, "gyro", {"bias_rad_s": [0.1, 0.2, 0.3]}))
    assert read_partial_module(path).gyro.bias_rad_s == (0.1, 0.2, 0.3)
    assert read_partial_module(path).name == "module"
    path.write_text(CAMERA + "gyro:\n")
    path.write_text(section_update(path, "gyro", {"bias_rad_s": [0.1, 0.2, 0.3]}))
    assert read_module(path).gyro.bias_rad_s == (0.1, 0.2, 0.3)


def test_an_update_never_makes_a_bad_file_nor_mends_one_in_silence(path: Path) -> None:
    path.write_text(EXAMPLE)
    with pytest.raises(DataError, match=r"range.scale: found 0.0: should be greater than 0.1"):
        section_update(path, "range", {"scale": 0.0})
    path.write_text("gyro: 7\n")
    with pytest.raises(DataError, match=r"gyro: found 7"):
        section_update(path, "gyro", {"bias_rad_s": [0, 0, 0]})
    assert path.read_text() == "gyro: 7\n"


def test_a_dry_run_shows_the_lines_that_change(path: Path) -> None:
    path.write_text(EXAMPLE)
    shown = section_diff(path, section_update(path, "range", {"noise_m": 0.02}))
    lines = [line for line in shown.splitlines() if line[0] in "+-" and line[:3] not in ("+++", "---")]
    assert lines == ["-  noise_m: 0.005", "+  noise_m: 0.02"]


def test_a_written_module_reads_back_equal(path: Path) -> None:
    path.write_text(EXAMPLE)
    module = read_module(path)
    write_module(path, module)
    assert read_module(path) == module


def test_sigmas_of_a_quaternion_as_a_turn() -> None:
    # A small turn theta about body z changes q by (-z, -y, x, w) theta/2: for q = 1 the z part alone, so that
    # a sigma of the z part is half that of the turn.
    values = {"camera_to_body_wxyz": [1, 0, 0, 0], "sigma": {"camera_to_body_wxyz": [0, 0.001, 0.002, 0.003]}}
    alignment = Module.model_validate({"camera": _camera(), "alignment": values}).alignment
    np.testing.assert_allclose(alignment.rotation_sigma_rad, [0.002, 0.004, 0.006], rtol=1e-12)


@settings(max_examples=40, deadline=None)
@given(parts=st.tuples(*[st.floats(-1, 1)] * 4).filter(lambda q: math.hypot(*q) > 0.1))
def test_sigmas_of_a_quaternion_agree_with_finite_differences(
    parts: tuple[float, float, float, float],
) -> None:
    # Oracle: the rotation vector between neighbouring quaternions, by SciPy; error of the difference h^2.
    q = np.array(parts) / math.hypot(*parts)
    sigma = np.array([1e-3, 2e-3, 3e-3, 4e-3])
    values = {"camera_to_body_wxyz": q.tolist(), "sigma": {"camera_to_body_wxyz": sigma.tolist()}}
    alignment = Module.model_validate({"camera": _camera(), "alignment": values}).alignment
    h = 1e-4
    jacobian = np.empty((3, 4))
    for i in range(4):
        turns = [alignment.R_body_camera.from_quat(q + s * h * np.eye(4)[i], scalar_first=True) for s in (1, -1)]
        jacobian[:, i] = (turns[0] * turns[1].inv()).as_rotvec() / (2 * h)
    # Moves along q itself change no rotation, and SciPy normalises them away: the closed form must do so too.
    np.testing.assert_allclose(alignment.rotation_sigma_rad, np.sqrt(jacobian**2 @ sigma**2), rtol=1e-6, atol=1e-9)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    text=st.one_of(st.binary(max_size=60), st.text(alphabet="camer:[]{}&*!-# \n0.1'\"", max_size=60).map(str.encode))
)
def test_any_bytes_are_a_module_or_one_clear_line(tmp_path: Path, text: bytes) -> None:
    path = tmp_path / "module.yaml"
    for head in (b"", CAMERA.encode()):
        path.write_bytes(head + text)
        try:
            read_module(path)
        except DataError as error:
            assert str(error).startswith(str(path))
            assert "\n" not in str(error)


def _camera() -> dict[str, float]:
    return {"width_px": 640, "height_px": 480, "fx_px": 500.0, "fy_px": 500.0, "cx_px": 320.0, "cy_px": 240.0}
