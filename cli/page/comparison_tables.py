"""Tables of a comparison: the worst moments with a link into the video, drift, and errors by height and speed."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from markupsafe import Markup

from cli.page.report import Listing

if TYPE_CHECKING:
    from flow.accuracy.bins import Bin
    from flow.accuracy.comparison import Comparison
    from flow.accuracy.worst import Moment


def moment_listing(title: str, moments: Sequence[Moment], speed: Path, folder: Path) -> list[Listing]:
    """List moments; each time is a link into ``review.html`` where that lies beside the speed log."""
    if not moments:
        return []
    review = _review_link(speed, folder)
    rows = [
        (
            f"{m.time_s:.3f}\u00a0s"
            if review is None
            else _link(f"{review}#t={m.time_s:.3f}", f"{m.time_s:.3f}\u00a0s"),
            *(f"{1000 * e:+z.1f}" for e in (m.forward_error_m_s, m.right_error_m_s, m.down_error_m_s)),
            "–" if m.sigmas is None else f"{m.sigmas:.1f}",
        )
        for m in moments
    ]
    columns = ("time" if review is None else "time, in the video", "forward, mm/s", "right, mm/s", "down, mm/s")
    return [Listing(title=title, columns=(*columns, "times its sigma"), rows=rows)]


def drift_listing(found: Comparison) -> Listing:
    """List the drift of each window."""
    rows = []
    for drift in found.drift:
        if drift.level_rms_m is None or drift.down_rms_m is None or drift.worst_m is None:
            rows.append((f"{drift.window_s:g}\u00a0s", "not\u00a0covered", *5 * ["–"], "0"))
            continue
        share, alone = drift.share_of_distance, drift.if_independent_m
        rows.append(
            (
                f"{drift.window_s:g}\u00a0s",
                f"{drift.level_rms_m:.4f}\u00a0m",
                "–" if share is None else f"{100 * share:.2f}\u00a0%",
                f"{drift.worst_m:.3f}\u00a0m",
                f"{drift.worst_begin_s:.2f}\u00a0s",
                f"{drift.down_rms_m:.4f}\u00a0m",
                "–" if alone is None else f"{alone:.4f}\u00a0m",
                f"{drift.windows}",
            )
        )
    columns = (
        "over",
        "level, RMS",
        "of the distance",
        "worst",
        "which begins at",
        "down, RMS",
        "if rows were independent",
        "separate stretches",
    )
    return Listing(title="Drift of the integrated speed", columns=columns, rows=rows)


def bin_listing(title: str, what: str, bins: Sequence[Bin]) -> list[Listing]:
    """List errors in bins."""
    if not bins:
        return []
    rows = [
        (
            f"{b.low:g}\u00a0to\u00a0{b.high:g}",
            f"{b.rows}",
            *(f"{1000 * axis.rms_m_s:.1f}" for axis in (b.forward, b.right)),
            *(_signed(1000 * axis.bias_m_s, axis.bias_sigma_m_s) for axis in (b.forward, b.right)),
            "–" if b.scale_error is None else _signed(100 * b.scale_error, b.scale_error_sigma, 100, 2),
            *(f"{100 * axis.share_95:.0f}" for axis in (b.forward, b.right)),
        )
        for b in bins
    ]
    columns = (
        what,
        "rows",
        "RMS forward, mm/s",
        "right",
        "bias forward, mm/s",
        "right",
        "scale error along the motion, %",
        "in 95 % band forward, %",
        "right",
    )
    return [Listing(title=title, columns=columns, rows=rows)]


def _signed(value: float, sigma: float | None, factor: float = 1000, digits: int = 1) -> str:
    spread = "" if sigma is None else f"\u00a0±\u00a0{factor * sigma:.{digits}f}"
    return f"{value:+z.{digits}f}{spread}"


def _review_link(speed: Path, folder: Path) -> str | None:
    review = speed.with_name("review.html")
    if not review.is_file():
        return None
    try:
        return quote(os.path.relpath(review.resolve(), folder.resolve()).replace(os.sep, "/"))
    except ValueError:  # another drive
        return review.resolve().as_uri()


def _link(address: str, words: str) -> Markup:
    return Markup('<a href="{}">{}</a>').format(address, words)
