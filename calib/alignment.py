"""How the camera sits on the gyro, and how late its clock is, from a recording of the module turned by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.alignment_checks import check_duration, check_fit, check_texture, remarks
from calib.alignment_coarse import SEARCH_S, SHORTEST_S, Coarse, find_coarse, picture_turns
from calib.alignment_fit import AlignmentFit, fit_alignment
from calib.alignment_sigma import scale_sigma, tracker_sigma
from calib.provenance import provenance
from calib.turn_model import TurnModel, Unknowns
from calib.turn_pairs import TurnPairs, collect_pairs
from calib.turn_series import TurnSeries, turn_series
from flow.camera import Lens
from flow.errors import DataError
from flow.module import Gyro, Module
from flow.recording import Recording
from flow.rotation import RotationLog
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]
Progress: TypeAlias = Callable[[str], None]

_MOST_PAIRS = 400
_ROUGH_PAIRS, _ROUGH_TRACKS = 80, 20
_SPARE_S = 0.05  # of gyro log around each pair, while the offset is still rough


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentCalibration:
    """Result of :func:`calibrate_alignment`.

    Attributes
    ----------
    R_body_camera, rotation_sigma_rad
        Mounting, and one-sigma of it as a small turn about body x, y, z. It holds for the lens of the module file: an
        error of its principal point and the mounting make up for each other.
    time_offset_s, time_offset_sigma_s
        Camera time + offset = gyro time.
    bias_rad_s, bias_sigma_rad_s
        Gyro bias, body axes.
    readout_s, readout_sigma_s
        Rolling-shutter time over all rows; None where it was not asked for.
    mounting_moved_rad, offset_moved_s
        How far mounting and clock are from what the module file said.
    scene_share
        Share of the matches that agree with one still scene.
    relief
        One-sigma of the scene's depth about its plane, relative.
    residual_px
        Median over the pairs of their RMS.
    series
        For the report.
    gyro_scale, gyro_scale_sigma
        Turn by the gyro over turn by the picture; the tracker and the focal length are in the sigma.
    remarks
        What to know or to do better, one sentence each.
    """

    source: Path
    module: Module
    R_body_camera: Rotation
    rotation_sigma_rad: Array
    time_offset_s: float
    time_offset_sigma_s: float
    bias_rad_s: Array
    bias_sigma_rad_s: Array
    readout_s: float | None
    readout_sigma_s: float | None
    mounting_moved_rad: float
    offset_moved_s: float
    pairs: int
    duration_s: float
    scene_share: float
    relief: float
    residual_px: float
    series: TurnSeries
    gyro_scale: float
    gyro_scale_sigma: float
    remarks: tuple[str, ...]

    def section(self) -> dict[str, Any]:
        """Values of the module file's ``alignment`` section, with sigma and provenance."""
        kept = self.module.alignment.sigma.model_dump(exclude_unset=True)
        kept.pop("camera_to_body_wxyz", None)
        sigma = {
            "camera_to_body_rad": _short(self.rotation_sigma_rad),
            "time_offset_s": _short(self.time_offset_sigma_s),
        }
        quaternion = self.R_body_camera.as_quat(canonical=True, scalar_first=True)
        return {
            "camera_to_body_wxyz": [round(float(q), 7) for q in quaternion],
            "time_offset_s": round(self.time_offset_s, 7),
            "sigma": kept | sigma,
            "provenance": provenance(self.source, self._residual()),
        }

    def gyro_section(self) -> dict[str, Any]:
        """Bias and its sigma for the ``gyro`` section; sigma and provenance of its other figures stay."""
        kept, given = self.module.gyro.sigma.model_dump(exclude_unset=True), self.module.gyro.provenance
        return {
            "bias_rad_s": [round(float(b), 7) for b in self.bias_rad_s],
            "sigma": kept | {"bias_rad_s": _short(self.bias_sigma_rad_s)},
            "provenance": given | _origin("bias", self.source),
        }

    def camera_section(self) -> dict[str, Any]:
        """Readout and its sigma for the ``camera`` section, if it was asked for; the rest stays."""
        if self.readout_s is None or self.readout_sigma_s is None:
            return {}
        kept, given = self.module.camera.sigma.model_dump(exclude_unset=True), self.module.camera.provenance
        return {
            "readout_s": round(self.readout_s, 7),
            "sigma": kept | {"readout_s": _short(self.readout_sigma_s)},
            "provenance": given | _origin("readout", self.source),
        }

    def _residual(self) -> dict[str, str | int | float | bool]:
        return {
            "residual_px": self.residual_px,
            "pairs": self.pairs,
            "duration_s": round(self.duration_s, 3),
            "scene_share": round(self.scene_share, 4),
            "relief": round(self.relief, 4),
            "gyro_over_picture": round(self.gyro_scale, 5),
            "gyro_over_picture_sigma": _short(self.gyro_scale_sigma),
        }


