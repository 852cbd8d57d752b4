"""A camera's lens from pictures of a board: parameters, uncertainty, and what that means for speed."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.boards import BoardKind
from calib.bundle import Array, Model, View
from calib.frames import LeftOut
from calib.lens_choice import LEAST_VIEWS, Chosen, choose, views_of
from calib.lens_fit import LensFit, fit_lens, held_out, rms
from calib.lens_result import LensCalibration, ViewResult
from calib.views import Picked, Progress, pick_views
from flow.errors import DataError
from flow.wording import counted

COVERAGE_CELLS = (8, 6)
"""Columns and rows of the coverage map."""

_TILT = "tilt the board 20 to 45 degrees, left, right, up and down"
_GOOD_VIEWS = 15
_LEAST_TILT_SPREAD_RAD = np.radians(10.0)
_MOST_FOCAL_SIGMA = 0.01
_MOST_RMS_SHARE = 0.003  # of the picture's longer side: 2 px of 640
_MOST_NAMED = 5  # pictures left out, on the console
_OTHER_MODEL_GAIN = 0.8


def calibrate_lens(
    source: str | os.PathLike[str], board: BoardKind, model: Model, *, progress: Progress | None = None
) -> LensCalibration:
    """Calibrate a lens.

    Parameters
    ----------
    source
        A folder of pictures, or a video of the board held in many poses.
    board
        The board in view. Its size scales the distances only: the focal length does not depend on it.
    model
        ``pinhole`` (Brown 1971, five terms) or ``fisheye`` (Kannala and Brandt 2006, four terms).
    progress
        Called with one line on what is being done.

    Raises
    ------
    DataError
        Too few views, views all alike, another board, mixed picture sizes, a lens that these views do not
        fix.

    Notes
    -----
    Plane-based calibration (Zhang 2000). A chessboard and a grid of discs look the same in a mirror: a camera
    that flips its picture passes here, and shows up in the alignment. A charuco board refuses it here.

    Examples
    --------
    >>> import calib
    >>> found = calib.calibrate_lens("sample_video/board", calib.parse_board("chessboard:9x6:0.025"), "pinhole")
    >>> bool(abs(found.fx_px - 266.28) < 3 * found.fx_sigma_px), bool(found.rms_px < 0.1)  # 266.28 px is the truth
    (True, True)
    """
    say, source = progress or (lambda _: None), Path(source)
    picked = pick_views(source, board, progress)
    _refuse_few(source, len(picked.views), picked.left_out)
    say(f"fitting {counted(len(picked.views), 'view')}")
    _refuse_parallel(source, picked, board, model)
    chosen = choose(picked.views, board, picked.size_px, model)
    left_out = tuple(sorted([*picked.left_out, *chosen.left_out], key=lambda out: out.name))
    _refuse_few(source, len(chosen.views), left_out)
    _refuse_unfixed(source, chosen, picked.size_px)
    say("checking on views left out of the fit")
    unseen = held_out(chosen.views, picked.size_px, model, chosen.fit.parameters)
    coverage = coverage_counts(chosen.views, picked.size_px)
    remarks = _remarks(picked, chosen, left_out, coverage, rms(unseen))
    return _result(source, board, picked.size_px, chosen, unseen, coverage, left_out, remarks)


def coverage_counts(views: Sequence[View], size_px: tuple[int, int]) -> NDArray[np.intp]:
    """Corners in each cell of the picture, (rows, columns) of :data:`COVERAGE_CELLS`."""
    pixels = np.concatenate([view.pixels for view in views]) + 0.5
    columns, rows = COVERAGE_CELLS
    limits = [(0, size_px[1]), (0, size_px[0])]
    counts, *_ = np.histogram2d(pixels[:, 1], pixels[:, 0], bins=(rows, columns), range=limits)
    return counts.astype(np.intp)


def _refuse_few(source: Path, count: int, left_out: Sequence[LeftOut]) -> None:
    if count >= LEAST_VIEWS:
        return
    causes = Counter(out.reason.split(" frame ")[0].split(":")[0] for out in left_out)
    example = (
        next((out for out in left_out if out.reason.startswith(causes.most_common(1)[0][0])), None)
        if left_out
        else None
    )
    why = (
        ""
        if example is None
        else f"; {counted(len(left_out), 'image')} left out, for example {example.name}: {example.reason}"
    )
    raise DataError(
        f"{counted(count, 'usable view')} of the board, {LEAST_VIEWS} are the least{why}. "
        f"Take {_GOOD_VIEWS} or more that differ: tilted 20 to 45 degrees every way, near and far, in every corner",
        path=source,
    )


def _refuse_parallel(source: Path, picked: Picked, board: BoardKind, model: Model) -> None:
    """Parallel planes say nothing about the focal length (Zhang 2000, section 2.4); no refinement can help."""
    normals = fit_lens(views_of(picked.views, board), picked.size_px, model).normals
    spread = float(np.arccos(np.clip((normals @ normals.T).min(), -1, 1)))
    if spread < _LEAST_TILT_SPREAD_RAD:
        raise DataError(
            f"the boards are all parallel within {np.degrees(spread):.1f} degrees, which says nothing "
            f"about the focal length; {_TILT}",
            path=source,
        )


def _refuse_unfixed(source: Path, chosen: Chosen, size_px: tuple[int, int]) -> None:
    fit = chosen.fit
    fx, fy, cx, cy = fit.parameters[:4]
    sigma = float((fit.sigma[:2] / np.abs([fx, fy])).max())
    if not fit.converged or fx <= 0 or fy <= 0 or not sigma <= _MOST_FOCAL_SIGMA:
        known = f"to {100 * sigma:.2g} %" if np.isfinite(sigma) else "at all"
        problem = f"these views fix the focal length only {known}, 1 % is the limit; add views, and {_TILT}"
    elif fit.rms_px > _MOST_RMS_SHARE * max(size_px):
        problem = (
            f"no {fit.model} lens explains these views: {fit.rms_px:.1f} px RMS are left; is the board flat, "
            "and every image from the same camera with the same focus and zoom?"
        )
    elif not (0 < cx < size_px[0] and 0 < cy < size_px[1]):
        problem = f"the principal point comes out at ({cx:.0f}, {cy:.0f}) px, outside the image; {_TILT}"
    else:
        return
    other, rival = _rival(chosen, size_px)
    if rival.rms_px < _OTHER_MODEL_GAIN * fit.rms_px:
        problem += f" (--model {other} leaves {rival.rms_px:.2f} px instead of {fit.rms_px:.2f})"
    raise DataError(problem, path=source)


def _rival(chosen: Chosen, size_px: tuple[int, int]) -> tuple[Model, LensFit]:
    """Fit the other lens model to the same views."""
    other: Model = "pinhole" if chosen.fit.model == "fisheye" else "fisheye"
    return other, fit_lens(chosen.views, size_px, other)


def bare_parts(coverage: NDArray[np.intp]) -> list[str]:
    """Name the ninths of the picture with cells that no corner reached, those that miss most first."""
    rows, columns = (np.array_split(np.arange(size), 3) for size in coverage.shape)
    found = []
    for down, row in zip(("top", "", "bottom"), rows, strict=True):
        for across, column in zip(("left", "", "right"), columns, strict=True):
            bare = float((coverage[np.ix_(row, column)] == 0).mean())
            name = " ".join(filter(None, (down, across))) or "middle"
            found.append((bare, f"{'all' if bare == 1 else f'{bare:.0%}'} of the {name}"))
    return [words for bare, words in sorted(found, key=lambda one: -one[0]) if bare]


def _left_out_words(left_out: Sequence[LeftOut]) -> str:
    named = [f"{out.name} ({out.reason})" for out in left_out[:_MOST_NAMED]]
    more = len(left_out) - len(named)
    rest = f" and {more} more, in the report" if more else ""
    return f"{counted(len(left_out), 'image')} left out: {', '.join(named)}{rest}."


def _remarks(
    picked: Picked, chosen: Chosen, left_out: Sequence[LeftOut], coverage: NDArray[np.intp], unseen_px: float
) -> tuple[str, ...]:
    remarks = []
    if len(chosen.views) < _GOOD_VIEWS:
        remarks.append(
            f"Only {counted(len(chosen.views), 'view')}; {_GOOD_VIEWS} or more give a smaller and more reliable sigma."
        )
    if left_out:
        remarks.append(_left_out_words(left_out))
    if bare := bare_parts(coverage):
        share = f"{float((coverage == 0).mean()):.0%} of the image"
        remarks.append(f"No corner was seen in {share}, {', '.join(bare)}: the lens is extrapolated there.")
    if chosen.wild_corners:
        remarks.append(f"{counted(chosen.wild_corners, 'single corner')} far off the others left out.")
    other, rival = _rival(chosen, picked.size_px)
    rival_px = rms(held_out(chosen.views, picked.size_px, other, rival.parameters))
    if rival.converged and rival_px < _OTHER_MODEL_GAIN * unseen_px:
        remarks.append(f"The {other} model explains unseen views better: {rival_px:.3f} px against {unseen_px:.3f}.")
    return tuple(remarks)


def _result(
    source: Path,
    board: BoardKind,
    size_px: tuple[int, int],
    chosen: Chosen,
    unseen: Sequence[Array],
    coverage: NDArray[np.intp],
    left_out: tuple[LeftOut, ...],
    remarks: tuple[str, ...],
) -> LensCalibration:
    fit = chosen.fit
    value, sigma = fit.parameters.tolist(), fit.sigma.tolist()
    views = tuple(
        ViewResult(
            name=name,
            rms_px=rms([residual]),
            held_out_rms_px=rms([without]),
            tilt_rad=float(np.arccos(np.clip(normal[2], -1, 1))),
            distance_m=float(np.linalg.norm(pose[3:])),
            pixels=view.pixels,
            residuals_px=residual,
        )
        for name, view, residual, without, normal, pose in zip(
            chosen.names, chosen.views, fit.residuals, unseen, fit.normals, fit.poses, strict=True
        )
    )
    return LensCalibration(
        source=source,
        board=board,
        model=fit.model,
        width_px=size_px[0],
        height_px=size_px[1],
        fx_px=value[0],
        fy_px=value[1],
        cx_px=value[2],
        cy_px=value[3],
        distortion=tuple(value[4:]),
        fx_sigma_px=sigma[0],
        fy_sigma_px=sigma[1],
        cx_sigma_px=sigma[2],
        cy_sigma_px=sigma[3],
        distortion_sigma=tuple(sigma[4:]),
        rms_px=fit.rms_px,
        held_out_rms_px=rms(unseen),
        refinement=chosen.refinement,
        refinement_scores_px=chosen.scores_px,
        view_disagreement=fit.view_disagreement,
        coverage=coverage,
        views=views,
        left_out=left_out,
        remarks=remarks,
    )
