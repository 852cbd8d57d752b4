"""The flights whose error bands are measured: what flies over what, and how it is stored; see :mod:`tests.benchmarks.honesty`.

All ground is flat. What the module file states as one-sigma is spent: the scene is rendered with the true module and the
recording's ``module.yaml`` is drawn around it (:func:`tests.flow.test_mistaken_module.mistaken`), and so are the zero offsets
of the accelerometer and of the attitude log, by what the filters assume of them. The principal point is not drawn: a mounting
that was calibrated through a lens takes the error of its principal point up.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field

import numpy as np

from flow import scene
from flow.module import Module
from flow.scene.encode import Encoding
from flow.scene.ground import Ground, picture_ground
from flow.scene.motion import Motion
from tests.flow.scene import grounds
from tests.flow.test_mistaken_module import ACCEL_BIAS_M_S2, mistaken
from tests.streams import photograph

SHIPPED, CARRIED, SMALL, VIBRATING, BARE = "shipped", "carried", "small", "vibrating", "no-accelerometer"
KINDS = (SHIPPED, CARRIED, SMALL, VIBRATING, BARE)

_HALF_WIDTH_RAD = np.radians(31)  # of the view, as that of the example modules
_LOGGED_TILT_RAD = np.radians(0.4)  # what flow.tilt assumes of an attitude log, the noise of 1 mrad included


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """One recording of a flight: how its frames are stored and which sensors log; ``group`` is judged as one."""

    name: str
    group: str
    encoding: Encoding = field(default_factory=Encoding)
    gyro_hz: float = 500.0
    accelerometer: bool = True
    attitude: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Flight:
    """A flight in plain numbers, so that its text says whether a rendered one is still the same.

    ``floor`` is a photograph's name, ``floor_m`` its width on the ground; ``"stones"`` is the small gravel of the tests.
    """

    kind: str
    name: str
    size_px: tuple[int, int] = (160, 120)
    floor: str = "stones"
    floor_m: float = 0.6
    height_m: float = 1.2
    speed_m_s: float = 0.6
    heading_rad: float = 0.5
    gust: float = 1.0
    rock_rad: float = 0.03
    vibration_hz: float = 0.0
    frame_hz: float = 60.0
    duration_s: float = 6.5
    quick: bool = False
    variants: tuple[Variant, ...] = ()

    @property
    def seed(self) -> int:
        """Seed of its noise and of its module's errors."""
        return zlib.crc32(f"{self.kind} {self.name}".encode())

    def motion(self) -> Motion:
        """Straight on in gusts, shaken where it vibrates."""
        steady = scene.straight(
            self.duration_s, height_m=self.height_m, speed_m_s=self.speed_m_s, heading_rad=self.heading_rad
        )
        gusty = scene.gusts(self.duration_s, seed=self.seed, rock_rad=self.rock_rad, strength=self.gust)
        if self.vibration_hz == 0:
            return steady + gusty
        return steady + gusty + scene.vibration(self.duration_s, frequency_hz=self.vibration_hz)

    def spec(self, gyro_hz: float = 500.0) -> scene.SceneSpec:
        """Scene, rendered with the true module."""
        rng = np.random.default_rng([self.seed, 6])
        noise_rad = scene.AttitudeErrors().noise_rad
        lean = np.sqrt(_LOGGED_TILT_RAD**2 - noise_rad**2) * rng.normal(size=2)
        return scene.SceneSpec(
            motion=self.motion(),
            ground=_ground(self.floor, self.floor_m),
            module=true_module(*self.size_px, self.frame_hz),
            frame_rate_hz=self.frame_hz,
            imu=scene.ImuErrors(rate_hz=gyro_hz, accel_bias_m_s2=tuple(ACCEL_BIAS_M_S2 * rng.normal(size=3))),
            attitude=scene.AttitudeErrors(bias_rad=(lean[0], lean[1])),
            seed=self.seed,
        )


def drawn_module(true: Module, seed: int) -> Module:
    """Draw what a calibration with the stated sigmas might have said of a module."""
    return mistaken(true, np.random.default_rng([seed, 5]), 1.0)


def true_module(width_px: int, height_px: int, frame_hz: float) -> Module:
    """Give the example module another sensor behind the same angle of view; rows are read in 60 % of the frame's time at most."""
    preset = scene.preset_module("small")
    focal = width_px / 2 / float(np.tan(_HALF_WIDTH_RAD))
    camera = {
        "width_px": width_px,
        "height_px": height_px,
        "fx_px": focal,
        "fy_px": focal,
        "cx_px": (width_px - 1) / 2,
        "cy_px": (height_px - 1) / 2,
        "readout_s": min(preset.camera.readout_s, 0.6 / frame_hz),
    }
    return preset.model_copy(update={"camera": preset.camera.model_copy(update=camera)})