def calibrate_alignment(
    recording: Recording, *, readout: bool = False, progress: Progress | None = None
) -> AlignmentCalibration:
    """Find mounting, clock offset and gyro bias (and readout) from a module turned by hand over any textured scene.

    The module file's own mounting and bias are not used, its clock offset only as the middle of a search over
    ``SEARCH_S`` to either side.

    Parameters
    ----------
    recording
        Video, gyro log and a module with a calibrated camera: some 20 s, turned about all three axes.
    readout
        Whether to find the rolling-shutter time too; else the camera section's holds.
    progress
        Called with a few words before each stage, and while frames are read.

    Raises
    ------
    DataError
        The recording cannot serve: says why, and what to do differently.

    Examples
    --------
    >>> import calib, flow
    >>> recording = flow.open_recording("sample_video/hand-turned", needs_range=False, check_overlap=False)
    >>> found = calib.calibrate_alignment(recording)
    >>> bool(abs(found.time_offset_s - 0.006) < 3 * found.time_offset_sigma_s)  # 6 ms is the truth
    True
    """
    say = progress or (lambda _: None)
    video, module = recording.video(), recording.module
    check_duration(video)
    gyro = _read_gyro(recording)
    pairs = collect_pairs(video, progress=_counting(say, video.frame_count))
    check_texture(pairs, video.path)
    say("clock and mounting, roughly")
    guess_s = module.alignment.time_offset_s
    coarse = find_coarse(pairs, picture_turns(pairs, Lens(module.camera)), gyro, guess_s, recording.gyro_path)
    pairs = _covered(pairs, gyro, coarse.time_offset_s, recording.gyro_path)
    start = _start(pairs, gyro, module, coarse)
    say("clock, mounting, bias" + (", readout" if readout else ""))
    fit = fit_alignment(pairs, gyro, module.camera, start, readout=readout)
    check_fit(fit, coarse, video.path, scale_sigma(module, pairs, fit))
    return _calibration(recording, pairs, gyro, fit, readout=readout)


def _read_gyro(recording: Recording) -> GyroSamples:
    """Read what may belong to the video."""
    chunks = list(recording.gyro())
    time_s = np.concatenate([chunk.time_s for chunk in chunks])
    rate = np.concatenate([chunk.rate_rad_s for chunk in chunks])
    near_s = recording.video().times_s[[0, -1]] + recording.module.alignment.time_offset_s
    near = (time_s > near_s[0] - 2 * SEARCH_S) & (time_s < near_s[1] + 2 * SEARCH_S)
    if near.sum() < 3:
        covered = f"covers {time_s[0]:.3f} to {time_s[-1]:.3f} s, the video {near_s[0]:.3f} to {near_s[1]:.3f} s"
        remedy = "do they share a clock, and is alignment.time_offset_s roughly right?"
        raise DataError(f"{covered} (gyro clock): they do not overlap; {remedy}", path=recording.gyro_path)
    return GyroSamples(time_s=time_s[near], rate_rad_s=rate[near], accel_m_s2=None)


def _counting(say: Progress, total: int) -> Callable[[], None]:
    done = 0

    def count() -> None:
        nonlocal done
        if done % 30 == 0:
            say(f"following points: frame {done} of {total}")
        done += 1

    return count


