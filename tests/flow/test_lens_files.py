"""Lens files of other programs.

The models are held against OpenCV's own functions (an independent implementation of Brown 1971 and of Kannala and
Brandt 2006), and FileStorage files are written and read by OpenCV itself. Tolerances: 1e-9 px where the same
double-precision formula is evaluated twice; equality where a number is only carried over (both layouts hold 17
digits, which is enough to give any double back).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from ruamel.yaml import YAML

from flow.camera import Lens
from flow.errors import DataError
from flow.lens_files import camera_info_text, file_storage_text, read_lens_file
from flow.lens_values import camera_values
from flow.sections import Camera

PINHOLE = Camera(
    model="pinhole", width_px=640, height_px=480, fx_px=531.2, fy_px=531.9, cx_px=322.4, cy_px=236.8,
    distortion=(-0.28, 0.09, 0.0004, -0.0003, 0.011), readout_s=0.014,
)  # fmt: skip
FISHEYE = Camera(
    model="fisheye", width_px=640, height_px=480, fx_px=231.2, fy_px=231.9, cx_px=322.4, cy_px=236.8,
    distortion=(0.02, -0.011, 0.004, -0.0007),
)  # fmt: skip
K = PINHOLE.matrix
RAYS = np.array([[0.0, 0.0], [0.3, -0.2], [-0.5, 0.35], [0.1, 0.4]])


def written(folder: Path, text: str) -> Path:
    path = folder / "lens.yaml"
    path.write_text(text)
    return path


def taken_over(path: Path, **said: Any) -> Camera:
    return Camera(**camera_values(read_lens_file(path, **said)[0])[0])


def camera_info(**changes: Any) -> str:
    """Write a file as the layout's own description shows it, by another library and in another order than ours."""
    tree: dict[str, Any] = {
        "camera_name": "front",
        "distortion_model": "plumb_bob",
        "distortion_coefficients": {"rows": 1, "cols": 5, "data": list(PINHOLE.distortion)},
        "camera_matrix": {"rows": 3, "cols": 3, "data": K.ravel().tolist()},
        "image_width": 640,
        "image_height": 480,
    } | changes
    return "".join(f"{key}: {value}\n" for key, value in tree.items() if value is not None)


def stored(path: Path, **nodes: Any) -> Path:
    """Write nodes by OpenCV."""
    storage = cv2.FileStorage(str(path), cv2.FILE_STORAGE_WRITE)
    for key, value in nodes.items():
        storage.write(key, value)
    storage.release()
    return path


@pytest.mark.parametrize("camera", [PINHOLE, FISHEYE], ids=lambda camera: camera.model)
@pytest.mark.parametrize("text", [lambda camera: camera_info_text(camera, "fern"), file_storage_text])
def test_round_trip(camera: Camera, text: Any, tmp_path: Path) -> None:
    back = taken_over(written(tmp_path, text(camera)))
    assert back == camera.model_copy(update={"readout_s": 0.0})


@pytest.mark.parametrize("camera", [PINHOLE, FISHEYE], ids=lambda camera: camera.model)
def test_what_we_write_means_the_same_to_opencv(camera: Camera, tmp_path: Path) -> None:
    storage = cv2.FileStorage(str(written(tmp_path, file_storage_text(camera))), cv2.FILE_STORAGE_READ)
    K_read, terms = storage.getNode("camera_matrix").mat(), storage.getNode("distortion_coefficients").mat()
    solid, zero = np.column_stack([RAYS, np.ones(len(RAYS))])[:, None], np.zeros(3)
    project = cv2.fisheye.projectPoints if camera.model == "fisheye" else cv2.projectPoints
    seen = project(solid, zero, zero, K_read, terms)[0].reshape(-1, 2)
    assert seen == pytest.approx(Lens(camera).pixels(RAYS), rel=0, abs=1e-9)
    assert int(storage.getNode("image_width").real()) == 640
    assert int(storage.getNode("image_height").real()) == 480


def test_what_opencv_writes_means_the_same_to_us(tmp_path: Path) -> None:
    terms = np.array([[-0.28, 0.09, 0.0004, -0.0003]]).T
    for suffix in ("yml", "xml", "json"):
        path = stored(
            tmp_path / f"out.{suffix}",
            image_width=640,
            image_height=480,
            camera_matrix=K,
            distortion_coefficients=terms,
        )
        lens = Lens(taken_over(path, model="pinhole"))
        solid, zero = np.column_stack([RAYS, np.ones(len(RAYS))]), np.zeros(3)
        seen = cv2.projectPoints(solid, zero, zero, K, terms)[0].reshape(-1, 2)
        assert lens.pixels(RAYS) == pytest.approx(seen, rel=0, abs=1e-9)


def test_camera_info_layout_as_written_elsewhere(tmp_path: Path) -> None:
    assert taken_over(written(tmp_path, camera_info())) == PINHOLE.model_copy(update={"readout_s": 0.0})
    fisheye = camera_info(
        distortion_model="equidistant", distortion_coefficients={"data": list(FISHEYE.distortion), "rows": 1, "cols": 4}
    )
    assert taken_over(written(tmp_path, fisheye)).model == "fisheye"


