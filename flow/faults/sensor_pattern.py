"""What stays put in the picture while the ground moves on: bad pixels of the sensor, dirt and scratches on the glass.

Such a pattern stands still and pulls the speed toward zero, the more the weaker the ground is beside it. It is told by
time: each place of the picture is averaged over pictures in which it saw different ground, in two halves that share none.
What both halves show alike belongs to the camera. Where the ground does not move on nothing is learnt, and where nothing is
found the pictures pass as they are.
"""

from __future__ import annotations

from typing import TypeAlias, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.faults.even_motion import even_motion
from flow.faults.fixed_pattern import FixedPattern
from flow.faults.line_pattern import LinePattern
from flow.numerics.compiled import compiled
from flow.pair.geometry import PairView
from flow.tracks import ImageMotion, Matches, Picture, Predict

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]
Marks: TypeAlias = NDArray[np.bool_]
T = TypeVar("T", bound=np.generic)

_CELL_PX = 40  # size: px, about; each keeps account of the ground it saw
_LEFT_SHARE = 0.03  # of the power of detail that lines may leave (measured: with 0.05 some rows are off)
_DETAIL_PX = 15  # size: px, of a block; wider shapes do not disturb it, its brightness is solved for
_APART_PX = 5.0  # size: px, ground that has moved on by this much shows other detail
_HIDDEN_PX = np.array([1.5, 1.5])  # so far at least ground has moved that went on unseen
_LOOKS = 64  # size: looks, that count, each at a place of its own
_DUE_SHARE = 0.25  # size: share of the cells, before an image is looked at: cost only
_EARLY, _EARLY_LINED = 16, 48  # size: looks, early on, and where lines differ
_WAIT_EARLY, _WAIT = 2, 12  # size: frames, from one look to the next, then and later: cost only
_JUDGE_EARLY, _JUDGE = 2, 16  # size: looks, from one verdict to the next: cost only
_FEWEST, _FEWEST_DIRT = 3, 5  # size: looks, of either half for bad pixels, and for dirt
_LEAST_BAD, _LEAST_DIRT = 3e-4, 0.02  # of the picture; less is chance, and is outvoted anyhow
_PIXEL_SIGMAS, _HALF_SIGMAS = 5.0, 3.0  # rate: 6e-7 and 3e-3 two-sided, of both halves together and of either
_PIXEL_LEVELS = 5.0
_WINDOW_PX = 9  # size: px, in which the power of dirt is averaged ...
_TIMES_CHANCE = 6.0  # ... against what chance leaves there
_ACROSS_PX = 2.5  # one-sigma across the ground's main way from which on furrows along it are told from dirt
_ALONG_PX = 31  # size: px, over which what is alike is taken out otherwise


