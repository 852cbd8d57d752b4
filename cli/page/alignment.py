"""Report page of the alignment calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from cli.page.report import INKS, Chart, Fact, Page, axis, dots, line
from flow.figures import with_sigma
from flow.sections import NOMINAL_MOUNTING_WXYZ
from flow.wording import counted

if TYPE_CHECKING:
    from calib.alignment import AlignmentCalibration

_BODY = ("x (forward)", "y (right)", "z (down)")
_MOUNTED = (
    "tilts the image sideways; little effect on level speed",
    "tilts the image along; little effect on level speed",
    "speed leaks ± {share:.2g} % from one axis into the other",
)


def alignment_facts(found: AlignmentCalibration) -> list[Fact]:
    """Mounting, clock, bias and readout with what each means for speed."""
    nominal = Rotation.from_quat(NOMINAL_MOUNTING_WXYZ, scalar_first=True)
    turned = np.degrees((found.R_body_camera * nominal.inv()).as_rotvec())
    sigma = np.degrees(found.rotation_sigma_rad)
    share = 100 * float(found.rotation_sigma_rad[2])
    facts = [
        Fact(
            name=f"mounting about body {name}",
            value=f"{with_sigma(turned[k], sigma[k], '°', signed=True)} from nominal",
            meaning=_MOUNTED[k].format(share=share),
        )
        for k, name in enumerate(_BODY)
    ]
    clock = 1000 * found.time_offset_sigma_s
    # Rocking of 3 degrees at 1 Hz: angular acceleration 1.46 rad/s^2 RMS.
    facts.append(
        Fact(
            name="camera clock",
            value=with_sigma(1000 * found.time_offset_s, clock, "ms", signed=True),
            meaning=f"speed ± {1.46 * clock:.2g} mm/s at 1 m while rocking 3° at 1 Hz",
        )
    )
    for name, bias, spread in zip(_BODY, found.bias_rad_s, found.bias_sigma_rad_s, strict=True):
        value = with_sigma(1000 * bias, 1000 * spread, "mrad/s", signed=True)
        meaning = f"speed ± {1000 * spread:.2g} mm/s at 1 m, {4000 * spread:.2g} at 4 m"
        if name == _BODY[2]:
            meaning = "rotates the image about its centre; little effect on speed"
        facts.append(Fact(name=f"gyro bias about {name}", value=value, meaning=meaning))
    if found.readout_s is not None and found.readout_sigma_s is not None:
        value = with_sigma(1000 * found.readout_s, 1000 * found.readout_sigma_s, "ms")
        facts.append(Fact(name="readout of all rows", value=value, meaning="corrects the rolling shutter"))
    value = f"{with_sigma(found.gyro_scale, found.gyro_scale_sigma)} of the rotation of the image"
    facts.append(Fact(name="gyro reads", value=value, meaning="1 but for its scale and the focal length"))
    return facts


def alignment_page(found: AlignmentCalibration, module: str, remarks: tuple[str, ...]) -> Page:
    """Build the page of an alignment calibration."""
    moved = f"mounting by {np.degrees(found.mounting_moved_rad):.2f}°, clock by {1000 * found.offset_moved_s:+.2f} ms"
    return Page(
        title=f"Alignment of {module}",
        summary=(
            f"{counted(found.pairs, 'pair')} of frames over {found.duration_s:.1f} s; {100 * found.scene_share:.0f} % of the"
            f" matches agree with one still scene, {found.residual_px:.2f} px are left."
            f" Against the file before: {moved}."
        ),
        facts=alignment_facts(found),
        remarks=remarks,
        charts=[_rate_chart(found), _difference_chart(found), _residual_chart(found), _share_chart(found)],
        footer=[f"From {found.source.name}. Camera time + offset = gyro time; rates in camera axes."],
    )


def _rate_chart(found: AlignmentCalibration) -> Chart:
    series = found.series
    traces: list[dict[str, Any]] = []
    for k in range(3):
        on: dict[str, Any] = {"yaxis": f"y{k + 1}" if k else "y"}
        traces += [
            {**line(series.time_s, series.gyro_rate_before_rad_s[:, k], "gyro, before", INKS[3], dash="dot"), **on},
            {**line(series.time_s, series.gyro_rate_rad_s[:, k], "gyro, now", INKS[1]), **on},
            {**dots(series.time_s, series.camera_rate_rad_s[:, k], "camera", INKS[0], size=3), **on},
        ]
    axes = {
        f"yaxis{k + 1 if k else ''}": axis(
            f"{name}, rad/s", domain=[1 - (k + 1) / 3 + 0.03, 1 - k / 3], automargin=False
        )
        for k, name in enumerate("xyz")
    }
    return Chart(
        title="Turning rates of camera and gyro",
        caption="Camera axes. The gyro must lie on the camera now; before, it may be turned, late or biased.",
        traces=traces,
        layout={"xaxis": axis("gyro time, s", anchor="y3", range=_span(found)), **axes},
        wide=True,
        tall=True,
    )


def _difference_chart(found: AlignmentCalibration) -> Chart:
    series = found.series
    left = 1000 * (series.camera_rate_rad_s - series.gyro_rate_rad_s)
    before = 1000 * (series.camera_rate_rad_s - series.gyro_rate_before_rad_s)
    return Chart(
        title="What is left of the rates",
        caption=f"Camera less gyro now, {_rms(left):.2g} mrad/s RMS; with the file before it was {_rms(before):.2g}.",
        traces=[line(series.time_s, left[:, k], f"about camera {name}", INKS[k]) for k, name in enumerate("xyz")],
        layout={"xaxis": axis("gyro time, s", range=_span(found)), "yaxis": axis("mrad/s")},
    )


def _residual_chart(found: AlignmentCalibration) -> Chart:
    return Chart(
        title="Residual against time",
        caption="RMS of the matches that agree with one still scene.",
        traces=[dots(found.series.time_s, found.series.residual_px, "residual", INKS[0], size=4)],
        layout={
            "xaxis": axis("gyro time, s", range=_span(found)),
            "yaxis": axis("px", rangemode="tozero"),
            "showlegend": False,
        },
    )


def _share_chart(found: AlignmentCalibration) -> Chart:
    share = 100 * found.series.used_share
    return Chart(
        title="Matches that agree",
        caption="A dip is something that moved in view, a blur, or a scene that is far from flat.",
        traces=[line(found.series.time_s, share, "matches that agree", INKS[2])],
        layout={
            "xaxis": axis("gyro time, s", range=_span(found)),
            "yaxis": axis("%", range=[0, 102]),
            "showlegend": False,
        },
    )


def _span(found: AlignmentCalibration) -> list[float]:
    return [float(found.series.time_s[0]), float(found.series.time_s[-1])]


def _rms(values: NDArray[np.float64]) -> float:
    """RMS over what is known; the log before may not reach everywhere."""
    return float(np.sqrt(np.nanmean(np.square(values))))
