"""A module on the bench: a gyro log at rest, and a table of readings at taped heights."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flow.columns import GYRO, TAPED
from flow.disk.files import write_table
from flow.disk.folders import fresh_folder
from flow.module import Module, write_module
from flow.scene.motion import straight
from flow.scene.sensors import ImuErrors, RangeErrors, sense_range, sense_turn
from flow.series import GYRO_COLUMNS

_FILES = {"gyro.csv", "taped.csv", "module.yaml"}
_TAPED_M = (0.3, 0.6, 1.0, 1.5, 2.0, 3.0)
_READINGS = 20
_STILL_S = 2.0


def write_bench(
    folder: Path,
    module: Module,
    *,
    duration_s: float = 600.0,
    rate_hz: float = 50.0,
    seed: int = 0,
    force: bool = False,
) -> None:
    """Write ``gyro.csv`` of the module at rest, ``taped.csv`` and the true ``module.yaml``.

    Parameters
    ----------
    folder
        Where to; new or empty unless ``force``.
    module
        Whose biases, noise, scale and offset the logs carry.
    duration_s, rate_hz
        Of the gyro log.
    seed
        The same seed makes the same bytes.

    Raises
    ------
    DataError
        The folder is taken or cannot be written.
    """
    rng = np.random.default_rng([seed, 31])
    errors = ImuErrors(rate_hz=rate_hz, bias_walk_rad_s_rts=2e-6)
    with fresh_folder(Path(folder).absolute(), _FILES, force=force) as beside:
        rest = straight(duration_s, height_m=1.0)
        gyro = sense_turn(rest, (0.0, duration_s), 0.0, module.gyro, errors, rng)
        columns = {"time_s": gyro.time_s, **dict(zip(GYRO_COLUMNS, gyro.rate_rad_s.T, strict=True))}
        write_table(beside / GYRO.name, GYRO, columns, number="%.7g")
        taped = [_readings(module, height_m, rng) for height_m in _TAPED_M]
        columns = {name: np.concatenate([height[name] for height in taped]) for name in TAPED.needed}
        write_table(beside / "taped.csv", TAPED, columns, number="%.5f")
        write_module(beside / "module.yaml", module)


def _readings(module: Module, height_m: float, rng: np.random.Generator) -> dict[str, NDArray[np.float64]]:
    """Read one taped height, measured from the sensor down, some echoes astray."""
    sensor = module.range.model_copy(update={"position_m": (0.0, 0.0, 0.0)})
    still = straight(_STILL_S, height_m=height_m)
    errors = RangeErrors(rate_hz=_READINGS / _STILL_S, stray_share=0.04)
    read = sense_range(still, (0.0, _STILL_S - 1e-6), 0.0, sensor, errors, (), rng)
    range_m = read.range_m[np.isfinite(read.range_m)]
    return {"reference_m": np.full(len(range_m), height_m), "range_m": range_m}
