"""What moved between two module files, and by how many sigma."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from flow.module import Module
from flow.section_sigmas import Section
from flow.sections import Alignment, Camera, Gyro, Range

Array = NDArray[np.float64]
S = TypeVar("S", bound=Section)

MOVED_SIGMA = 3.0
_NOISE_RATIO = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One quantity of the old file against the new one.

    ``change`` is in words with its unit; ``sigmas`` the change over its joint one-sigma (the largest axis of
    a vector), None where the files give none; ``question`` asks what may have happened, empty when nothing
    moved.
    """

    section: str
    quantity: str
    change: str
    sigmas: float | None
    question: str


def changes(old: Module, new: Module) -> tuple[Change, ...]:
    """Compare two module files, section by section, with their joint sigmas.

    A section whose values and provenance are the same was not calibrated again, which is said as well.
    """
    return tuple(_changes(old, new))


def _changes(old: Module, new: Module) -> Iterator[Change]:
    yield from _compared("camera", old.camera, new.camera, _camera)
    yield from _compared("alignment", old.alignment, new.alignment, _alignment)
    yield from _compared("gyro", old.gyro, new.gyro, _gyro)
    yield from _compared("range", old.range, new.range, _range)


def _compared(name: str, old: S | None, new: S | None, parts: Callable[[S, S], Iterator[Change]]) -> Iterator[Change]:
    if old is None or new is None:
        if old is not new:
            state = "missing in the new file" if new is None else "new, the old file has none"
            yield Change(section=name, quantity="section", change=state, sigmas=None, question="")
    elif old == new:
        state = "the same values, not calibrated again"
        question = "calibrate it again after a crash or a swap"
        yield Change(section=name, quantity="section", change=state, sigmas=None, question=question)
    else:
        yield from parts(old, new)


def _camera(a: Camera, b: Camera) -> Iterator[Change]:
    kinds = [f"{c.model} {c.width_px} x {c.height_px}" for c in (a, b)]
    if kinds[0] != kinds[1]:
        state = f"{kinds[0]} became {kinds[1]}"
        asked = "another camera or mode?"
        yield Change(section="camera", quantity="kind", change=state, sigmas=None, question=asked)
        return
    focal = np.array([b.fx_px / a.fx_px, b.fy_px / a.fy_px]) - 1
    yield _change(
        "camera", "focal length", focal, np.hypot(a.focal_sigma, b.focal_sigma), 100, "%",
        "was the lens turned, refocused or changed?",
    )  # fmt: skip
    centre = np.array([b.cx_px - a.cx_px, b.cy_px - a.cy_px])
    sigma = np.hypot([a.sigma.cx_px, a.sigma.cy_px], [b.sigma.cx_px, b.sigma.cy_px])
    yield _change(
        "camera", "principal point", centre, sigma, 1, "px", "did the lens or the sensor shift in its holder?"
    )


def _alignment(a: Alignment, b: Alignment) -> Iterator[Change]:
    turn = (b.R_body_camera * a.R_body_camera.inv()).as_rotvec()
    degrees = math.degrees(float(np.linalg.norm(turn)))
    sigmas = _sigmas(turn, np.hypot(a.rotation_sigma_rad, b.rotation_sigma_rad))
    axis = ("roll (body x)", "pitch (body y)", "yaw (body z)")[int(np.abs(turn).argmax())]
    asked = f"the camera was turned by {degrees:.1f} degrees: mounted again after the crash?"
    yield Change(
        section="alignment", quantity="mounting", change=f"{degrees:.2f}°, mostly in {axis}", sigmas=sigmas,
        question=asked if sigmas is None or sigmas > MOVED_SIGMA else "",
    )  # fmt: skip
    yield _change(
        "alignment", "camera position", np.subtract(b.camera_position_m, a.camera_position_m),
        np.hypot(a.sigma.camera_position_m, b.sigma.camera_position_m), 1e3, "mm",
        "does the module sit elsewhere on the airframe?",
    )  # fmt: skip
    yield _change(
        "alignment", "time offset", np.array([b.time_offset_s - a.time_offset_s]),
        np.array([math.hypot(a.sigma.time_offset_s, b.sigma.time_offset_s)]), 1e3, "ms",
        "another exposure, camera mode or recorder?",
    )  # fmt: skip


def _gyro(a: Gyro, b: Gyro) -> Iterator[Change]:
    sigma = np.hypot(a.sigma.bias_rad_s, b.sigma.bias_rad_s)
    yield _change(
        "gyro", "bias", np.subtract(b.bias_rad_s, a.bias_rad_s), sigma, 1e3, "mrad/s",
        "another temperature, or a knock to the sensor?",
    )  # fmt: skip
    ratio = float(np.max(b.noise_per_axis / np.maximum(a.noise_per_axis, 1e-12)))
    louder = "a vibrating bench, or a damaged sensor?" if ratio > _NOISE_RATIO else ""
    yield Change(section="gyro", quantity="noise", change=f"{ratio:.2f} times", sigmas=None, question=louder)


def _range(a: Range, b: Range) -> Iterator[Change]:
    scale_sigma = np.array([math.hypot(a.sigma.scale, b.sigma.scale)])
    yield _change(
        "range", "scale", np.array([b.scale - a.scale]), scale_sigma, 100, "%",
        "another sensor or another air?",
    )  # fmt: skip
    offset_sigma = np.array([math.hypot(a.sigma.offset_m, b.sigma.offset_m)])
    yield _change(
        "range", "offset", np.array([b.offset_m - a.offset_m]), offset_sigma, 1e3, "mm",
        "does the sensor sit higher or lower?",
    )  # fmt: skip
    ratio = b.noise_m / max(a.noise_m, 1e-9)
    louder = "a dirty or damaged sensor, or a rougher floor?" if ratio > _NOISE_RATIO else ""
    yield Change(section="range", quantity="noise", change=f"{ratio:.2f} times", sigmas=None, question=louder)


def _change(section: str, quantity: str, delta: Array, sigma: Array, factor: float, unit: str, question: str) -> Change:
    sigmas = _sigmas(delta, sigma)
    worst = float(delta[int(np.abs(delta).argmax())]) * factor
    return Change(
        section=section,
        quantity=quantity,
        change=f"{worst:+.3g} {unit}",
        sigmas=sigmas,
        question=question if sigmas is None or sigmas > MOVED_SIGMA else "",
    )


def _sigmas(delta: Array, sigma: Array) -> float | None:
    """Largest change over its sigma; None when something moved whose sigma nobody gave."""
    if np.any((sigma <= 0) & (delta != 0)):
        return None
    return float(np.max(np.abs(delta) / np.where(sigma > 0, sigma, 1.0)))
