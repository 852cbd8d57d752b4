"""Pairs of pictures with exact truth, for the comparison of matchers with the Cramer-Rao bound."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import scipy.ndimage
import skimage

from flow import scene
from flow.benchmark.picture_bound import velocity_bound
from flow.camera import Lens
from flow.module import Module
from flow.pair.geometry import PairView, Plane
from flow.pair.search import Found, Search
from flow.registration.blocks import BlockMatcher
from flow.rotation import RotationLog
from flow.series import GyroSamples
from flow.tracks import LucasKanade
from tests.streams import Array, Picture, plain_module

FRAME_S = 1 / 60
NOISE = 2.0  # grey levels
SIZES = ((320, 240), (640, 480))
LEARNING = 12  # pairs
LENS_BLUR_PX = 0.75  # one-sigma, as in our scenes: a photograph as a camera in focus would see it
OTHERS = ("coffee", "coins", "camera", "chelsea", "hubble_deep_field")
"""Photographs of scikit-image on which nothing was tuned."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two pictures, the first of them without noise too, and the truth: camera axes, px a frame for the velocity."""

    first: Picture
    second: Picture
    clean: Array
    view: PairView
    velocity_m_s: Array


def texture(name: str) -> Array:
    """Load a photograph of scikit-image, grey, as a lens blurs it."""
    found = next((Path(skimage.__file__).parent / "data").glob(f"{name}.*"))
    picture = cv2.imread(str(found), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    return scipy.ndimage.gaussian_filter(picture[:1024, :1024].astype(float), LENS_BLUR_PX, mode="mirror")


def digitised(picture: Array, noise: float, rng: np.random.Generator) -> Picture:
    return np.clip(np.rint(picture + rng.normal(0, noise, picture.shape)), 0, 255).astype(np.uint8)


def module_of(size: tuple[int, int]) -> Module:
    """Make a plain module, 63 degrees wide."""
    width, height = size
    focal = 260.0 * width / 320
    return plain_module(
        camera={"width_px": width, "height_px": height, "fx_px": focal, "fy_px": focal, "cx_px": (width - 1) / 2,
                "cy_px": (height - 1) / 2}
    )  # fmt: skip


class Shifted:
    """A texture that moves without turning, exact by the shift theorem; mirrored where the camera sees beyond it."""

    def __init__(self, texture: Array, size: tuple[int, int]) -> None:
        self.module, self._size = module_of(size), size
        side = 1024
        missing = side - np.array(texture.shape)
        # A mirrored picture is periodic without an edge.
        wide = np.pad(texture, [(m // 2, m - m // 2) for m in np.maximum(missing, 0)], mode="symmetric")[:side, :side]
        self._spectrum = np.fft.rfft2(wide)
        log = RotationLog(self.module.gyro)
        times = np.arange(-0.1, 0.1, 0.005)
        log.append(GyroSamples(time_s=times, rate_rad_s=np.zeros((len(times), 3)), accel_m_s2=None))
        plane = Plane(down=np.array([0.0, 0.0, 1.0]), distance_m=1.0)
        self.view = PairView(Lens(self.module.camera), self.module, log, -FRAME_S / 2, FRAME_S / 2, plane)

    def at(self, place_px: Array) -> Array:
        """Picture without noise, moved right and down by so much."""
        moved = np.fft.irfft2(scipy.ndimage.fourier_shift(self._spectrum, place_px[::-1], n=1024), (1024, 1024))
        width, height = self._size
        top, left = (1024 - height) // 2, (1024 - width) // 2
        return np.asarray(moved[top : top + height, left : left + width])

    def pairs(self, places_px: Array, noise: float, rng: np.random.Generator) -> Iterator[Pair]:
        """Consecutive pairs of pictures at places (N, 2)."""
        before = None
        for k, place in enumerate(places_px):
            clean = self.at(place)
            now = digitised(clean, noise, rng), clean
            if before is not None:
                moved = place - places_px[k - 1]
                # The ground moves right and down as the camera moves left and up.
                velocity = np.array([*-moved, 0.0]) / self.module.camera.fx_px / FRAME_S
                yield Pair(first=before[0], second=now[0], clean=before[1], view=self.view, velocity_m_s=velocity)
            before = now


def flown_pairs(spec: scene.SceneSpec, count: int) -> Iterator[Pair]:
    """Pairs of a synthetic flight with the true rotation, plane and velocity."""
    made = scene.render(spec)
    module, motion = made.module, spec.motion
    log, times = RotationLog(module.gyro), np.arange(0, motion.duration_s, 5e-4)
    log.append(
        GyroSamples(
            time_s=times + spec.clock_s, rate_rad_s=motion.rate_body(times) + module.gyro.bias_rad_s, accel_m_s2=None
        )
    )
    lens, mounting = Lens(module.camera), module.alignment.R_body_camera.as_matrix()
    start = len(made) // 2 - count // 2
    frames = list(made.frames(start, start + count + 1))
    for k, (first, second) in enumerate(itertools.pairwise(frames)):
        at = [frame.time_s + module.alignment.time_offset_s for frame in (first, second)]
        middle = 0.5 * sum(at) - spec.clock_s
        position, turn = motion.pose(np.array([middle]))
        R_level_body = turn.as_matrix()[0]
        arm = R_level_body @ module.alignment.camera_position_m
        plane = Plane(down=R_level_body[2] @ mounting, distance_m=float(-position[0, 2] - arm[2]))
        yield Pair(
            first=first.luma, second=second.luma, clean=made.picture(start + k),
            view=PairView(lens, module, log, *at, plane),
            velocity_m_s=motion.velocity(np.array([middle]))[0] @ R_level_body @ mounting,
        )  # fmt: skip


def motion_of(**channels: tuple[float, float]) -> scene.Motion:
    """Steady motion for a second: (value in the middle, rate) of x, y, z, roll, pitch, yaw."""
    names = ("x", "y", "z", "roll", "pitch", "yaw")
    first, rate = np.array([channels.get(name, (0.0, 0.0)) for name in names]).T
    return scene.from_function(lambda t: first + (t - 0.5)[:, None] * rate, 1.0)


class Brighter(scene.Gain):
    """Light that grows by 1 % a frame."""

    def at(self, time_s: float) -> float:
        """Factor on the light."""
        return 1 + 0.6 * (time_s - 0.5)


def full_model(ground: scene.Ground, preset: str, seed: int, noise: float = NOISE) -> scene.SceneSpec:
    """Fly with everything: 0.3 degrees and 0.3 % of height a frame, leaning 3 to 8 degrees, lens, rolling rows."""
    rng = np.random.default_rng(seed)
    module = scene.preset_module(preset)
    signs = rng.choice([-1, 1], 4)
    turn = np.radians(0.3) / FRAME_S * signs[:3] / np.sqrt(3)
    lean, toward, heading = np.radians(rng.uniform(3, 8)), *rng.uniform(0, 2 * np.pi, 2)
    speed = rng.uniform(-1.5, 1.5, 2) / module.camera.fx_px / FRAME_S  # at 1 m: up to 1.5 px a frame on either axis
    place = rng.uniform(-5, 5, 2)
    motion = motion_of(
        x=(place[0], speed[0]), y=(place[1], speed[1]), z=(-1.0, 0.003 / FRAME_S * signs[3]),
        roll=(lean * np.cos(toward), turn[0]), pitch=(lean * np.sin(toward), turn[1]), yaw=(heading, turn[2]),
    )  # fmt: skip
    return scene.SceneSpec(
        motion=motion, ground=ground, module=module, noise_levels=noise, shot_share=0.0, exposure_s=0.0, gain=Brighter(),
        seed=seed,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Error:
    """Error of a pair along the two image axes, px, and the bound's one-sigma."""

    error_px: Array
    bound_px: Array


def searches(module: Module) -> dict[str, Search]:
    size = module.camera.width_px, module.camera.height_px
    focal = 0.5 * (module.camera.fx_px + module.camera.fy_px)
    blocks = BlockMatcher(*size)
    return {
        "blocks": Search(LucasKanade(*size), blocks, focal, blocks.thinned()),
        "tracks": Search(LucasKanade(*size), None, focal),
    }


def errors(pairs: Iterable[Pair], search: Search, focal_px: float, noise: float = NOISE) -> list[Error]:
    """Errors of pairs whose search begins up to 0.3 px off on either axis, as after a change of speed.

    The first pairs, which a search needs to learn how its matches scatter, are left out.
    """
    found = []
    rng = np.random.default_rng(5)
    for k, pair in enumerate(pairs):
        px_per_m_s = focal_px * (pair.view.second_s - pair.view.first_s) / pair.view.plane.distance_m
        start = pair.velocity_m_s + np.array([*rng.uniform(-0.3, 0.3, 2), 0.0]) / px_per_m_s
        result = search.find(pair.first, pair.second, pair.view, start)
        assert isinstance(result, Found) and result.agree
        solution = result.solution
        _learn(result, focal_px)
        if k < LEARNING:
            continue
        error = (solution.velocity_m_s - pair.velocity_m_s)[:2] * px_per_m_s
        if not found or k % 6 == 0:  # the bound changes little from pair to pair
            bound = velocity_bound(pair.view, pair.clean, noise**2 + 1 / 12, pair.velocity_m_s, px_per_m_s)
        found.append(Error(error_px=error, bound_px=np.sqrt(bound.diagonal()[:2]) * px_per_m_s))
    return found


def over_bound(some: list[Error]) -> float:
    """RMS error over RMS bound."""
    return float(
        np.sqrt(np.mean([np.square(e.error_px) for e in some]) / np.mean([np.square(e.bound_px) for e in some]))
    )


def subpixel_bias_px(shifted: Shifted, search: Search) -> float:
    """Worst mean error over sub-pixel shifts along either axis.

    Noise of 0.3 grey levels breaks up the rounding; the mean of eight pairs has little of it left.
    """
    rng, focal_px = np.random.default_rng(2), shifted.module.camera.fx_px
    worst = 0.0
    first = shifted.at(np.zeros(2))
    steps = np.arange(0.05, 1.0, 0.15)
    for shift in [np.array(at) for s in steps for at in ((s, 0.0), (0.0, s), (s, -s))]:
        second = shifted.at(shift)
        true = np.array([*-shift, 0.0]) / focal_px / FRAME_S
        errors_px = []
        for _ in range(8):
            found = search.find(digitised(first, 0.3, rng), digitised(second, 0.3, rng), shifted.view, true)
            assert isinstance(found, Found)
            _learn(found, focal_px)
            errors_px.append((found.solution.velocity_m_s - true)[:2] * focal_px * FRAME_S)
        worst = max(worst, float(np.abs(np.mean(errors_px, axis=0)).max()))
    return worst


def creep_error(shifted: Shifted, search: Search, step_px: float, frames: int = 24) -> float:
    """Relative error of the mean speed at a steady step to the right: 0.01 reads 1 % too fast."""
    places = np.outer(np.arange(frames + 1), [step_px, 0.0])
    read = []
    for pair in shifted.pairs(places, NOISE, np.random.default_rng(4)):
        found = search.find(pair.first, pair.second, pair.view, pair.velocity_m_s)
        assert isinstance(found, Found)
        read.append(float(found.solution.velocity_m_s[0] / pair.velocity_m_s[0]))
    return float(np.mean(read)) - 1


def _learn(found: Found, focal_px: float) -> None:
    """Let a search learn from what it found, as the estimator does."""
    solution = found.solution
    found.noise.learn(found.matches, solution.used, solution.miss * focal_px, solution.scale)
