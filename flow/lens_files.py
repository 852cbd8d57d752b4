"""Lens files of other programs: the open camera-info YAML layout and OpenCV's FileStorage, read and written."""

from __future__ import annotations

import io
import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedSeq
from ruamel.yaml.error import YAMLError

from flow.disk.file_storage import read_file_storage
from flow.disk.regular import refuse_devices
from flow.errors import DataError
from flow.lens_values import FISHEYE_NAMES, LAYOUT_NAME, ForeignLens
from flow.sections import Camera

Layout: TypeAlias = Literal["camera-info", "opencv"]
Array: TypeAlias = NDArray[np.float64]

_MOST_BYTES = 1 << 20
_OPENCV_MARK = b"opencv-matrix"

# Names that a FileStorage file gives them, without case and underscores: OpenCV's own samples first.
_MATRIX_KEYS = ("cameramatrix", "k", "intrinsicmatrix")
_DISTORTION_KEYS = ("distortioncoefficients", "distcoeffs", "d")
_WIDTH_KEYS = ("imagewidth", "width")
_HEIGHT_KEYS = ("imageheight", "height")


def read_lens_file(
    path: str | os.PathLike[str],
    *,
    model: Literal["pinhole", "fisheye"] | None = None,
    size_px: tuple[int, int] | None = None,
) -> tuple[ForeignLens, Layout]:
    """Read a lens file; which of the two layouts it has is told from its content.

    Parameters
    ----------
    path
        A camera-info YAML file, or a FileStorage file of OpenCV (YAML, XML or JSON).
    model, size_px
        What a FileStorage file may leave unsaid: whether four distortion terms are pinhole or fisheye, and the
        width and height of the pictures. Where the file does say, it must agree.

    Raises
    ------
    DataError
        Not readable, neither layout, or something that is needed is missing or unclear.
    """
    target = Path(path)
    content = _content(target)
    layout: Layout = "opencv" if _OPENCV_MARK in content else "camera-info"
    lens = _file_storage(target, content, model, size_px) if layout == "opencv" else _camera_info(target, content)
    held = "fisheye" if lens.distortion_model in FISHEYE_NAMES else "pinhole"
    if model is not None and model != held:
        raise DataError(f"is a {held} lens, not {model}", path=target, key="distortion_model")
    if size_px is not None and size_px != (lens.width_px, lens.height_px):
        sizes = f"{lens.width_px} x {lens.height_px} px, not {size_px[0]} x {size_px[1]} px"
        raise DataError(f"was calibrated at {sizes}", path=target)
    return lens, layout


def camera_info_text(camera: Camera, name: str) -> str:
    """Write a lens in the camera-info YAML layout; the picture is the raw one, rectified by nothing."""
    K = camera.matrix
    tree = {
        "image_width": camera.width_px,
        "image_height": camera.height_px,
        "camera_name": name,
        "camera_matrix": _block(K),
        "distortion_model": LAYOUT_NAME[camera.model],
        "distortion_coefficients": _block(camera.distortion_terms[None]),
        "rectification_matrix": _block(np.eye(3)),
        "projection_matrix": _block(np.column_stack([K, np.zeros(3)])),
    }
    yaml, out = YAML(typ="rt"), io.StringIO()
    yaml.width = 4096
    yaml.dump(tree, out)
    return out.getvalue()


def file_storage_text(camera: Camera) -> str:
    """Write a lens as OpenCV's FileStorage YAML, with the keys of OpenCV's calibration samples."""
    flags = cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY | cv2.FILE_STORAGE_FORMAT_YAML
    storage = cv2.FileStorage("", flags)
    storage.write("image_width", camera.width_px)
    storage.write("image_height", camera.height_px)
    storage.write("camera_matrix", camera.matrix)
    storage.write("distortion_coefficients", camera.distortion_terms[:, None])
    storage.write("fisheye_model", int(camera.model == "fisheye"))
    return str(storage.releaseAndGetString())


def _content(path: Path) -> bytes:
    refuse_devices(path)
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise DataError("is far too long for a lens file", path=path)
        return path.read_bytes()
    except FileNotFoundError:
        raise DataError("no such file", path=path) from None
    except OSError as error:
        raise DataError(f"cannot be read ({error.strerror})", path=path) from None


