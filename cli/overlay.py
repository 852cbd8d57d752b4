"""Pictures with what the measurement saw in them, and H.264 that browsers play, at the recording's own times."""

from __future__ import annotations

from contextlib import ExitStack
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import TypeAlias

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from flow.disk.files import replacing
from flow.errors import DataError
from flow.module import Module
from flow.result import FrameResult
from flow.row import REASONS, LevelVelocity, SpeedRow
from flow.tracks import Picture
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]

_TICK = Fraction(1, 90_000)  # the usual clock of video in MPEG systems: stamps are true to 6 us
_NEUTRAL = 128
_LARGE_PX = 500_000
# Video levels, black 16 to white 235 (ITU-R BT.601): what every player takes 4:2:0 for. A full range loses nothing.
_VIDEO_LEVEL = np.rint(16 + np.arange(256) * (219 / 255)).astype(np.uint8)


class PlayableVideo:
    """Writes 8-bit 4:2:0 H.264 in an MP4 whose frame times are those given; a context manager.

    The file appears when all went well, and never half-written. Odd sizes gain a column or a row.

    Parameters
    ----------
    path
        Where it goes.
    factor
        Constant rate factor: 0 best to 51.

    Raises
    ------
    DataError
        The place cannot be written, the disk is full, or this FFmpeg has no H.264 encoder.
    """

    def __init__(self, path: Path, *, factor: int = 33) -> None:
        self.path = path
        self._factor = factor
        self._stack = ExitStack()
        self._stream: av.VideoStream | None = None
        self._first_s = 0.0

    def __enter__(self) -> PlayableVideo:
        temporary = self._stack.enter_context(replacing(self.path))
        options = {"movie_timescale": str(_TICK.denominator), "movflags": "+faststart"}
        self._container = self._stack.enter_context(av.open(str(temporary), "w", format="mp4", options=options))
        return self

    def write(self, time_s: float, picture: Picture) -> None:
        """Append a grey picture (H, W)."""
        even = _shown(picture)
        chroma = np.full((even.shape[0] // 2, even.shape[1]), _NEUTRAL, np.uint8)
        self.write_planes(time_s, np.vstack([even, chroma]))

    def write_planes(self, time_s: float, planes: Picture) -> None:
        """Append a picture given as Y over U over V: (1.5 H, W) with H and W even."""
        frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
        try:
            if self._stream is None:
                self._stream = self._begin(planes.shape[1], planes.shape[0] * 2 // 3)
                self._first_s = time_s
            frame.pts, frame.time_base = round((time_s - self._first_s) / _TICK), _TICK
            self._container.mux(self._stream.encode(frame))
        except (av.FFmpegError, ValueError) as error:
            raise DataError(f"cannot be encoded as H.264 ({error})", path=self.path) from None

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        if kind is None and self._stream is not None:
            try:
                self._container.mux(self._stream.encode())
            except av.FFmpegError as failure:
                problem = DataError(f"cannot be finished ({failure})", path=self.path)
                self._stack.__exit__(DataError, problem, None)
                raise problem from None
        return self._stack.__exit__(kind, error, trace)

    def _begin(self, width: int, height: int) -> av.VideoStream:
        stream = self._container.add_stream("libx264", rate=60)
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        # A key picture every half second: stepping back through the video stays quick.
        stream.options = {"preset": "ultrafast", "crf": str(self._factor), "g": "30", "bf": "0"}
        stream.time_base = stream.codec_context.time_base = _TICK
        # A second thread costs small pictures more than it saves.
        stream.codec_context.thread_count = 2 if width * height > _LARGE_PX else 1
        return stream


class Overlay:
    """Draws a result on the picture that its row ends with; a strip below says the numbers.

    Points that agree with the velocity are filled dots with a tail to where they come from, the others hollow
    squares: the shape tells them apart without the colour. The arrow is the velocity over the ground, the ellipse at
    its tip the 95 % region. Small pictures are shown enlarged, a whole number of times, so that marks and words fit.

    Parameters
    ----------
    module
        Size of the picture and which way forward is in it.
    """

    _STRIP = 44
    _LEAST_WIDTH = 640
    _TAIL = 3.0
    _USED, _OTHER = (205, 160, 60), (170, 60, 200)  # Y, Cb, Cr
    _WHITE, _BLACK = (235, _NEUTRAL, _NEUTRAL), (16, _NEUTRAL, _NEUTRAL)
    _PX_PER_M_S = 0.25  # of the picture's height

    def __init__(self, module: Module) -> None:
        camera = module.camera
        even = camera.width_px + camera.width_px % 2, camera.height_px + camera.height_px % 2
        self.enlarged = max(1, -(-self._LEAST_WIDTH // even[0]))
        """How many times as large as it is a picture is shown."""
        self._width, self._height = (self.enlarged * size for size in even)
        self._planes = np.empty(((self._height + self._STRIP) * 3 // 2, self._width), np.uint8)
        rows = self._height + self._STRIP
        self._chroma = self._planes[rows:].reshape(2, rows // 2, self._width // 2)
        self._layers = (self._planes[:rows], *self._chroma)
        # Forward and right as directions in the picture.
        self._R_image_level = module.alignment.R_body_camera.as_matrix().T[:2, :2]

    def draw(self, picture: Picture, result: FrameResult | None) -> Picture:
        """Give Y over U over V of the picture with ``result`` (None before the first row); valid until the next."""
        luma = self._layers[0]
        shown, size = _shown(picture), (self._width, self._height)
        luma[: self._height] = shown if self.enlarged == 1 else cv2.resize(shown, size, interpolation=cv2.INTER_NEAREST)
        luma[self._height :] = 16
        self._chroma.fill(_NEUTRAL)
        if result is None:
            self._write("first frame: a velocity needs two", 0)
            return self._planes
        self._draw_points(result)
        if isinstance(result.row.velocity, LevelVelocity):
            self._draw_velocity(result.row.velocity)
        self._draw_words(result.row)
        return self._planes

    def _draw_points(self, result: FrameResult) -> None:
        matches = result.matches
        if matches is None or len(matches) == 0:
            return
        used = np.zeros(len(matches), bool) if result.used is None else result.used
        at, first = (self.enlarged * (px + 0.5) - 0.5 for px in (matches.second_px, matches.first_px))
        tails = np.stack([at, at - self._TAIL * (at - first)], axis=1)
        self._lines(tails[used], self._WHITE)
        self._dots(at[used])
        self._lines(tails[~used], self._OTHER)
        self._lines(at[~used][:, None] + _SQUARE, self._OTHER, closed=True)

    def _draw_velocity(self, velocity: LevelVelocity) -> None:
        scale = self._PX_PER_M_S * self._height
        middle = np.array([self._width, self._height]) / 2
        level = np.array([velocity.forward_m_s, velocity.right_m_s])
        reach = float(scale * np.linalg.norm(level))
        if reach > 0.45 * self._height:
            scale *= 0.45 * self._height / reach
        tip = middle + scale * self._R_image_level @ level
        root = np.linalg.cholesky(velocity.covariance_m2_s2[:2, :2] + 1e-12 * np.eye(2))
        ring = tip + (scale * _RING_95 * _CIRCLE) @ (self._R_image_level @ root).T
        for colour, more in ((self._BLACK, 2), (self._WHITE, 0)):
            self._lines(ring[None], colour, closed=True, thick=1 + more)
            self._lines(_arrow(middle, tip)[None], colour, thick=2 + more)

    def _draw_words(self, row: SpeedRow) -> None:
        height = "height unknown" if row.height_m is None else f"height {row.height_m:.2f} m"
        share = "" if row.inlier_share is None else f" {100 * row.inlier_share:.0f} %"
        if isinstance(row.velocity, LevelVelocity):
            speed, reach = row.velocity.vector_m_s, 1.96 * row.velocity.sigma_m_s
            first = f"forward {speed[0]:+.3f} ±{reach[0]:.3f}  right {speed[1]:+.3f} ±{reach[1]:.3f} m/s"
        else:
            first = f"NO SPEED: {REASONS[row.velocity.reason]}"
        self._write(first, 0)
        self._write(f"{row.time_s:.3f} s  {height}  {counted(row.tracks, 'point')}{share}", 1)

    def _write(self, text: str, line: int) -> None:
        size = min(0.5, 0.5 * (self._width - 8) / _wide(text, 0.5))
        x, y = 4, self._height + 17 + 19 * line
        for k, part in enumerate(text.split("±")):
            if k:  # OpenCV's stroke fonts have no such letter: a plus, raised, over a line
                plus = _wide("+", size)
                self._put("+", (x, y - 2), size)
                cv2.line(self._layers[0], (round(x + 0.2 * plus), y), (round(x + 0.8 * plus), y), 235, 1, cv2.LINE_AA)
                x += plus
            self._put(part, (x, y), size)
            x += _wide(part, size)

    def _put(self, text: str, at: tuple[int, int], size: float) -> None:
        cv2.putText(self._layers[0], text, at, _FONT, size, 235, 1, cv2.LINE_AA)

    def _lines(self, lines: Array, colour: tuple[int, int, int], *, closed: bool = False, thick: int = 1) -> None:
        """Draw lines (N, K, 2), px, on all layers; coordinates go to OpenCV with 3 bits of fraction."""
        if len(lines) == 0:
            return
        finest = np.clip(np.rint(8 * lines), -32000, 32000).astype(np.int32)
        cv2.polylines(self._layers[0], list(finest), closed, colour[0], thick, cv2.LINE_AA, 3)
        if colour[1:] != (_NEUTRAL, _NEUTRAL):  # the ground is grey already
            halves = list(finest // 2)
            for layer, value in zip(self._chroma, colour[1:], strict=True):
                cv2.polylines(layer, halves, closed, value, thick, cv2.LINE_8, 3)

    def _dots(self, at: Array) -> None:
        """Put 3 x 3 px marks at points (N, 2)."""
        near = np.clip(np.rint(at).astype(int), 1, np.array([self._width, self._height]) - 2)
        around = np.arange(-1, 2)
        block = (self._width * around[:, None] + around).ravel()
        self._layers[0].reshape(-1)[(near @ [1, self._width])[:, None] + block] = self._USED[0]
        for layer, value in zip(self._chroma, self._USED[1:], strict=True):
            layer.reshape(-1)[near // 2 @ [1, self._width // 2]] = value


_FONT = cv2.FONT_HERSHEY_SIMPLEX


def _wide(text: str, size: float) -> int:
    """Width of a text, px; of ± as of a plus."""
    return int(cv2.getTextSize(text.replace("±", "+"), _FONT, size, 1)[0][0])


_RING_95 = 2.4477  # sqrt of the 95 % point of chi-square with two degrees of freedom: sqrt(-2 ln 0.05)


_AROUND = np.linspace(0, 2 * np.pi, 24, endpoint=False)
_CIRCLE = np.column_stack([np.cos(_AROUND), np.sin(_AROUND)])
_SQUARE = np.array([[-3, -3], [3, -3], [3, 3], [-3, 3]])


def _arrow(start: Array, tip: Array) -> Array:
    """Shaft and barbs in one line, (K, 2)."""
    back = start - tip
    length = float(np.hypot(*back))
    if length < 4:
        return np.array([start, tip])
    back *= min(9.0, 0.5 * length) / length
    side = 0.5 * np.array([-back[1], back[0]])
    return np.array([start, tip, tip + back + side, tip, tip + back - side])


def _shown(picture: Picture) -> Picture:
    """Take a picture to video levels; repeat its last column or row where the size is odd."""
    missing = [(0, n % 2) for n in picture.shape]
    levels = np.asarray(cv2.LUT(picture, _VIDEO_LEVEL), np.uint8)
    return np.pad(levels, missing, mode="edge") if any(n for _, n in missing) else levels