def _covered(pairs: TurnPairs, gyro: GyroSamples, offset_s: float, path: Path) -> TurnPairs:
    """Give the pairs with matches that the gyro log covers without a gap; not more than serve."""
    log = RotationLog(Gyro(), keep_s=np.inf)
    log.append(gyro)
    good = [
        log.covers(first - _SPARE_S, second + _SPARE_S)
        for first, second in zip(pairs.first_s + offset_s, pairs.second_s + offset_s, strict=True)
    ]
    kept = np.flatnonzero(np.array(good) & pairs.known.any(axis=1))
    lasts_s = len(kept) * float(np.median(np.diff(pairs.first_s)))
    if lasts_s < 0.5 * SHORTEST_S:
        problem = (
            f"covers {lasts_s:.1f} s of the video without a gap; {0.5 * SHORTEST_S:g} s are the least, 20 s are good"
        )
        raise DataError(problem, path=path)
    return pairs.only(kept[:: -(-len(kept) // _MOST_PAIRS)])


def _start(pairs: TurnPairs, gyro: GyroSamples, module: Module, coarse: Coarse) -> Unknowns:
    """Choose the start: the rough mounting, or the one that looks alike where the hand turns about the scene.

    A hand that carries the camera round a point beyond the scene's distance stretches the picture's turn across the view
    by less than nothing: that looks like half a turn about the optical axis.
    """
    some = pairs.only(np.linspace(0, len(pairs) - 1, min(_ROUGH_PAIRS, len(pairs))).astype(np.intp), _ROUGH_TRACKS)
    fits = []
    for half in (np.zeros(3), np.array([0.0, 0.0, np.pi])):
        start = Unknowns(
            R_body_camera=coarse.R_body_camera * Rotation.from_rotvec(half),
            time_offset_s=coarse.time_offset_s,
            bias_rad_s=coarse.bias_rad_s,
            readout_s=module.camera.readout_s,
            normal=np.array([0.0, 0.0, 1.0]),
        )
        axes = TurnModel(some, gyro, module.camera).camera_turns(start, some.middle_s)[:, :, 2].mean(axis=0)
        start = replace(start, normal=axes / np.linalg.norm(axes))
        fits.append(fit_alignment(some, gyro, module.camera, start, rough=True))
    return min(fits, key=lambda fit: fit.typical_px).unknowns


def _calibration(
    recording: Recording, pairs: TurnPairs, gyro: GyroSamples, fit: AlignmentFit, *, readout: bool
) -> AlignmentCalibration:
    at, module = fit.unknowns, recording.module
    sigma = np.hypot(fit.sigma, tracker_sigma(module, pairs, fit)[: len(fit.sigma)])
    noise = module.gyro.noise_per_axis / np.sqrt(np.ptp(pairs.middle_s))
    old = module.alignment
    return AlignmentCalibration(
        source=recording.folder,
        module=module,
        R_body_camera=at.R_body_camera,
        rotation_sigma_rad=sigma[:3],
        time_offset_s=at.time_offset_s,
        time_offset_sigma_s=float(sigma[3]),
        bias_rad_s=at.bias_rad_s,
        bias_sigma_rad_s=np.hypot(sigma[4:7], noise),
        readout_s=max(at.readout_s, 0.0) if readout else None,
        readout_sigma_s=float(sigma[9]) if readout else None,
        mounting_moved_rad=float((at.R_body_camera * old.R_body_camera.inv()).magnitude()),
        offset_moved_s=at.time_offset_s - old.time_offset_s,
        pairs=len(pairs),
        duration_s=float(pairs.second_s[-1] - pairs.first_s[0]),
        scene_share=float(fit.used.sum() / fit.known.sum()),
        relief=fit.relief,
        residual_px=float(np.nanmedian(fit.residual_px)),
        series=turn_series(pairs, gyro, module, fit),
        gyro_scale=fit.gyro_scale,
        gyro_scale_sigma=scale_sigma(module, pairs, fit),
        remarks=remarks(fit, scale_sigma(module, pairs, fit)),
    )


def _origin(of: str, source: Path) -> dict[str, str | int | float | bool]:
    """Give provenance of one figure in a section whose others come from elsewhere."""
    made = provenance(source, {})
    return {f"{of}_{key}": value for key, value in made.items()}


def _short(sigma: Array | float) -> Any:
    """Three digits: nobody can read more out of a sigma."""
    return [float(f"{s:.3g}") for s in sigma] if isinstance(sigma, np.ndarray) else float(f"{sigma:.3g}")
