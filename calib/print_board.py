"""A printable board as SVG or PDF, at true scale."""

from __future__ import annotations

import os
from pathlib import Path
from xml.sax.saxutils import escape

from calib.board_art import BoardArt, board_art
from calib.boards import BoardKind
from flow.disk.files import replacing, write_text
from flow.errors import DataError

_POINTS_PER_MM = 72 / 25.4  # PDF's unit is 1/72 inch (ISO 32000-1, 8.3.2.3)
_ARC = 0.5522847498  # 4/3 (sqrt 2 - 1): control points of a quarter circle, radius true to 0.03 %
_LINE_MM, _TEXT_MM = 0.2, 2.6


def print_board(board: BoardKind, path: str | os.PathLike[str], paper: str = "a4") -> BoardArt:
    """Write a board to print, as the suffix of ``path`` says: ``.svg`` or ``.pdf``.

    Raises
    ------
    DataError
        Another suffix, a board that does not fit the paper, or a folder that cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import calib
    >>> path = Path(tempfile.mkdtemp()) / "board.svg"
    >>> art = calib.print_board(calib.parse_board("chessboard:9x6:0.025"), path)
    >>> path.read_text().startswith("<svg") or path.read_text().startswith("<?xml")
    True
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in (".svg", ".pdf"):
        raise DataError(
            f"{path.suffix or 'no suffix'} is not known; name the file .svg or .pdf", path=path, key="output"
        )
    art = board_art(board, paper)
    if suffix == ".svg":
        write_text(path, svg(art))
    else:
        with replacing(path) as temporary:
            temporary.write_bytes(pdf(art))
    return art


def svg(art: BoardArt) -> str:
    """Draw the sheet as SVG 1.1 in millimetres; all black is one path, so that no seam shows."""
    ink = [f"M{x:.4f} {y:.4f}h{w:.4f}v{h:.4f}h{-w:.4f}z" for x, y, w, h in art.boxes]
    ink += [f"M{x - r:.4f} {y:.4f}{_half_disc(r, 1)}{_half_disc(r, -1)}z" for x, y, r in art.discs]
    lines = "".join(f"M{x0:.4f} {y0:.4f}L{x1:.4f} {y1:.4f}" for x0, y0, x1, y1 in art.lines)
    width, height = f"{art.width_mm:g}", f"{art.height_mm:g}"
    size = f'width="{width}mm" height="{height}mm" viewBox="0 0 {width} {height}"'
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" {size}>',
            f"<title>{escape(art.label)}</title>",
            '<rect width="100%" height="100%" fill="#fff"/>',
            f'<path id="board" fill="#000" d="{"".join(ink)}"/>',
            f'<path id="check" fill="none" stroke="#000" stroke-width="{_LINE_MM}" d="{lines}"/>',
            f'<text x="{art.label_at_mm[0]:.4f}" y="{art.label_at_mm[1]:.4f}" font-family="sans-serif" '
            f'font-size="{_TEXT_MM}">{escape(art.label)}</text>',
            "</svg>",
            "",
        ]
    )


def _half_disc(r: float, way: int) -> str:
    return f"a{r:.4f} {r:.4f} 0 1 0 {2 * way * r:.4f} 0"


def pdf(art: BoardArt) -> bytes:
    """Draw the sheet as PDF 1.4 (ISO 32000-1): one page, paths, and one line in a standard font."""
    content = _content(art).encode("ascii")
    box = f"[0 0 {art.width_mm * _POINTS_PER_MM:.4f} {art.height_mm * _POINTS_PER_MM:.4f}]"
    fonts = "<< /Font << /F1 << /Type /Font /Subtype /Type1 /BaseFont /Helvetica >> >> >>"
    # Without the viewer preference most print dialogs shrink the page to the printer's margins.
    bodies = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /MediaBox {box} /Resources {fonts} /Contents 4 0 R >>".encode(),
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(content), content),
    ]
    out = bytearray(b"%PDF-1.4\n")
    offsets = []
    for number, body in enumerate(bodies, 1):
        offsets.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = b"".join(b"%010d 00000 n \n" % offset for offset in offsets)
    size = len(bodies) + 1
    out += b"xref\n0 %d\n0000000000 65535 f \n%strailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (
        size,
        table,
        size,
        len(out),
    )
    return bytes(out)


def _content(art: BoardArt) -> str:
    k = _POINTS_PER_MM
    # Millimetres, y down, as in the layout: the page is flipped once instead of every number.
    lines = [f"q {k:.8f} 0 0 {-k:.8f} 0 {art.height_mm * k:.4f} cm 0 g"]
    lines += [f"{x:.4f} {y:.4f} {w:.4f} {h:.4f} re" for x, y, w, h in art.boxes]
    lines += [_disc(*disc) for disc in art.discs]
    lines += [f"f {_LINE_MM} w"]
    lines += [f"{x0:.4f} {y0:.4f} m {x1:.4f} {y1:.4f} l" for x0, y0, x1, y1 in art.lines]
    x, y = art.label_at_mm
    lines += [f"S BT /F1 {_TEXT_MM} Tf 1 0 0 -1 {x:.4f} {y:.4f} Tm ({art.label}) Tj ET Q"]
    return "\n".join(lines)


def _disc(x: float, y: float, r: float) -> str:
    c = _ARC * r
    curves = [
        (x + r, y + c, x + c, y + r, x, y + r),
        (x - c, y + r, x - r, y + c, x - r, y),
        (x - r, y - c, x - c, y - r, x, y - r),
        (x + c, y - r, x + r, y - c, x + r, y),
    ]
    return f"{x + r:.4f} {y:.4f} m " + " ".join(" ".join(f"{v:.4f}" for v in curve) + " c" for curve in curves) + " h"
