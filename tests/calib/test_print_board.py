"""Printed boards: read back from the file by an independent reader, measured, and found by the detector.

The PDF is rasterised by poppler's ``pdftoppm`` where it is installed, and always by the small reader below,
which knows the operators of ISO 32000-1 that the file uses. The geometry expected is that of the board: a
page of 210 x 297 mm, corners every 25 mm, check lines of 100 mm.
"""

import re
import shutil
import subprocess
import xml.etree.ElementTree as ET

import cv2
import numpy as np
import pytest

from calib.board_art import PAPERS_MM, board_art
from calib.boards import parse_board
from calib.corners import CornerFinder
from calib.print_board import print_board
from flow.errors import DataError

PX_PER_MM = 6.0
KINDS = ("chessboard:9x6:0.025", "circles:8x5:0.03", "charuco:8x6:0.025")


def filled(shape_mm, polygons):
    """Rasterise polygons (mm): 16ths of a pixel, non-zero by drawing each on its own."""
    width, height = (round(side * PX_PER_MM) for side in shape_mm)
    picture = np.full((height, width), 255, np.uint8)
    for polygon in polygons:
        # Pixel (0, 0) is the centre of the first pixel.
        at = np.rint((np.asarray(polygon) * PX_PER_MM - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(picture, [at], 0, lineType=cv2.LINE_AA, shift=4)
    return picture


def read_pdf(raw):
    """Page size in mm, filled polygons and stroked lines in mm from the top left, and the text."""
    offsets = [int(o) for o in re.findall(rb"(\d{10}) 00000 n \n", raw)]
    for number, offset in enumerate(offsets, 1):
        assert raw[offset:].startswith(b"%d 0 obj\n" % number)
    start = int(re.search(rb"startxref\n(\d+)\n%%EOF\n$", raw)[1])
    assert raw[start:].startswith(b"xref\n0 %d\n" % (len(offsets) + 1))
    box = [float(v) for v in re.search(rb"/MediaBox \[([^]]*)\]", raw)[1].split()]
    length, content = re.search(rb"/Length (\d+) >>\nstream\n(.*)\nendstream", raw, re.DOTALL).groups()
    assert len(content) == int(length)
    tokens = re.findall(r"\([^)]*\)|/?[^\s()]+", content.decode())
    stack, path, filled_paths, lines, matrix, text, width = [], [], [], [], np.eye(3), None, None
    for token in tokens:
        if re.fullmatch(r"-?\d+(\.\d+)?", token):
            stack.append(float(token))
            continue
        if token == "cm":
            a, b, c, d, e, f = stack
            matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
        elif token == "re":
            x, y, w, h = stack
            path.append([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
        elif token == "m":
            path.append([tuple(stack)])
        elif token == "l":
            path[-1].append(tuple(stack))
        elif token == "c":
            p = np.array([path[-1][-1], *np.reshape(stack, (3, 2))])
            t = np.linspace(0, 1, 17)[1:, None]
            path[-1] += [
                tuple(q)
                for q in (1 - t) ** 3 * p[0] + 3 * t * (1 - t) ** 2 * p[1] + 3 * t**2 * (1 - t) * p[2] + t**3 * p[3]
            ]
        elif token == "f":
            filled_paths, path = path, []
        elif token == "S":
            lines, path = path, []
        elif token == "w":
            width = stack[0]
        elif token.startswith("("):
            text = token[1:-1]
        stack = []
    to_mm = 25.4 / 72

    def on_page(points):
        page = (np.column_stack([np.asarray(points, float), np.ones(len(points))]) @ matrix)[:, :2]
        return np.column_stack([page[:, 0], box[3] - page[:, 1]]) * to_mm

    assert width < 0.5
    return (box[2] * to_mm, box[3] * to_mm), [on_page(p) for p in filled_paths], [on_page(p) for p in lines], text


def read_svg(text):
    root = ET.fromstring(text)
    size = tuple(float(root.get(side).removesuffix("mm")) for side in ("width", "height"))
    assert [float(v) for v in root.get("viewBox").split()] == [0, 0, *size]
    ink, check = (root.find(f"{{*}}path[@id='{name}']").get("d") for name in ("board", "check"))
    polygons = []
    for piece in ink.split("z")[:-1]:
        numbers = [float(v) for v in re.findall(r"-?\d+\.?\d*", piece)]
        if "a" in piece:
            x, y, r = numbers[:3]
            a = np.linspace(0, 2 * np.pi, 97)[:-1]
            polygons.append(np.column_stack([x + r - r * np.cos(a), y + r * np.sin(a)]))
        else:
            x, y, w, h = numbers[:4]
            polygons.append(np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)]))
    lines = [np.reshape([float(v) for v in re.findall(r"\d+\.?\d*", piece)], (2, 2)) for piece in check.split("M")[1:]]
    return size, polygons, lines, root.find("{*}text").text


def assert_true_scale(picture, board, px_per_mm, tolerance_px):
    """Find the board, and check that its points lie on a straight grid of SIZE."""
    found = CornerFinder(board).find(picture)
    assert isinstance(found, dict), found
    corners = found.get("window of 5 px", next(iter(found.values())))
    assert len(corners.ids) == board.grid[0] * board.grid[1]
    plane = board.points_m[corners.ids, :2] * 1e3 * px_per_mm
    a, b = plane - plane.mean(axis=0), corners.pixels - corners.pixels.mean(axis=0)
    # Best rotation, reflections included: no scale is fitted, so a scale error shows.
    u, _, vt = np.linalg.svd(a.T @ b)
    assert np.abs(a @ (u @ vt) - b).max() < tolerance_px


@pytest.mark.parametrize("text", KINDS)
@pytest.mark.parametrize("suffix", ["svg", "pdf"])
def test_the_printed_board_is_found_at_true_scale(tmp_path, text, suffix):
    board = parse_board(text)
    path = tmp_path / f"board.{suffix}"
    print_board(board, path)
    size, polygons, lines, label = read_pdf(path.read_bytes()) if suffix == "pdf" else read_svg(path.read_text())
    assert sorted(size) == pytest.approx([210, 297], abs=0.01)
    # Corners to 0.1 px of 6 px a mm; a board 0.1 % off would miss by 0.6 px over 200 mm.
    assert_true_scale(filled(size, polygons), board, PX_PER_MM, 0.15)
    ends = [line for line in lines if np.linalg.norm(line[1] - line[0]) > 50]
    assert sorted(np.abs(line[1] - line[0]).round(3).tolist() for line in ends) == [[0, 100], [100, 0]]
    ink = np.concatenate(polygons + lines)
    assert ink.min() >= 8.0 - 1.6  # the ticks of the check lines reach half their length into the margin
    assert (ink <= np.array(size) - 8.0 + 1e-6).all()
    assert str(board) in label
    for disc in polygons if board.kind == "circles" else []:
        # Bezier quarters are round to 0.03 %.
        np.testing.assert_allclose(
            np.linalg.norm(disc - (disc.min(axis=0) + disc.max(axis=0)) / 2, axis=1), 7.5, rtol=5e-4
        )
    # Nothing but white around the board: a detector needs it.
    assert min(np.linalg.norm(np.concatenate(polygons)[:, None] - np.concatenate(lines)[None], axis=-1).ravel()) > 3


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler's pdftoppm is not installed (poppler-utils)")
@pytest.mark.parametrize("text", KINDS)
def test_poppler_draws_the_same_board(tmp_path, text):
    board = parse_board(text)
    print_board(board, tmp_path / "board.pdf")
    command = ["pdftoppm", "-r", str(25.4 * PX_PER_MM), "-gray", "-singlefile", "board.pdf", "page"]
    subprocess.run(command, cwd=tmp_path, check=True)
    picture = cv2.imread(str(tmp_path / "page.pgm"), cv2.IMREAD_GRAYSCALE)
    assert sorted(picture.shape) == pytest.approx([210 * PX_PER_MM, 297 * PX_PER_MM], abs=1)
    assert_true_scale(picture, board, PX_PER_MM, 0.3)


def test_svg_and_pdf_hold_the_same_ink(tmp_path):
    board = parse_board(KINDS[2])
    for suffix in ("svg", "pdf"):
        print_board(board, tmp_path / f"b.{suffix}", "letter")
    ours, theirs = read_svg((tmp_path / "b.svg").read_text()), read_pdf((tmp_path / "b.pdf").read_bytes())
    np.testing.assert_allclose(ours[0], theirs[0], atol=0.01)
    np.testing.assert_allclose(np.array(ours[1]), np.array(theirs[1]), atol=1e-3)
    assert ours[3] == theirs[3]


def test_the_markers_are_opencv_own():
    # OpenCV draws the same board: 32 pixels a square, 4 a marker cell (0.75 x 32 / 6).
    board = parse_board("charuco:5x4:0.03")
    art = board_art(board)
    drawn = cv2.aruco.CharucoBoard((5, 4), 1.0, 0.75, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    expected = drawn.generateImage((5 * 32, 4 * 32), marginSize=0, borderBits=1)
    ours = np.full(expected.shape, 255, np.uint8)
    left, top = art.origin_mm[0] - 30, art.origin_mm[1] - 30
    for x, y, w, h in art.boxes:
        x0, y0, x1, y1 = (round(v / 30 * 32) for v in (x - left, y - top, x - left + w, y - top + h))
        ours[y0:y1, x0:x1] = 0
    assert np.array_equal(ours, expected)


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_every_paper_takes_a_board(paper):
    art = board_art(parse_board("chessboard:5x4:0.02"), paper)
    assert {art.width_mm, art.height_mm} == set(PAPERS_MM[paper])


def test_a_board_too_large_is_refused_with_what_fits(tmp_path):
    # 10 x 7 squares of 40 mm are 400 x 280 mm. On A4, 297 - 28 = 269 mm remain for 10 squares: 26.9 mm, and
    # 210 - 28 = 182 mm for 7: 26 mm. A3 has 420 - 28 = 392 mm: too short, so A2; tabloid is narrower than A2
    # too.
    with pytest.raises(DataError, match="400 x 280 mm") as caught:
        print_board(parse_board("chessboard:9x6:0.04"), tmp_path / "b.svg")
    assert "a SIZE of 0.026 fits, or --paper a2" in str(caught.value)
    assert not list(tmp_path.iterdir())
    print_board(parse_board("chessboard:9x6:0.026"), tmp_path / "b.svg")
    print_board(parse_board("chessboard:9x6:0.04"), tmp_path / "c.svg", "a2")
    with pytest.raises(DataError):
        print_board(parse_board("chessboard:9x6:0.0261"), tmp_path / "d.svg")


def test_another_suffix_is_refused(tmp_path):
    with pytest.raises(DataError, match=r"name the file \.svg or \.pdf"):
        print_board(parse_board(KINDS[0]), tmp_path / "board.png")
    assert not list(tmp_path.iterdir())
