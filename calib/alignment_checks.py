"""When a recording of a turned module cannot serve, and what the person at the bench should do differently."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from calib.alignment_coarse import SHORTEST_S, Coarse
from calib.alignment_fit import AlignmentFit
from calib.turn_pairs import TurnPairs
from flow.errors import DataError
from flow.figures import with_sigma
from flow.video import Video

_FEWEST_OFFERED = 40  # of 160 places: a quarter of the picture holds something to follow
_FEWEST_MATCHES = 20
_LEAST_SEEN = 0.6  # share of pairs
_LEAST_SCENE = 0.5
_MOST_PX = 2.0
_MOST_MISSING = 0.1  # turn that the gyro does not explain, of all: 2 % is common on codec-worn pictures
_MOST_ROTATION_RAD = np.radians(0.3)  # one-sigma; 0.3 degrees read as 5 mm/s at 1 m height and 1 rad/s
_MOST_OFFSET_S = 2e-3
_MOST_BIAS_SIGMA = 5e-3
_LARGEST_BIAS = 0.35  # rad/s: 20 deg/s, the zero-rate tolerance of cheap MEMS gyros (common practice)
_LONGEST_READOUT_S = 0.2
_FARTHEST_S = 0.1
_GYRO_SCALE_SIGMA = 0.03 / 2.576  # 99 % of common MEMS gyros are within 3 % (common practice)
_SCALE_SIGMAS = 3.29  # false alarms: one sound module in a thousand
_SCALE_VAGUE = 0.03  # a sigma so large tells no gyro from another
_DRIFT_SIGMA = 4.0
_MUCH_RELIEF = 0.03


def check_duration(video: Video) -> None:
    """Refuse a video too short to hold enough turning."""
    lasts_s = float(video.times_s[-1] - video.times_s[0])
    if lasts_s < SHORTEST_S:
        problem = f"lasts {lasts_s:.1f} s; turn the module for 20 s ({SHORTEST_S:g} s at the very least)"
        raise DataError(problem, path=video.path)


def check_texture(pairs: TurnPairs, path: Path) -> None:
    """Refuse pictures in which too little can be followed."""
    offered, matched = float(np.median(pairs.offered)), pairs.known.sum(axis=1)
    if offered < _FEWEST_OFFERED:
        problem = (
            f"too few points to track in the image ({offered:.0f}, {_FEWEST_OFFERED} needed): it is bare, dark or blurred;"
            " turn the module over a textured, well lit scene, with a short exposure"
        )
        raise DataError(problem, path=path)
    seen = float(np.mean(matched >= _FEWEST_MATCHES))
    if seen < _LEAST_SEEN:
        problem = (
            f"points could be followed in {100 * seen:.0f} % of the frames only ({100 * _LEAST_SEEN:.0f} % are needed): turned"
            " too fast for the frame rate, or blurred; turn slower, at a shorter exposure"
        )
        raise DataError(problem, path=path)


def check_fit(fit: AlignmentFit, coarse: Coarse, path: Path, scale_sigma: float) -> None:
    """Refuse a result that does not deserve trust; ``scale_sigma`` is that of ``fit.gyro_scale``, tracker and lens in it."""
    share = float(fit.used.sum() / fit.known.sum())
    expected = float(np.hypot(scale_sigma, _GYRO_SCALE_SIGMA))
    missing = float(np.median(np.linalg.norm(fit.missing_rad, axis=1)) / np.sqrt(np.mean(fit.gyro_turn_rad**2) * 3))
    at, sigma = fit.unknowns, fit.sigma
    if abs(fit.gyro_scale - 1) > _SCALE_SIGMAS * expected:
        problem = (
            f"shows a turn that the gyro reads {with_sigma(fit.gyro_scale, scale_sigma)} times as large, where sound gyros"
            " are within 3 %; is the gyro's scale right, and the focal length in the camera section?"
        )
        raise DataError(problem, path=path)
    if missing > _MOST_MISSING or abs(at.time_offset_s - coarse.time_offset_s) > _FARTHEST_S:
        problem = (
            f"the gyro leaves {100 * missing:.0f} % of the image rotation unexplained; is gyro.csv of this video, and the"
            " camera section of this camera?"
        )
        raise DataError(problem, path=path)
    if share < _LEAST_SCENE or not fit.typical_px < _MOST_PX:
        problem = (
            f"{100 * share:.0f} % of the points move as one still scene, {fit.typical_px:.2g} px off; keep hands and moving"
            " things out of view, and calibrate the lens first"
        )
        raise DataError(problem, path=path)
    for name, value, most, unit in (
        ("mounting", np.degrees(sigma[:3].max()), np.degrees(_MOST_ROTATION_RAD), "degrees"),
        ("clock offset", 1e3 * sigma[3], 1e3 * _MOST_OFFSET_S, "ms"),
        ("gyro bias", 1e3 * sigma[4:7].max(), 1e3 * _MOST_BIAS_SIGMA, "mrad/s"),
    ):
        if not value < most:
            problem = (
                f"leaves the {name} open by {value:.2g} {unit} (one sigma); turn faster, longer, over richer texture"
            )
            raise DataError(problem, path=path)
    _check_values(fit, path)


def remarks(fit: AlignmentFit, scale_sigma: float) -> tuple[str, ...]:
    """Say what to know or to do better, one sentence each; ``scale_sigma`` as in :func:`check_fit`."""
    found = []
    if abs(fit.halves_differ[3]) > _DRIFT_SIGMA:
        found.append(
            f"the clock offset of the two halves of the recording differs by {abs(fit.halves_differ[3]):.1f} sigma: the clocks"
            " of camera and gyro drift apart, or frame times are rough"
        )
    if np.abs(fit.halves_differ[4:7]).max() > _DRIFT_SIGMA:
        found.append("the gyro bias changed during the recording; let the module warm up first")
    if np.abs(fit.halves_differ[:3]).max() > _DRIFT_SIGMA:
        found.append("the mounting of the two halves of the recording differs: is the camera loose?")
    if scale_sigma > _SCALE_VAGUE:
        found.append(
            f"the gyro scale is not observable from this recording ({with_sigma(fit.gyro_scale, scale_sigma)} times the"
            " rotation of the image): turn farther and faster, over richer texture"
        )
    elif abs(fit.gyro_scale - 1) > _SCALE_SIGMAS * scale_sigma:
        found.append(
            f"the gyro reads {with_sigma(fit.gyro_scale, scale_sigma)} times the rotation that the image shows: its scale or"
            " the focal length is off"
        )
    if fit.relief > _MUCH_RELIEF:
        found.append(
            f"the scene is not flat (depth varies by {100 * fit.relief:.0f} %); over a flat floor the same turning says more"
        )
    return tuple(found)


def _check_values(fit: AlignmentFit, path: Path) -> None:
    at, sigma = fit.unknowns, fit.sigma
    if np.abs(at.bias_rad_s).max() > _LARGEST_BIAS:
        axis = int(np.abs(at.bias_rad_s).argmax())
        found = f"{at.bias_rad_s[axis]:.2g} rad/s about {'xyz'[axis]}"
        problem = f"asks for a gyro bias of {found}, beyond any gyro; is it the right log?"
        raise DataError(problem, path=path)
    if len(sigma) > 9 and not -3 * sigma[9] <= at.readout_s <= _LONGEST_READOUT_S:
        problem = f"asks for a readout of {1e3 * at.readout_s:.3g} ms, which no shutter has; are the frame times right?"
        raise DataError(problem, path=path)
