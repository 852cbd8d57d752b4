"""Report page of the lens calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cli.page.report import INKS, Chart, Fact, Listing, Page, axis, dots, line
from flow.figures import with_sigma
from flow.wording import counted

if TYPE_CHECKING:
    from calib.lens_result import LensCalibration

_GAP = 0.01  # of a tile, left free on each side
_ARROW = 0.06  # the longest residual drawn, of the picture's width


def lens_facts(found: LensCalibration) -> list[Fact]:
    """Parameters with what each means for speed."""
    share = 100 * found.focal_sigma
    terms = ("k1", "k2", "p1", "p2", "k3") if found.model == "pinhole" else ("k1", "k2", "k3", "k4")
    bends = zip(terms, found.distortion, found.distortion_sigma, strict=True)
    return [
        Fact(
            name="focal length x, y",
            value=f"{with_sigma(found.fx_px, found.fx_sigma_px)}, {with_sigma(found.fy_px, found.fy_sigma_px, 'px')}",
            meaning=f"speed ± {share:.2g} % at every height",
        ),
        Fact(
            name="principal point x, y",
            value=f"{with_sigma(found.cx_px, found.cx_sigma_px)}, {with_sigma(found.cy_px, found.cy_sigma_px, 'px')}",
            meaning="the alignment takes most of it up",
        ),
        Fact(
            name="distortion",
            value=", ".join(f"{name}\u00a0{with_sigma(value, sigma, signed=True)}" for name, value, sigma in bends),
            meaning="bends the edge of the image",
        ),
        Fact(
            name="residual",
            value=f"{found.rms_px:.3f} px RMS, {found.held_out_rms_px:.3f} px on views left out of the fit",
            meaning="much larger on unseen views would mean a fit to noise",
        ),
    ]


def lens_page(found: LensCalibration, module: str) -> Page:
    """Build the page of a lens calibration."""
    return Page(
        title=f"Lens calibration of {module}",
        summary=(
            f"{counted(len(found.views), 'view')} of a {found.board} board, {found.model} model, "
            f"{found.width_px} x {found.height_px} px; {counted(len(found.left_out), 'image')} left out."
        ),
        facts=lens_facts(found),
        remarks=found.remarks,
        charts=[_coverage_chart(found), _residual_chart(found), _view_chart(found)],
        tables=_left_out(found),
        footer=[f"From {found.source.name}. Plane-based calibration (Zhang 2000)."],
    )


def _picture_axes(found: LensCalibration) -> dict[str, Any]:
    x = axis("column, px", range=[0, found.width_px], constrain="domain")
    y = axis("row, px", range=[found.height_px, 0], scaleanchor="x", constrain="domain")
    return {"xaxis": x, "yaxis": y}


def _coverage_chart(found: LensCalibration) -> Chart:
    """Draw the count of each part as a number on a tile, the darker the more corners."""
    rows, columns = found.coverage.shape
    wide, high = found.width_px / columns, found.height_px / rows
    most = max(1, int(found.coverage.max()))
    row, column = (place.ravel() for place in np.indices(found.coverage.shape))
    tiles = [
        {
            "type": "rect",
            "x0": wide * (c + _GAP),
            "x1": wide * (c + 1 - _GAP),
            "y0": high * (r + _GAP),
            "y1": high * (r + 1 - _GAP),
            "fillcolor": f"rgba(59,127,196,{0.06 + 0.64 * found.coverage[r, c] / most:.3f})",
            "line": {"width": 0},
            "layer": "below",
        }
        for r, c in zip(row, column, strict=True)
    ]
    counts = found.coverage.ravel()
    numbers = {
        "x": wide * (column + 0.5),
        "y": high * (row + 0.5),
        "text": [f"{count}" for count in counts],
        "texttemplate": "%{text}",
        "mode": "text",
        "hoverinfo": "text",
        "hovertext": [counted(int(count), "corner") for count in counts],
    }
    return Chart(
        title="Where corners were seen",
        caption="Corners in each part of the image. The lens is extrapolated where there are none.",
        traces=[numbers],
        layout={**_picture_axes(found), "shapes": tiles},
    )


def _residual_chart(found: LensCalibration) -> Chart:
    at = np.concatenate([view.pixels for view in found.views])
    miss = np.concatenate([view.residuals_px for view in found.views])
    factor = _ARROW * found.width_px / max(float(np.quantile(np.hypot(*miss.T), 0.999)), 1e-6)
    ends = at + factor * miss
    gaps = np.full(len(at), np.nan)
    x = np.column_stack([at[:, 0], ends[:, 0], gaps]).ravel().round(1)
    y = np.column_stack([at[:, 1], ends[:, 1], gaps]).ravel().round(1)
    quiet = {"hoverinfo": "skip"}
    return Chart(
        title="Residual vectors",
        caption="They should point every way. A pattern is a wrong lens model, or a board that is not flat.",
        traces=[
            {**line(x, y, f"residual, {factor:.0f} times as long", INKS[1]), **quiet},
            {**dots(at[:, 0].round(1), at[:, 1].round(1), "corner", INKS[0], size=3), **quiet},
        ],
        layout=_picture_axes(found),
    )


def _view_chart(found: LensCalibration) -> Chart:
    names = [view.name for view in found.views]
    bars = {
        "in the fit": ([view.rms_px for view in found.views], INKS[0]),
        "left out of the fit": ([view.held_out_rms_px for view in found.views], INKS[1]),
    }
    return Chart(
        title="Residual of each view",
        caption="RMS in the fit, and under a lens fitted without the view.",
        traces=[
            {"type": "bar", "x": names, "y": values, "name": name, "marker": {"color": ink}}
            for name, (values, ink) in bars.items()
        ],
        layout={"xaxis": axis("", type="category", automargin=True), "yaxis": axis("RMS, px", rangemode="tozero")},
        wide=True,
    )


def _left_out(found: LensCalibration) -> list[Listing]:
    if not found.left_out:
        return []
    rows = [(out.name, out.reason) for out in found.left_out]
    return [Listing(title="Images left out", columns=("image", "reason"), rows=rows)]
