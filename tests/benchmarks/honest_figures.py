"""What rows, fused speed and place of one recording err by, in mm and in their sigmas; see :mod:`tests.benchmarks.honesty`."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import flow
from flow.accuracy.reference import Reference
from flow.disk.table import read_table
from flow.fusion import FusedLog
from flow.row import LevelVelocity
from tests.benchmarks.honest_store import Ready

Array = NDArray[np.float64]
AXES = ("forward", "right", "down")
_BAND, _FAR, _FAR_M = 1.96, 4.0, 0.02  # 95 % of a normal distribution; what counts as beyond: sigmas, and m or m/s
_INSTANT_S = 1e-3  # the reference is asked for means over intervals


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """Errors of one output against truth; a number for each axis, forward, right and (of a speed) down.

    ``rms_mm`` in mm or mm/s; ``nees`` the mean of (error / sigma)^2; ``cover`` the share within 1.96 sigma; ``beyond`` the
    share of samples that are off, in any axis, by more than 4 sigma and 2 cm (or 2 cm/s).
    """

    samples: int
    rms_mm: tuple[float, ...]
    nees: tuple[float, ...]
    cover: tuple[float, ...]
    beyond: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """All of one recording; ``fused`` and ``place`` are None where there is none."""

    kind: str
    group: str
    name: str
    rows: int
    usable: float
    speed: Errors | None
    fused: Errors | None
    place: Errors | None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for a JSON file."""
        return asdict(self)

    @staticmethod
    def of(plain: dict[str, Any]) -> Figures:
        """Read back what :meth:`as_dict` gave."""
        parts = {key: None if plain[key] is None else _errors_of(plain[key]) for key in ("speed", "fused", "place")}
        return Figures(**(plain | parts))


def figures(ready: Ready, scratch: Path) -> Figures:
    """Measure a recording as the command does, and hold everything against truth."""
    rows, speeds, places, started_s = 0, [], [], None
    with FusedLog(ready.recording, scratch / "fused.csv") as log:
        for result in flow.measure(ready.recording):
            log.add(result)
            row, rows = result.row, rows + 1
            started_s = row.time_s - 0.5 * row.interval_s if started_s is None else started_s
            if isinstance(row.velocity, LevelVelocity):
                speeds.append([row.time_s, row.interval_s, *row.velocity.vector_m_s, *row.velocity.sigma_m_s])
            if (at := result.position) is not None:
                sigma = np.sqrt(np.diag(at.covariance_m2))
                # The position's origin is where the first row with a velocity began.
                places.append([at.time_s, row.interval_s, at.forward_m, at.right_m, *sigma])
        log.finish()
    reference = Reference(ready.truth)
    return Figures(
        kind=ready.kind,
        group=ready.group,
        name=ready.name,
        rows=rows,
        usable=len(speeds) / max(rows, 1),
        speed=_speed_errors(np.array(speeds), reference) if speeds else None,
        fused=_fused_errors(scratch / "fused.csv", reference) if log.active else None,
        place=_place_errors(np.array(places), ready) if places else None,
    )


def _speed_errors(rows: Array, reference: Reference) -> Errors | None:
    time_s, interval_s = rows[:, 0], rows[:, 1]
    return _errors(rows[:, 2:5] - reference.mean_velocity_m_s(time_s, interval_s), rows[:, 5:8])


def _fused_errors(path: Path, reference: Reference) -> Errors | None:
    names = ["time_s", *(f"{axis}_m_s" for axis in AXES), *(f"{axis}_sigma_m_s" for axis in AXES)]
    parts = [np.column_stack([part.columns[name] for name in names]) for part in read_table(path, names)]
    rows = np.concatenate(parts)
    truth = reference.mean_velocity_m_s(rows[:, 0], np.full(len(rows), _INSTANT_S))
    return _errors(rows[:, 1:4] - truth, rows[:, 4:7])


def _place_errors(rows: Array, ready: Ready) -> Errors | None:
    start_s = float(rows[0, 0] - rows[0, 1])
    return _errors(rows[:, 2:4] - ready.path.since(start_s, rows[:, 0]), rows[:, 4:6])


def _errors(error: Array, sigma: Array) -> Errors | None:
    known = np.isfinite(error).all(axis=1) & np.isfinite(sigma).all(axis=1)
    if not known.any():
        return None
    error, sigma = error[known], sigma[known]
    square = np.square(error / sigma)
    beyond = (np.abs(error) > np.maximum(_FAR * sigma, _FAR_M)).any(axis=1)
    return Errors(
        samples=len(error),
        rms_mm=_plain(1e3 * np.sqrt(np.mean(np.square(error), axis=0))),
        nees=_plain(square.mean(axis=0)),
        cover=_plain((square < _BAND**2).mean(axis=0)),
        beyond=float(beyond.mean()),
    )


def _plain(values: Array) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def _errors_of(plain: dict[str, Any]) -> Errors:
    return Errors(**{key: tuple(value) if isinstance(value, list) else value for key, value in plain.items()})