def flights() -> list[Flight]:
    """All flights that are rendered."""
    return [*_shipped(), *_small(), *_vibrating(), *_bare()]


def _shipped() -> list[Flight]:
    """Fly what the tests fly, with errors drawn."""
    plain = (Variant(name="lossless", group=SHIPPED),)
    logged = (*plain, Variant(name="lossless+attitude", group=SHIPPED, attitude=True))
    return [
        Flight(kind=SHIPPED, name="rocking", rock_rad=0.08, quick=True, variants=logged),
        Flight(kind=SHIPPED, name="gusty", frame_hz=30.0, variants=plain),
        Flight(kind=SHIPPED, name="hover", speed_m_s=0.0, variants=plain),
    ]


def _small() -> list[Flight]:
    """Fly small cameras with codecs, and two of 320 x 240."""
    stored = _stored()

    def of(
        name: str, size: tuple[int, int], floor: str, height: float, speed: float, rate: float, floor_m: float
    ) -> Flight:
        return Flight(
            kind=SMALL, name=name, size_px=size, floor=floor, floor_m=floor_m, height_m=height, speed_m_s=speed,
            frame_hz=rate, heading_rad=0.4 * height, duration_s=6.2, quick=name in _QUICK, variants=stored,
        )  # fmt: skip

    return [
        of("grass-176-2.3m", (176, 144), "grass", 2.3, 0.8, 60, 1.2),
        of("gravel-160-1.1m-hover", (160, 120), "gravel", 1.1, 0.0, 60, 0.6),
        of("gravel-128-0.5m-slow", (128, 96), "gravel", 0.5, 0.1, 60, 0.4),
        of("brick-176-3m-fast", (176, 144), "brick", 3.0, 2.0, 60, 1.2),
        of("gravel-64-0.8m-120hz", (64, 64), "gravel", 0.8, 0.4, 120, 0.6),
        of("grass-160-4m-30hz", (160, 120), "grass", 4.0, 1.0, 30, 1.6),
        of("brick-128-1m-30hz", (128, 96), "brick", 1.0, 0.3, 30, 0.8),
        of("grass-64-1.5m", (64, 64), "grass", 1.5, 0.5, 60, 0.8),
        of("gravel-320-1.5m", (320, 240), "gravel", 1.5, 0.6, 60, 0.8),
        of("brick-320-2.5m-30hz", (320, 240), "brick", 2.5, 1.5, 30, 1.2),
    ]


_QUICK = ("gravel-160-1.1m-hover", "brick-128-1m-30hz")


def _stored() -> tuple[Variant, ...]:
    """Name the ways to store frames: H.264 by rate factor, with and without B frames, MJPEG by quantiser scale."""

    def with_b(factor: int) -> Variant:
        encoding = Encoding(codec="h264", quality=factor, b_frames=3)  # as the encoder's own preset has it
        return Variant(name=f"h264-b-{factor}", group=f"{SMALL} h264-b", encoding=encoding)

    def mjpeg(name: str, scale: int) -> Variant:
        return Variant(name=name, group=f"{SMALL} {name}", encoding=Encoding(codec="mjpeg", quality=scale))

    return (
        Variant(name="lossless", group=f"{SMALL} lossless"),
        *(with_b(factor) for factor in (18, 23, 28)),
        Variant(name="h264-ip-23", group=f"{SMALL} h264-ip", encoding=Encoding(codec="h264", quality=23)),
        mjpeg("mjpeg-fine", 4),
        mjpeg("mjpeg-coarse", 10),
        mjpeg("mjpeg-worst", 20),  # half the bytes of quantiser 10, an eleventh of lossless ones
    )


def _vibrating() -> list[Flight]:
    """Shake the body at a propeller's rate; the gyro samples that too slowly, or fast enough."""
    return [
        Flight(
            kind=VIBRATING,
            name=f"{frequency}hz",
            vibration_hz=float(frequency),
            quick=frequency == 130,
            variants=tuple(Variant(name=f"gyro-{rate}", group=VIBRATING, gyro_hz=float(rate)) for rate in (200, 1000)),
        )
        for frequency in (90, 130, 180)
    ]


def _bare() -> list[Flight]:
    """Leave the accelerometer out, and log the attitude or not."""
    variants = tuple(
        Variant(name=name, group=BARE, accelerometer=False, attitude=attitude)
        for name, attitude in (("attitude", True), ("nothing", False))
    )
    return [
        Flight(kind=BARE, name="gusty", quick=True, variants=variants),
        Flight(kind=BARE, name="hover", speed_m_s=0.0, variants=variants),
        Flight(kind=BARE, name="high", height_m=3.0, speed_m_s=1.5, floor="gravel", floor_m=1.0, variants=variants),
    ]


def _ground(floor: str, width_m: float) -> Ground:
    return grounds.gravel() if floor == "stones" else picture_ground(photograph(floor), width_m, name=floor)