class SensorPattern:
    """Learns the pattern of a camera from a flight and frees pictures of it.

    Parameters
    ----------
    width_px, height_px
        Picture size.
    """

    def __init__(self, width_px: int, height_px: int) -> None:
        self._columns, self._rows = (
            np.linspace(0, size, max(size // _CELL_PX, 2) + 1).astype(int) for size in (width_px, height_px)
        )
        middles = np.meshgrid(*(0.5 * (at[1:] + at[:-1] - 1) for at in (self._columns, self._rows)))
        self._places = np.stack(middles, axis=-1).reshape(-1, 2)
        self._halves = np.zeros((2, height_px, width_px), np.float32)
        self._detail = 0.0  # power of it in the latest picture looked at, levels^2
        self._lines = LinePattern(width_px), LinePattern(height_px)  # columns and rows
        self._counts = np.zeros(len(self._places), np.int64)
        self._at_px = np.zeros((len(self._places), 2))  # how far the ground of each cell has moved so far ...
        self._seen_px = np.full((len(self._places), _LOOKS, 2), np.inf)  # ... and had at each look
        self._waited = self._looks = self._trusted = 0
        self._promising = self.lined = False
        """Whether columns or rows differ and are known well enough to be taken out."""
        self._pattern: FixedPattern | None = None
        self._latest: Picture | None = None
        self._cleaned: list[tuple[Picture, Picture]] = []  # the last two, before and after

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the pictures."""
        return int(self._columns[-1]), int(self._rows[-1])

    @property
    def found(self) -> bool:
        """Whether there is one."""
        return self._pattern is not None

    def begun_again(self) -> SensorPattern:
        """Give one that knows the pattern from the start, and believes it until it has learnt as much itself."""
        again = SensorPattern(*self.size_px)
        again._pattern, again._trusted, again.lined = self._pattern, self._looks, self.lined
        again._promising = self._promising
        return again

    @property
    def _early(self) -> int:
        return _EARLY_LINED if self._promising else _EARLY

    def clean(self, picture: Picture) -> Picture:
        """Free a picture (H, W) of the pattern; the very same where none is known."""
        self._latest = picture
        if self._pattern is None:
            return picture
        for before, after in self._cleaned:
            if before is picture:
                return after
        after = self._pattern.removed(picture)
        self._cleaned = [*self._cleaned[-1:], (picture, after)]
        return after

    def clear(self, matches: Matches) -> Matches:
        """Leave out matches on strong dirt."""
        return matches if self._pattern is None else self._pattern.without_spoilt(matches)

    def learn(self, view: PairView, matches: Matches | None, used: Marks | None, *, hidden: bool) -> None:
        """Take in the picture that was cleaned last.

        Parameters
        ----------
        view
            The pair that it ends.
        matches, used
            What shows how the ground moved; None where it is only known how the camera turned.
        hidden
            Whether the ground has moved on unseen (:mod:`flow.faults.hidden_motion`).
        """
        if matches is None or used is None:
            self._at_px += np.nan_to_num(view.predict(self._places, np.zeros(3)) - self._places)
        else:
            self._at_px += even_motion(matches.first_px, matches.second_px, used, self._places)
        if hidden:
            self._at_px += _HIDDEN_PX
        self._waited += 1
        if self._waited < (_WAIT_EARLY if self._looks < self._early else _WAIT):
            return
        self._waited = 0
        away = np.square(self._seen_px - self._at_px[:, None]).sum(axis=2).min(axis=1)
        due = away >= _APART_PX**2
        if due.mean() >= _DUE_SHARE:
            self._look(due)

    def _look(self, due: Marks) -> None:
        """Average the latest picture in the cells that are due (N,)."""
        picture = self._latest
        assert picture is not None
        detail = cv2.subtract(picture, cv2.blur(picture, (_DETAIL_PX, _DETAIL_PX)), dtype=cv2.CV_16S)
        self._detail = cv2.norm(detail, cv2.NORM_L2SQR) / detail.size
        for axis, lines in enumerate(self._lines):
            middle = detail.shape[axis] // 2  # a median: a bad pixel is not its column's doing
            levels = np.take(np.partition(detail, middle, axis=axis), middle, axis=axis)
            lines.add(levels, float(self._at_px[:, axis].mean()))
        _average(self._halves, np.asarray(detail, np.int16), self._rows, self._columns, due, self._counts)
        self._seen_px[due, self._counts[due] % _LOOKS] = self._at_px[due]
        self._counts[due] += 1
        self._looks += 1
        if self._looks % (_JUDGE_EARLY if self._looks < self._early else _JUDGE) == 0 and self._looks >= self._trusted:
            self._pattern = self._judged()
            self._cleaned = []

    def _judged(self) -> FixedPattern | None:
        columns, rows = (lines.offsets() for lines in self._lines)
        stripes = columns + rows[:, None]
        self._promising = bool(stripes.any())
        if sum(lines.left for lines in self._lines) > _LEFT_SHARE * self._detail:
            stripes *= 0  # to take out a part only would make pictures that deceive of such that show nothing
        one, two = self._halves - stripes
        bad = _bad_pixels(one, two) & self._over(self._counts >= 2 * _FEWEST)
        if bad.mean() > _LEAST_BAD:
            bad &= _bad_pixels(self._not_along(one), self._not_along(two))
        one, two = (self._not_along(np.where(bad, cv2.medianBlur(half, 3), half)) for half in (one, two))
        shade = np.where(self._over(self._counts >= 2 * _FEWEST_DIRT), _alike(one, two), np.float32(0))
        bad &= bool(bad.mean() > _LEAST_BAD)
        self.lined = bool(np.mean(np.abs(stripes) > 0.5) > _LEAST_DIRT)
        if np.mean(np.abs(shade) > 0.5) > _LEAST_DIRT:
            # Two halves of n looks each leave of the ground's power an nth in half their difference, doubled.
            looks = self._over(0.5 * np.maximum(self._counts, 1)).astype(np.float32)
            ground, dirt = (
                cv2.blur(np.square(levels), (_DETAIL_PX, _DETAIL_PX)) for levels in (0.5 * (one - two), shade)
            )
            return FixedPattern.of(bad, shade + stripes, dirt / np.maximum(2 * looks * ground, 1.0))
        return FixedPattern.of(bad, stripes if self.lined else None, None) if bad.any() or self.lined else None

    def _not_along(self, mean: Floats) -> Floats:
        """Take out what is alike along the ground's way, unless it has moved across that as well: furrows, a kerb."""
        told = self._seen_px[np.isfinite(self._seen_px[:, :, 0])]
        size, way = np.linalg.eigh(np.cov(told.T))
        if size[0] > _ACROSS_PX**2:
            return mean
        half = _ALONG_PX // 2
        line = np.zeros((_ALONG_PX, _ALONG_PX), np.float32)
        ends = np.rint(half + half * np.outer([-1, 1], way[:, 1])).astype(int)
        cv2.line(line, ends[0].tolist(), ends[1].tolist(), 1.0)
        # Some 31 of 961 weights are not zero: a filter takes ten times as long.
        wide, alike = cv2.copyMakeBorder(mean, half, half, half, half, cv2.BORDER_REFLECT_101), np.zeros_like(mean)
        places = np.argwhere(line)
        for y, x in places:
            alike += wide[y : y + len(mean), x : x + mean.shape[1]]
        return np.asarray(mean - alike / np.float32(len(places)), np.float32)

    def _over(self, cells: NDArray[T]) -> NDArray[T]:
        """Spread values of cells (N,) over the picture (H, W)."""
        grid = cells.reshape(len(self._rows) - 1, -1)
        return np.repeat(np.repeat(grid, np.diff(self._rows), axis=0), np.diff(self._columns), axis=1)


class ClearPlaces:
    """Image motion where the camera's own pattern is weak."""

    def __init__(self, motion: ImageMotion, pattern: SensorPattern) -> None:
        self._motion, self._pattern = motion, pattern

    def match(self, first: Picture, second: Picture, predict: Predict, *, far: bool) -> Matches:
        """Match two pictures; see :class:`flow.tracks.ImageMotion`."""
        return self._pattern.clear(self._motion.match(first, second, predict, far=far))


def _bad_pixels(one: Floats, two: Floats) -> Marks:
    """Mark (H, W) pixels that stand out of those around them, alike in both halves."""
    single = [half - cv2.medianBlur(half, 3) for half in (one, two)]
    both, apart = 0.5 * (single[0] + single[1]), 0.5 * (single[0] - single[1])
    sigma = np.sqrt(np.maximum(cv2.blur(np.square(apart), (_DETAIL_PX, _DETAIL_PX)), 0))  # rounding may leave less
    alike = np.minimum(np.sign(both) * single[0], np.sign(both) * single[1])
    out = np.abs(both) > np.maximum(_PIXEL_SIGMAS * sigma, _PIXEL_LEVELS)
    return np.asarray(out & (alike > _HALF_SIGMAS * np.sqrt(2) * sigma))


def _alike(one: Floats, two: Floats) -> Floats:
    """Levels (H, W) that both halves show alike; of what chance may have left only the share that is none (Wiener)."""
    both, apart = 0.5 * (one + two), 0.5 * (one - two)
    window = (_WINDOW_PX, _WINDOW_PX)
    power, chance = cv2.blur(one * two, window), cv2.blur(np.square(apart), window)
    share = np.where(power > _TIMES_CHANCE * chance, power / np.maximum(power + chance, 1e-6), 0.0)
    return np.asarray(share * both, np.float32)


@compiled
def _average(
    halves: Floats,
    detail: NDArray[np.int16],
    rows: NDArray[np.int64],
    columns: NDArray[np.int64],
    due: Marks,
    counts: NDArray[np.int64],
) -> None:
    """Take the detail of a picture into one half of the cells that are due, in turn."""
    across = len(columns) - 1
    for cell in range(len(due)):
        if not due[cell]:
            continue
        row, column = cell // across, cell % across
        mean = halves[counts[cell] % 2]
        share = np.float32(1.0 / min(counts[cell] // 2 + 1, _LOOKS // 2))
        for i in range(rows[row], rows[row + 1]):
            own, more = mean[i, columns[column] : columns[column + 1]], detail[i, columns[column] : columns[column + 1]]
            for j in range(len(own)):
                own[j] += share * (np.float32(more[j]) - own[j])
