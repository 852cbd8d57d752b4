"""Pictures of a board, from a folder or a video: which views serve, and why the others do not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.boards import BoardKind
from calib.corners import CornerFinder, Corners, Found, Grey, NoCorners, grid_in_view, seen_mirrored
from calib.frames import LeftOut, Still, stills
from flow.errors import DataError

Progress: TypeAlias = Callable[[str], None]

# Of the picture's longer side: a view nearer than this to another brings nothing new.
_SAME_IN_FOLDER, _SAME_IN_VIDEO = 0.003, 0.03
_MOST_VIEWS = 60
_MOVING_PX = 1.0  # a frame; a rolling shutter skews a faster board by more than the corners are good for
_BLUR_FACTOR, _BLUR_PX = 2.5, 4.0
_SAMPLES = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenView:
    """A board found in a picture.

    ``found`` holds its points by refinement; ``outline_px`` (4, 2) where the outermost points of the whole
    board lie; ``edge_width_px`` how wide its edges are; ``motion_px`` how far it moved to the next or from
    the last frame (None for a single picture).
    """

    name: str
    found: Found
    outline_px: NDArray[np.float64]
    edge_width_px: float
    motion_px: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Picked:
    """The views to use, those left out, and the width and height of all pictures, px."""

    views: tuple[SeenView, ...]
    left_out: tuple[LeftOut, ...]
    size_px: tuple[int, int]


def pick_views(source: Path, board: BoardKind, progress: Progress | None = None) -> Picked:
    """Look for the board in every picture and keep the sharp, still and varied views.

    Parameters
    ----------
    source
        A folder of pictures, or a video.
    board
        The board to look for.
    progress
        Called with one line on what is being done.

    Raises
    ------
    DataError
        No picture can be read, sizes are mixed, no board is found, or the board in view is another one.
    """
    gathered = _gather(source, board, progress)
    _diagnose(source, board, gathered)
    kept, left = _sharp_and_still(gathered.seen)
    from_video = any(view.motion_px is not None for view in gathered.seen)
    same_px = (_SAME_IN_VIDEO if from_video else _SAME_IN_FOLDER) * max(gathered.size_px)
    kept, alike = _varied(kept, same_px)
    return Picked(
        views=tuple(sorted(kept, key=lambda view: view.name)),
        left_out=tuple(sorted([*gathered.left, *left, *alike], key=lambda out: out.name)),
        size_px=gathered.size_px,
    )


@dataclass(slots=True)
class _Gathered:
    size_px: tuple[int, int] = (0, 0)
    seen: list[SeenView] = field(default_factory=list)
    left: list[LeftOut] = field(default_factory=list)
    samples: list[Grey] = field(default_factory=list)
    stride: int = 1


def _gather(source: Path, board: BoardKind, progress: Progress | None) -> _Gathered:
    gathered, finder, first, count = _Gathered(), CornerFinder(board), "", 0
    for still in stills(source):
        if isinstance(still, LeftOut):
            gathered.left.append(still)
            continue
        size = (still.grey.shape[1], still.grey.shape[0])
        if not first:
            gathered.size_px, first = size, still.name
        if size != gathered.size_px:
            problem = "{} is {}x{} px but {} is {}x{} px; give images of one camera in one mode".format(
                still.name, *size, first, *gathered.size_px
            )
            raise DataError(problem, path=source)
        found = finder.find(still.grey)
        if isinstance(found, NoCorners):
            gathered.left.append(LeftOut(name=still.name, reason=found.reason))
        else:
            gathered.seen.append(_seen(still, found, board))
        if count % gathered.stride == 0:
            gathered.samples.append(still.grey)
            if len(gathered.samples) == 2 * _SAMPLES:
                del gathered.samples[1::2]
                gathered.stride *= 2
        count += 1
        if progress is not None:
            progress(f"finding the board: {still.share:.0%}")
    return gathered


def _seen(still: Still, found: Found, board: BoardKind) -> SeenView:
    corners = next(iter(found.values()))
    outline = _outline(corners, board)
    return SeenView(
        name=still.name,
        found=found,
        outline_px=outline,
        edge_width_px=edge_width_px(still.grey, outline),
        motion_px=max((_motion_px(still.grey, other, corners) for other in still.neighbours), default=None),
    )


def _outline(corners: Corners, board: BoardKind) -> NDArray[np.float64]:
    plane = board.points_m[corners.ids, :2]
    H, _ = cv2.findHomography(plane, corners.pixels)
    if H is None:
        return np.tile(corners.pixels.mean(axis=0), (4, 1))
    return np.asarray(cv2.perspectiveTransform(board.outline_m[:, None], H)[:, 0], float)


def edge_width_px(grey: Grey, outline_px: NDArray[np.float64]) -> float:
    """How many pixels an edge takes from dark to light, along the direction in which it is worst.

    Contrast over the steepest slope; the slope is that of the softest of eight directions, because a moved
    board keeps the edges along its motion sharp. A board's edges cross, so the sharp value is 0.7 of it at
    best.
    """
    mask = np.zeros(grey.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.clip(outline_px, -1e4, 1e4).round().astype(np.int32), 1)
    inside = mask > 0
    if inside.sum() < 100:
        return np.inf
    low, high = np.percentile(grey[inside], (5, 95))
    x = cv2.Sobel(grey, cv2.CV_32F, 1, 0)[inside] / 8
    y = cv2.Sobel(grey, cv2.CV_32F, 0, 1)[inside] / 8
    slopes = [np.percentile(np.abs(x * np.cos(a) + y * np.sin(a)), 99) for a in np.arange(8) * np.pi / 8]
    return float((high - low) * np.sqrt(0.5) / max(min(slopes), 1e-6))


def _motion_px(grey: Grey, other: Grey, corners: Corners) -> float:
    points = corners.pixels.astype(np.float32).reshape(-1, 1, 2)
    moved, status, _ = cv2.calcOpticalFlowPyrLK(grey, other, points, np.empty_like(points))
    good = np.ravel(status) > 0
    return float(np.median(np.linalg.norm((moved - points)[good], axis=-1))) if good.any() else np.inf


def _diagnose(source: Path, board: BoardKind, gathered: _Gathered) -> None:
    """Say what is in the pictures instead of the board that was asked for."""
    if not gathered.seen and not gathered.samples:
        reason = gathered.left[0].reason if gathered.left else "there is none"
        raise DataError(f"no image could be read ({reason}); give a folder of images or a video", path=source)
    samples = gathered.samples[:: -(-len(gathered.samples) // _SAMPLES)]
    if not gathered.seen and any(seen_mirrored(grey, board) for grey in samples):
        raise DataError(
            "the board can only be read mirrored: the camera or its driver mirrors the image, or the board is "
            "printed mirrored; switch the mirroring off, because a mirrored image also mirrors the velocity",
            path=source,
        )
    in_question = board.kind == "chessboard" or not gathered.seen
    common = grid_in_view(samples) if in_question else None
    if common is not None and (board.kind != "chessboard" or sorted(common) != sorted(board.grid)):
        raise DataError(
            f"the board in view is a chessboard of {common[0]}x{common[1]} inner corners, not {board}; correct --board",
            path=source,
        )
    if gathered.seen:
        return
    raise DataError(
        f"no image shows the {board}; check KIND, COLS, ROWS (a chessboard counts inner corners), "
        "light it evenly and leave its white border in view",
        path=source,
    )


def _sharp_and_still(seen: list[SeenView]) -> tuple[list[SeenView], list[LeftOut]]:
    limit = max(_BLUR_PX, _BLUR_FACTOR * float(np.percentile([view.edge_width_px for view in seen], 25)))
    kept, left = [], []
    for view in seen:
        if view.motion_px is not None and view.motion_px > _MOVING_PX:
            reason = f"the board moves {view.motion_px:.1f} px a frame; hold it still for a moment in every pose"
        elif view.edge_width_px > limit:
            reason = f"blurred: edges {view.edge_width_px:.1f} px wide, {limit:.1f} is the limit here"
        else:
            kept.append(view)
            continue
        left.append(LeftOut(name=view.name, reason=reason))
    return kept, left


def _varied(views: list[SeenView], same_px: float) -> tuple[list[SeenView], list[LeftOut]]:
    """Drop near copies, the stillest and sharpest first served; then those that add least."""
    kept: list[SeenView] = []
    left = []
    for view in sorted(views, key=lambda view: (view.motion_px or 0.0) + 0.1 * view.edge_width_px):
        twin = min(kept, key=lambda other: _distance_px(view, other), default=None)
        if twin is not None and _distance_px(view, twin) < same_px:
            left.append(LeftOut(name=view.name, reason=f"nearly the same view as {twin.name}"))
        else:
            kept.append(view)
    chosen = kept[:1]
    gaps = np.array([_distance_px(view, kept[0]) for view in kept])
    while len(chosen) < min(_MOST_VIEWS, len(kept)):
        chosen.append(kept[int(gaps.argmax())])
        gaps = np.minimum(gaps, [_distance_px(view, chosen[-1]) for view in kept])
    spare = [view for view in kept if all(view is not other for other in chosen)]
    left += [LeftOut(name=view.name, reason=f"{_MOST_VIEWS} more varied views are enough") for view in spare]
    return chosen, left


def _distance_px(a: SeenView, b: SeenView) -> float:
    """How far the outline has to be moved, whichever of its points the detector began with."""
    turns = (np.linalg.norm(a.outline_px - np.roll(b.outline_px, k, axis=0), axis=1).max() for k in range(4))
    return float(min(turns))
