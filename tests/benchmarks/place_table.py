"""Print the README's table of places held and speeds fused: synthetic flights over three grounds, measured afresh.

Some minutes::

    python -m tests.benchmarks.place_table
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import flow
from flow import scene
from flow.disk.table import read_table
from flow.fusion import FusedLog
from flow.row import LevelVelocity
from flow.scene.encode import Codec
from flow.scene.motion import Motion

Array = NDArray[np.float64]
SEEDS = {"gravel": 151, "soil": 152, "paving": 153}
SETTLED_S = 0.7
AXES = ("forward", "right")
STORED: tuple[Codec, ...] = ("lossless", "mjpeg", "h264")


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Errors of one flight.

    ``place_m`` (N, 2) of the place after each row; ``along`` at the end along the way, as a share of it and without what the
    height was off; ``raw_m_s`` (N, 2) of the rows, ``fused_m_s`` (M, 2) and in sigmas ``fused_sigmas`` (M, 2), once settled.
    """

    place_m: Array
    along: float
    raw_m_s: Array
    fused_m_s: Array
    fused_sigmas: Array


def measured(motion: Motion, ground: str, codec: Codec, folder: Path) -> Measured:
    """Render a flight, store it and measure it as the command does."""
    module = scene.preset_module("small")
    spec = scene.SceneSpec(motion=motion, ground=ground, module=module, seed=SEEDS[ground])
    scene.synthesize(folder / "recording", spec, scene.Encoding(codec=codec))
    recording = flow.open_recording(folder / "recording")
    places, raw, too_high, first_s = [], [], [], None
    with FusedLog(recording, folder / "fused.csv") as log:
        for result in flow.measure(recording):
            log.add(result)
            row, at = result.row, np.array([result.row.time_s])
            first_s = row.time_s - 0.5 * row.interval_s if first_s is None else first_s
            if result.position is not None:
                places.append((result.position.time_s, result.position.forward_m, result.position.right_m))
            if row.height_m is not None:
                too_high.append(row.height_m / -motion.pose(at)[0][0, 2] - 1)
            if isinstance(row.velocity, LevelVelocity) and SETTLED_S < row.time_s < motion.duration_s - 0.4:
                raw.append(row.velocity.vector_m_s[:2] - motion.level_velocity(at)[0, :2])
        log.finish()
    time_s, *place = np.array(places).T
    start = np.array([first_s])
    yaw, way = float(motion.yaw(start)[0]), (motion.pose(time_s)[0] - motion.pose(start)[0])[:, :2]
    true = way @ np.array([[np.cos(yaw), -np.sin(yaw)], [np.sin(yaw), np.cos(yaw)]])
    error = np.column_stack(place) - true
    length = float(np.linalg.norm(true[-1]))
    fused, sigma = fused_errors(folder / "fused.csv", motion)
    return Measured(
        place_m=error,
        along=float(error[-1] @ true[-1]) / length**2 - float(np.mean(too_high)),
        raw_m_s=np.array(raw),
        fused_m_s=fused,
        fused_sigmas=fused / sigma,
    )


def fused_errors(path: Path, motion: Motion) -> tuple[Array, Array]:
    """Errors of the fused velocity (M, 2), once settled, and their sigmas."""
    names = ["time_s", *(f"{axis}_m_s" for axis in AXES), *(f"{axis}_sigma_m_s" for axis in AXES)]
    parts = [np.column_stack([part.columns[name] for name in names]) for part in read_table(path, names)]
    rows = np.concatenate(parts)
    rows = rows[(rows[:, 0] > SETTLED_S) & (rows[:, 0] < motion.duration_s - 0.4) & np.isfinite(rows[:, 1])]
    return rows[:, 1:3] - motion.level_velocity(rows[:, 0])[:, :2], rows[:, 3:]


def over_grounds(motion_of: str, codec: Codec) -> Iterator[Measured]:
    for ground, seed in SEEDS.items():
        if motion_of == "hover":
            motion = scene.straight(60.3, height_m=1.2) + scene.gusts(60.3, seed=seed)
        elif motion_of == "low hover":
            motion = scene.straight(12.0, height_m=1.0) + scene.gusts(12.0, seed=seed)
        else:
            motion = scene.straight(12.5, height_m=1.2, speed_m_s=1.0, heading_rad=0.3) + scene.gusts(12.5, seed=seed)
        with tempfile.TemporaryDirectory() as folder:
            yield measured(motion, ground, codec, Path(folder))


def main() -> None:
    """Print the table."""
    heads = (
        "stored as", "hover of 60 s at 1.2 m: RMS of the place, mm", "at the end, at most", "12 m straight on: drift, at most",
        "hover at 1 m: fused / rows, RMS mm/s", "ratio", "fused in 95 % band",
    )  # fmt: skip
    print("", *heads, "", sep=" | ")
    print("", *["---"] * len(heads), "", sep=" | ")
    for codec in STORED:
        hovers, passes, low = (list(over_grounds(kind, codec)) for kind in ("hover", "straight", "low hover"))
        held = rms(np.concatenate([one.place_m for one in hovers]))
        end = max(float(np.abs(one.place_m[-1]).max()) for one in hovers)
        drift = max((one.along for one in passes), key=abs)
        fused, raw = (rms(np.concatenate([getattr(one, name) for one in low])) for name in ("fused_m_s", "raw_m_s"))
        inside = np.mean(np.abs(np.concatenate([one.fused_sigmas for one in low])) < 1.96)
        print(
            f"| {codec} | {1e3 * held:.2f} | {1e3 * end:.1f} mm | {100 * drift:+.2f} % | {1e3 * fused:.2f} / {1e3 * raw:.2f} "
            f"| {fused / raw:.2f} | {100 * inside:.0f} % |",
            flush=True,
        )


def rms(errors: Array) -> float:
    """RMS of one axis."""
    return float(np.sqrt(np.mean(np.square(errors))))


if __name__ == "__main__":
    main()
