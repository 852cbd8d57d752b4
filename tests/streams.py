"""Synthetic streams for the tests: pictures shifted exactly, and the samples that go with them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import scipy.ndimage
import skimage
from numpy.typing import NDArray

from flow.estimator import Estimator
from flow.module import Module
from flow.result import FrameResult
from flow.series import GyroSamples, RangeSamples

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

WIDTH, HEIGHT, FOCAL_PX = 320, 240, 260.0
FRAME_S = 0.02
GRAVITY = np.array([0.0, 0.0, -9.80665])  # specific force of a level craft that does not accelerate


def plain_module(**sections: Any) -> Module:
    """Make a 320 x 240 pinhole without distortion, nominal mounting, global shutter, no lever arm, no bias, no sound."""
    camera = {
        "width_px": WIDTH,
        "height_px": HEIGHT,
        "fx_px": FOCAL_PX,
        "fy_px": FOCAL_PX,
        "cx_px": (WIDTH - 1) / 2,
        "cy_px": (HEIGHT - 1) / 2,
    }
    ranger = {"air_dependent": None if "assumed_air_temperature_c" in sections.get("range", {}) else False}
    sections["range"] = ranger | sections.get("range", {})
    return Module.model_validate({"camera": camera | sections.pop("camera", {})} | sections)


def photograph(name: str) -> Array:
    """Load a 512 x 512 grey photograph of ground from scikit-image's wheel (CC0, said in its ``data/_fetchers.py``)."""
    picture = cv2.imread(str(Path(skimage.__file__).parent / "data" / f"{name}.png"), cv2.IMREAD_GRAYSCALE)
    assert picture is not None and picture.shape == (512, 512)
    return picture.astype(float)


def grain(size: int = 512, *, seed: int = 1, sigma_px: float = 1.5) -> Array:
    """Seamless random ground, 512 x 512, band-limited by a Gaussian so that shifting it is exact."""
    noise = np.random.default_rng(seed).normal(size=(size, size))
    smooth = scipy.ndimage.gaussian_filter(noise, sigma_px, mode="wrap")
    return 128 + smooth * (40 / smooth.std())


def faded(picture: Array, margin_px: int = 40) -> Array:
    """Fade the border to the mean: what lies beyond a shift's wrap is then without edges."""
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.clip(np.arange(len(picture)) / margin_px, 0, 1))
    window = np.minimum(ramp, ramp[::-1])
    mean = picture.mean()
    return mean + (picture - mean) * window[:, None] * window


class ShiftedGround:
    """Pictures of a ground shifted by any fraction of a pixel, exact by the Fourier shift theorem (SciPy's)."""

    def __init__(self, ground: Array, *, width: int = WIDTH, height: int = HEIGHT) -> None:
        self._spectrum = np.fft.rfft2(ground)
        self._shape = ground.shape
        top, left = (ground.shape[0] - height) // 2, (ground.shape[1] - width) // 2
        self._crop = (slice(top, top + height), slice(left, left + width))

    def __call__(self, right_px: float, down_px: float) -> Picture:
        """Give the picture in which the ground stands ``right_px`` and ``down_px`` from where it first stood."""
        moved = scipy.ndimage.fourier_shift(self._spectrum, (down_px, right_px), n=self._shape[1])
        return np.clip(np.rint(np.fft.irfft2(moved, self._shape)[self._crop]), 0, 255).astype(np.uint8)


def gyro(
    times: Sequence[float] | Array, rate: Array | Sequence[float] = (0, 0, 0), accel: Array | None = None
) -> GyroSamples:
    """Gyro samples at ``times``; one rate for all or one for each."""
    times = np.asarray(times, float)
    return GyroSamples(
        time_s=times,
        rate_rad_s=np.broadcast_to(np.asarray(rate, float), (len(times), 3)).copy(),
        accel_m_s2=None if accel is None else np.broadcast_to(accel, (len(times), 3)).copy(),
    )


def ranges(times: Sequence[float] | Array, metres: float | Array) -> RangeSamples:
    """Range readings at ``times``."""
    times = np.asarray(times, float)
    return RangeSamples(
        time_s=times, range_m=np.broadcast_to(np.asarray(metres, float), times.shape).copy(), air_temperature_c=None
    )


def flown(
    module: Module,
    pictures: Iterable[Picture],
    *,
    rate: Callable[[Array], Array] = lambda t: np.zeros((len(t), 3)),
    range_m: Callable[[float], float] = lambda t: 1.0,
    frame_s: float = FRAME_S,
) -> Iterator[FrameResult]:
    """Level flight through an estimator: a range reading a frame, gyro at 1 kHz by ``rate`` (N,) to (N, 3)."""
    estimator = Estimator(module, attitude="level")
    step = 1e-3
    per_frame = round(frame_s / step)
    first = -3 * per_frame
    for k, picture in enumerate(pictures):
        last = (k + 1) * per_frame
        times = np.arange(first, last) * step
        estimator.add_gyro(gyro(times, rate(times)))
        early = [-2 * frame_s, -frame_s] if k == 0 else []
        heard = np.array([*early, k * frame_s])
        estimator.add_range(ranges(heard, np.array([range_m(t) for t in heard])))
        first = last
        result = estimator.add_frame(k * frame_s, picture)
        if result is not None:
            yield result
