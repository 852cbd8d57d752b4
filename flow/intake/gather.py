"""From a plan to everything that a recording needs: logs, frames, one clock."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError
from flow.intake.axes import AS_LOGGED, R_body_log
from flow.intake.bag_imu import REP_103
from flow.intake.bags import read_bag
from flow.intake.clocks import ClockMatch, match_clocks
from flow.intake.frames import read_frames
from flow.intake.gathered import Gathered, GatheredFrames, Picture, write_frame_times
from flow.intake.log_checks import by_gravity, check_gravity
from flow.intake.logs import LogSamples, read_logs
from flow.intake.mapping import ImportPlan, LogFile
from flow.module import Module, read_module, section_update
from flow.series import GyroSamples
from flow.video import Video

Array: TypeAlias = NDArray[np.float64]
Watch: TypeAlias = Callable[[int], AbstractContextManager[Callable[[], None] | None]]
"""Given a number of frames, opens something to call once a frame."""

_NEEDS_LENS = (
    "finding the clock offset between frames and gyro takes the lens: give --module FILE (a camera section will do),"
    " or --clock same or SECONDS"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """What :func:`flow.intake.gathered.write_recording` takes: parts, text of the module file, and the clock match."""

    gathered: Gathered
    module_text: str | None
    match: ClockMatch | None


def gather(plan: ImportPlan, watch: Watch | None = None) -> Ready:
    """Read everything a plan names, and bring frames and gyro onto one clock.

    Parameters
    ----------
    plan
        A bag, or frames and logs.
    watch
        Progress over the frames while clocks are matched.

    Raises
    ------
    DataError
        Whatever is wrong with the files, the mapping or the clocks.
    """
    module = None if plan.module is None else read_module(plan.module)
    match: ClockMatch | None
    if plan.bag is not None:
        gathered = read_bag(plan.bag, plan.topics, axes=plan.imu_axes or REP_103, ground_z_m=plan.ground_z_m)
        _check_size(gathered.frames, plan.bag, module, plan)
        gathered, match = _on_one_clock(gathered, plan, module, "same" if plan.clock is None else plan.clock, watch)
    else:
        gathered, match = _from_logs(plan, module, watch)
    text = None if plan.module is None or module is None else _module_text(plan.module, module, match)
    return Ready(gathered=gathered, module_text=text, match=match)


def _from_logs(plan: ImportPlan, module: Module | None, watch: Watch | None) -> tuple[Gathered, ClockMatch | None]:
    if plan.frames is None or not plan.logs:
        missing = "frames (a video or a folder of images)" if plan.frames is None else "log"
        raise DataError(f"no {missing} to import; name the video, the logs and --output DIR")
    found = read_frames(plan.frames)
    _check_size(found.frames, found.origin.path, module, plan, found.size_px)
    clock = "search" if plan.clock is None else plan.clock
    if clock == "search" and module is None:
        raise DataError(_NEEDS_LENS)
    logs = read_logs(plan.logs)
    gyro_log = next(log for log in plan.logs if log.gyro is not None)
    if gyro_log.axes is None and clock != "search":
        problem = "which way its axes point is unknown without the video"
        remedy = (
            f"give --axes, such as '{AS_LOGGED}'" if logs.gyro.accel_m_s2 is None else by_gravity(logs.gyro.accel_m_s2)
        )
        raise DataError(f"{problem}; {remedy}", path=gyro_log.file)
    zeros_s = 0.0 if clock == "search" else (found.time_zero_ns - logs.time_zero_ns) * 1e-9
    gathered = Gathered(
        frames=replace(found.frames, times_s=found.frames.times_s + zeros_s),
        gyro=logs.gyro,
        range=logs.range,
        attitude=logs.attitude,
        truth=logs.truth,
        time_zero_ns=logs.time_zero_ns,
        origins={"frames": found.origin, **logs.origins},
        mapping=plan.tree(),
        remarks=(*found.remarks, *logs.remarks, *([] if clock == "search" else [_as_said(gyro_log, logs)])),
    )
    return _on_one_clock(gathered, plan, module, clock, watch, gyro_log)


def _as_said(log: LogFile, logs: LogSamples) -> str:
    agrees = "gravity agrees with its down, " if logs.gyro.accel_m_s2 is not None else ""
    return f"axes: '{log.axes}' as said; {agrees}which way is forward was not compared with the video (groundpace check does)"


def _on_one_clock(
    gathered: Gathered,
    plan: ImportPlan,
    module: Module | None,
    clock: str | float,
    watch: Watch | None,
    log: LogFile | None = None,
) -> tuple[Gathered, ClockMatch | None]:
    """Search the offset where that is wanted, and the axes where they are not known."""
    told = {} if plan.module is None else {"module": str(plan.module.absolute())}
    gathered = replace(gathered, mapping={**gathered.mapping, **told, "clock": clock})
    if clock != "search":
        shift_s = 0.0 if clock == "same" else float(clock)
        times_s = gathered.frames.times_s + shift_s
        _check_overlap(times_s, gathered, module)
        return replace(gathered, frames=replace(gathered.frames, times_s=times_s)), None
    if module is None:
        raise DataError(_NEEDS_LENS)
    axes = plan.imu_axes or REP_103 if log is None else log.axes
    times_s = gathered.frames.times_s
    with nullcontext() if watch is None else watch(len(times_s)) as advance:
        match = match_clocks(
            pictures(gathered.frames),
            times_s,
            gathered.gyro,
            module,
            axes=axes,
            video_path=gathered.origins["frames"].path,
            gyro_path=gathered.origins["gyro"].path,
            progress=advance,
        )
    gyro = gathered.gyro
    if log is not None and axes is None:
        with_accel = next((one for one in plan.logs if one.accel is not None), None)
        if with_accel is not None and with_accel.accel is not None and gyro.accel_m_s2 is not None:
            check_gravity(gyro.accel_m_s2, with_accel.accel, match.axes, with_accel.file)
        gyro = _turned(gyro, match.axes)
        logs = [one.model_copy(update={"axes": match.axes}) if one.gyro or one.accel else one for one in plan.logs]
        gathered = replace(gathered, mapping={**gathered.mapping, "logs": [one.tree() for one in logs]})
    frames = replace(gathered.frames, times_s=match.times_s)
    return replace(gathered, frames=frames, gyro=gyro), match


def pictures(frames: GatheredFrames) -> Iterator[Picture]:
    """Give the grey pictures one by one."""
    if frames.pictures is not None:
        yield from frames.pictures
        return
    assert frames.video is not None
    with TemporaryDirectory() as folder:  # times that were given may be the only ones there are
        write_frame_times(Path(folder) / "frames.csv", frames)
        for frame in Video(frames.video, Path(folder) / "frames.csv"):
            yield frame.luma


def _turned(gyro: GyroSamples, axes: str) -> GyroSamples:
    turn = R_body_log(axes)
    accel = None if gyro.accel_m_s2 is None else gyro.accel_m_s2 @ turn.T + 0.0
    return GyroSamples(time_s=gyro.time_s, rate_rad_s=gyro.rate_rad_s @ turn.T + 0.0, accel_m_s2=accel)


def _check_size(
    frames: GatheredFrames, path: Path, module: Module | None, plan: ImportPlan, size_px: tuple[int, int] | None = None
) -> None:
    if module is None:
        return
    if size_px is None:
        first = next(iter(pictures(frames)))
        size_px = first.shape[1], first.shape[0]
    camera = module.camera
    if size_px != (camera.width_px, camera.height_px):
        sizes = (
            f"{size_px[0]} x {size_px[1]} px, {plan.module} was calibrated at {camera.width_px} x {camera.height_px} px"
        )
        raise DataError(f"frames are {sizes}; calibrate at the size that is recorded", path=path)


def _check_overlap(times_s: Array, gathered: Gathered, module: Module | None) -> None:
    offset_s = 0.0 if module is None else module.alignment.time_offset_s
    first_s, last_s = times_s[[0, -1]] + offset_s
    begin_s, end_s = gathered.gyro.time_s[[0, -1]]
    if begin_s > last_s or end_s < first_s:
        covered = f"covers {begin_s:.3f} to {end_s:.3f} s, the video {first_s:.3f} to {last_s:.3f} s"
        remedy = "they never overlap; is it --clock search, or another number?"
        raise DataError(f"{covered}: {remedy}", path=gathered.origins["gyro"].path)


def _module_text(path: Path, module: Module, match: ClockMatch | None) -> str:
    """Give the module file's text; a clock that was searched is known as well as the search knew it."""
    if match is None:
        return path.read_text(encoding="utf-8")
    sigma = module.alignment.sigma.model_dump(exclude_unset=True)
    return section_update(path, "alignment", {"sigma": {**sigma, "time_offset_s": float(f"{match.fit.sigma_s:.3g}")}})