def _camera_info(path: Path, content: bytes) -> ForeignLens:
    try:
        tree = YAML(typ="safe").load(content.decode("utf-8"))
    except (UnicodeDecodeError, YAMLError, ValueError, RecursionError):
        tree = None
    if not isinstance(tree, dict) or "camera_matrix" not in tree:
        layouts = "a camera-info YAML file (camera_matrix, distortion_model) or an OpenCV FileStorage file"
        raise DataError(f"is no lens file; {layouts} is expected", path=path)
    name = tree.get("distortion_model")
    if not isinstance(name, str):
        raise DataError("missing; plumb_bob or equidistant is expected", path=path, key="distortion_model")
    return ForeignLens(
        path=path,
        width_px=_whole(tree, "image_width", path),
        height_px=_whole(tree, "image_height", path),
        distortion_model=name,
        distortion=_numbers(tree, "distortion_coefficients", path, None).ravel().tolist(),
        matrix=_numbers(tree, "camera_matrix", path, (3, 3)),
        rectification=_numbers(tree, "rectification_matrix", path, (3, 3)) if "rectification_matrix" in tree else None,
        projection=_numbers(tree, "projection_matrix", path, (3, 4)) if "projection_matrix" in tree else None,
    )


def _whole(tree: Mapping[str, Any], key: str, path: Path) -> int:
    value = tree.get(key)
    if not isinstance(value, int) or isinstance(value, bool):
        raise DataError("a whole number of pixels is expected", path=path, key=key)
    return value


def _numbers(tree: Mapping[str, Any], key: str, path: Path, shape: tuple[int, int] | None) -> Array:
    """Read a ``rows, cols, data`` block."""
    block = tree.get(key)
    data = block.get("data") if isinstance(block, dict) else None
    try:
        values = np.array(data if isinstance(data, Sequence) else None, float).ravel()
    except (TypeError, ValueError):
        values = np.array([np.nan])
    if not np.isfinite(values).all() or (shape is not None and len(values) != shape[0] * shape[1]):
        what = "rows, cols and data" if shape is None else f"{shape[0]} x {shape[1]} numbers (rows, cols, data)"
        raise DataError(f"{what} are expected", path=path, key=key)
    return values if shape is None else values.reshape(shape)


def _file_storage(path: Path, content: bytes, model: str | None, size_px: tuple[int, int] | None) -> ForeignLens:
    nodes = {re.sub("_", "", key).lower(): value for key, value in read_file_storage(content, path).items()}
    matrix = _matrix(nodes, _MATRIX_KEYS, "camera_matrix", path)
    terms = _matrix(nodes, _DISTORTION_KEYS, "distortion_coefficients", path).ravel()
    if matrix.shape != (3, 3):
        raise DataError("3 x 3 numbers are expected", path=path, key="camera_matrix")
    size_px = _size_px(nodes) or size_px
    name = _model_name(nodes, len(terms), model, path)
    if size_px is None:
        raise DataError("missing; give the size of the images with --size WIDTHxHEIGHT", path=path, key="image_width")
    return ForeignLens(
        path=path,
        width_px=size_px[0],
        height_px=size_px[1],
        distortion_model=name,
        distortion=terms.tolist(),
        matrix=matrix,
    )


def _matrix(nodes: Mapping[str, Any], keys: Sequence[str], wanted: str, path: Path) -> Array:
    found = next((nodes[key] for key in keys if key in nodes), None)
    if not isinstance(found, np.ndarray) or not np.isfinite(found).all():
        raise DataError("a matrix of finite numbers is expected", path=path, key=wanted)
    return np.asarray(found, float)


def _size_px(nodes: Mapping[str, Any]) -> tuple[int, int] | None:
    found = [next((nodes[key] for key in keys if key in nodes), None) for keys in (_WIDTH_KEYS, _HEIGHT_KEYS)]
    sides = [int(side) for side in found if isinstance(side, float) and np.isfinite(side)]
    return (sides[0], sides[1]) if len(sides) == 2 else None


def _model_name(nodes: Mapping[str, Any], count: int, model: str | None, path: Path) -> str:
    """Tell the distortion model: by the file's own word, by the number of terms, or as the caller says."""
    if isinstance(fisheye := nodes.get("fisheyemodel"), float):
        return "equidistant" if fisheye else "plumb_bob"
    if isinstance(name := nodes.get("distortionmodel"), str):
        return name
    if count == 4 and model is None:
        problem = "4 terms may be k1 k2 p1 p2 or a fisheye's k1 k2 k3 k4; say with --model pinhole or --model fisheye"
        raise DataError(problem, path=path, key="distortion_coefficients")
    if count == 4 and model == "fisheye":
        return "equidistant"
    return "plumb_bob" if count <= 5 else "rational_polynomial"


def _block(matrix: Array) -> dict[str, Any]:
    data = CommentedSeq(float(value) for value in matrix.ravel())
    data.fa.set_flow_style()
    return {"rows": matrix.shape[0], "cols": matrix.shape[1], "data": data}