def test_camera_info_keeps_the_layout(tmp_path: Path) -> None:
    tree = YAML(typ="safe").load(camera_info_text(PINHOLE, "fern"))
    assert tree["distortion_model"] == "plumb_bob"
    assert tree["camera_matrix"] == {"rows": 3, "cols": 3, "data": K.ravel().tolist()}
    assert tree["rectification_matrix"] == {"rows": 3, "cols": 3, "data": np.eye(3).ravel().tolist()}
    projection = tree["projection_matrix"]
    assert (projection["rows"], projection["cols"]) == (3, 4)
    assert np.array_equal(np.reshape(projection["data"], (3, 4)), np.column_stack([K, np.zeros(3)]))


def test_rational_terms_of_zero_are_a_pinhole(tmp_path: Path) -> None:
    eight = {"rows": 1, "cols": 8, "data": [*PINHOLE.distortion, 0.0, 0.0, 0.0]}
    text = camera_info(distortion_model="rational_polynomial", distortion_coefficients=eight)
    assert taken_over(written(tmp_path, text)).distortion == PINHOLE.distortion


def test_rectification_is_left_out_and_said(tmp_path: Path) -> None:
    other = np.column_stack([0.9 * K, [12.0, 0.0, 0.0]]).ravel().tolist()
    text = camera_info(projection_matrix={"rows": 3, "cols": 4, "data": other})
    values, remarks = camera_values(read_lens_file(written(tmp_path, text))[0])
    assert values["fx_px"] == 531.2
    assert len(remarks) == 1
    assert "raw" in remarks[0]


def test_lens_of_a_rectified_picture_is_its_projection(tmp_path: Path) -> None:
    other = np.column_stack([K + np.diag([10.0, 11.0, 0.0]), np.zeros(3)]).ravel().tolist()
    text = camera_info(projection_matrix={"rows": 3, "cols": 4, "data": other})
    values, _ = camera_values(read_lens_file(written(tmp_path, text))[0], rectified=True)
    assert (values["fx_px"], values["fy_px"]) == (541.2, 542.9)
    assert not any(values["distortion"])


SKEWED = {"rows": 3, "cols": 3, "data": [531.2, 0.8, 322.4, 0, 531.9, 236.8, 0, 0, 1]}
EIGHT = {"rows": 1, "cols": 8, "data": [0.1, 0, 0, 0, 0, 0.2, 0, 0]}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (camera_info(camera_matrix=SKEWED), "camera_matrix: has a skew of 0.8 px"),
        (camera_info(camera_matrix={"data": [0] * 9}), "camera_matrix: is all 0: this camera was never calibrated"),
        (camera_info(camera_matrix={"data": [1, 2]}), "camera_matrix: 3 x 3 numbers"),
        (camera_info(camera_matrix="[1, 2, 3]"), "camera_matrix: 3 x 3 numbers"),
        (camera_info(distortion_model="rational_polynomial", distortion_coefficients=EIGHT), "that are not 0"),
        (camera_info(distortion_model="thin_prism"), "distortion_model: 'thin_prism' is unknown"),
        (camera_info(distortion_model=None), "distortion_model: missing"),
        (camera_info(distortion_model="equidistant"), "5 terms for equidistant, which has 4 terms k1 k2 k3 k4"),
        (camera_info(image_width="'640'"), "image_width: a whole number of pixels"),
        (camera_info(distortion_coefficients={"data": [0.1, ".nan"]}), "distortion_coefficients: rows, cols"),
        ("name: fern\n", "is no lens file"),
        ("%YAML:1.0\n---\nK: !!opencv-matrix\n   rows: 3\n   data: [1, 2", "cannot be parsed"),
        ("\0\1\2", "is no lens file"),
        ("", "is no lens file"),
    ],
)
def test_faults_are_said_in_one_line(text: str, says: str, tmp_path: Path) -> None:
    path = written(tmp_path, text)
    with pytest.raises(DataError) as error:
        taken_over(path)
    assert says in str(error.value)
    assert str(error.value).startswith(str(path))


@pytest.mark.parametrize(
    ("nodes", "said", "says"),
    [
        ({"D": np.zeros((4, 1)), "width": 640, "height": 480}, {}, "say with --model pinhole or --model fisheye"),
        ({"D": np.zeros((5, 1))}, {}, "--size WIDTHxHEIGHT"),
        ({"width": 640, "height": 480}, {}, "distortion_coefficients: a matrix of finite numbers is expected"),
        ({"D": np.zeros((5, 1)), "width": 640, "height": 480}, {"model": "fisheye"}, "is a pinhole lens, not fisheye"),
        (
            {"D": np.zeros((5, 1)), "width": 640, "height": 480},
            {"size_px": (64, 48)},
            "calibrated at 640 x 480 px, not",
        ),
        ({"D": np.full((8, 1), 0.1), "width": 640, "height": 480}, {}, "terms beyond k1 k2 p1 p2 k3 that are not 0"),
    ],
)
def test_what_a_file_storage_leaves_open(nodes: Any, said: Any, says: str, tmp_path: Path) -> None:
    path = stored(tmp_path / "lens.yml", K=K, **nodes)
    with pytest.raises(DataError, match=says):
        taken_over(path, **said)


def test_four_terms_as_the_caller_says(tmp_path: Path) -> None:
    path = stored(tmp_path / "lens.yml", K=K, D=np.array([[0.1, 0.2, 0.3, 0.4]]))
    fisheye = taken_over(path, model="fisheye", size_px=(640, 480))
    assert (fisheye.model, fisheye.distortion) == ("fisheye", (0.1, 0.2, 0.3, 0.4))
    pinhole = taken_over(path, model="pinhole", size_px=(640, 480))
    assert (pinhole.model, pinhole.distortion) == ("pinhole", (0.1, 0.2, 0.3, 0.4, 0.0))
