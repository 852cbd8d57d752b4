"""Report pages of the range and the gyro calibration."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cli.page.report import INKS, Chart, Fact, Listing, Page, axis, dots, line, log_axis
from flow.figures import with_sigma
from flow.wording import counted

if TYPE_CHECKING:
    from calib.gyro_noise import AxisNoise, GyroCalibration, Term
    from calib.ranging import RangeCalibration

_AXES = ("x (forward)", "y (right)", "z (down)")
_MOVES = ("right", "forward", "")  # roll moves the picture sideways, pitch along
_ABOUT_Z = "rotates the image about its centre; little effect on speed"


def range_facts(found: RangeCalibration) -> list[Fact]:
    """Scale, offset and noise with what each means for speed."""
    offset = found.offset_sigma_m
    return [
        Fact(
            name="scale",
            value=with_sigma(found.scale, found.scale_sigma),
            meaning=f"speed ± {100 * found.scale_sigma / found.scale:.2f} % at every height",
        ),
        Fact(
            name="offset",
            value=with_sigma(1000 * found.offset_m, 1000 * offset, "mm", signed=True),
            meaning=f"speed ± {200 * offset:.2f} % at 0.5 m, {25 * offset:.2f} % at 4 m",
        ),
        Fact(
            name="noise of a reading",
            value=with_sigma(1000 * found.noise_m, 1000 * found.noise_sigma_m, "mm"),
            meaning=f"speed ± {100 * found.noise_m:.2f} % at 1 m by one reading; the height filter averages",
        ),
    ]


def range_page(found: RangeCalibration, module: str) -> Page:
    """Build the page of a range calibration."""
    straight = "a straight line explains them" if found.linear else "a straight line does not explain them"
    if len(found.heights) == 2:
        straight = "two heights cannot show whether the sensor is linear"
    count = sum(height.readings for height in found.heights)
    at = f"{counted(count, 'reading')} at {counted(len(found.heights), 'height')}"
    return Page(
        title=f"Range calibration of {module}",
        summary=f"{at}; {straight} (lack of fit p = {found.bent_p:.2g}).",
        facts=range_facts(found),
        remarks=found.remarks,
        charts=[_residual_chart(found), _noise_chart(found)],
        tables=[_height_table(found)],
        footer=[f"From {found.source.name}: distance = scale x range_m + offset_m."],
    )


def _residual_chart(found: RangeCalibration) -> Chart:
    heights = found.heights
    reference = np.concatenate([np.full(len(h.kept_residuals_m), h.reference_m) for h in heights])
    readings = 1000 * np.concatenate([h.kept_residuals_m for h in heights])
    at = np.linspace(0, 1.05 * heights[-1].reference_m, 60)
    scale, offset = found.scale_sigma / found.scale * at, found.offset_sigma_m
    band = 1960 * np.sqrt(scale**2 + offset**2 + 2 * found.correlation * scale * offset)
    edge = line([*at, *at[::-1]], [*band, *-band[::-1]], "95 % band of the line", INKS[2])
    taped, means = [h.reference_m for h in heights], [1000 * h.residual_m for h in heights]
    bars = [1960 * h.residual_sigma_m for h in heights]
    traces = [
        {**edge, "fill": "toself", "line": {"width": 0}, "fillcolor": "rgba(63,154,104,0.18)", "hoverinfo": "skip"},
        {**dots(reference, readings, "readings kept", INKS[0], size=5), "opacity": 0.4},
        dots(taped, means, "mean, with 95 % of tape and noise", INKS[1], size=9, bars=bars),
    ]
    return Chart(
        title="What is left at each height",
        caption="Fitted distance less taped height. A bow in the means is a sensor that is not linear.",
        traces=traces,
        layout={"xaxis": axis("taped height, m"), "yaxis": axis("fitted less taped, mm")},
    )


def _noise_chart(found: RangeCalibration) -> Chart:
    at = [h.reference_m for h in found.heights]
    noise = [1000 * h.noise_m for h in found.heights]
    return Chart(
        title="Noise of a reading",
        caption="One-sigma scatter of single readings, outliers left out.",
        traces=[
            {**dots(at, noise, "at this height", INKS[0]), "mode": "lines+markers"},
            line([at[0], at[-1]], [1000 * found.noise_m] * 2, "in the file (RMS)", INKS[1], dash="dot"),
        ],
        layout={"xaxis": axis("taped height, m"), "yaxis": axis("scatter, mm", rangemode="tozero")},
    )


def _height_table(found: RangeCalibration) -> Listing:
    rows = [
        (
            f"{h.reference_m:g}",
            f"{h.readings}",
            f"{h.strays - h.multiples}",
            f"{h.multiples}",
            f"{1000 * h.noise_m:.1f}",
            f"{1000 * h.residual_m:+.1f}",
            f"{1000 * h.residual_sigma_m:.1f}",
        )
        for h in found.heights
    ]
    columns = ("height, m", "readings", "strays", "repeated echoes", "noise, mm", "residual, mm", "expected, mm")
    return Listing(title="Heights", columns=columns, rows=rows)


def gyro_facts(found: GyroCalibration) -> list[Fact]:
    """Bias and noise terms of each axis with what they mean for speed."""
    facts = []
    for name, moves, noise in zip(_AXES, _MOVES, found.axes, strict=True):
        bias = 1000 * noise.bias_sigma_rad_s
        meaning = f"{moves} speed ± {bias:.2g} mm/s at 1 m, {4 * bias:.2g} at 4 m, row after row"
        value = with_sigma(1000 * noise.bias_rad_s, bias, "mrad/s", signed=True)
        facts.append(Fact(name=f"bias about {name}", value=value, meaning=meaning if moves else _ABOUT_Z))
    for name, moves, noise in zip(_AXES, _MOVES, found.axes, strict=True):
        density = noise.noise_rad_s_rthz
        meaning = f"{moves} speed ± {1000 * density.value * math.sqrt(30):.2g} mm/s at 1 m in a row of 1/30 s"
        value = with_sigma(1000 * density.value, 1000 * density.sigma, "mrad/s/√Hz")
        facts.append(Fact(name=f"noise about {name}", value=value, meaning=meaning if moves else _ABOUT_Z))
    for name, noise in zip(_AXES, found.axes, strict=True):
        facts.append(_slow(f"bias instability about {name}", noise.instability_rad_s, "mrad/s"))
    for name, noise in zip(_AXES, found.axes, strict=True):
        if noise.walk_rad_s2_rthz.visible:
            facts.append(_slow(f"rate random walk about {name}", noise.walk_rad_s2_rthz, "mrad/s/√s"))
    return facts


def _slow(name: str, term: Term, unit: str) -> Fact:
    """Tell a term that is in the sigma of the bias already."""
    if not term.visible:
        value = f"below {1000 * term.limit:.4f} {unit}"
        return Fact(name=name, value=value, meaning="hidden by the noise in this log; in the bias sigma")
    value = with_sigma(1000 * term.value, 1000 * term.sigma, unit)
    return Fact(name=name, value=value, meaning="in the bias sigma")


def gyro_page(found: GyroCalibration, module: str) -> Page:
    """Build the page of a gyro calibration."""
    return Page(
        title=f"Gyro calibration of {module}",
        summary=f"{found.duration_s / 60:.1f} minutes at rest, {found.sample_rate_hz:.4g} Hz.",
        facts=gyro_facts(found),
        remarks=found.remarks,
        charts=[_allan_chart(name, noise) for name, noise in zip(_AXES, found.axes, strict=True)],
        footer=[
            f"From {found.source.name}. Overlapping Allan deviation (NIST SP 1065); terms as in IEEE Std 952:"
            " N read at 1 s, B = floor / 0.664, K read at 3 s.",
        ],
    )


def _allan_chart(name: str, noise: AxisNoise) -> Chart:
    from calib.allan import FLICKER_FLOOR, model_variance

    tau = np.geomspace(noise.tau_s[0], noise.tau_s[-1], 80)
    n, b, k = (t.value for t in (noise.noise_rad_s_rthz, noise.instability_rad_s, noise.walk_rad_s2_rthz))
    floor = b * math.sqrt(FLICKER_FLOOR)
    measured, bars = 1000 * noise.deviation_rad_s, 1960 * noise.deviation_sigma_rad_s
    fitted = 1000 * np.sqrt(model_variance(np.square([n, b, k]), tau))
    traces = [
        dots(noise.tau_s, measured, "measured, with 95 %", INKS[0], bars=bars),
        line(tau, fitted, "fitted", INKS[1]),
        line(tau, 1000 * n / np.sqrt(tau), "N/√τ", INKS[2], dash="dot"),
    ]
    if b > 0:
        traces.append(line(tau, np.full_like(tau, 1000 * floor), "0.664 B", INKS[3], dash="dot"))
    if k > 0:
        traces.append(line(tau, 1000 * k * np.sqrt(tau / 3), "K√(τ/3)", INKS[4], dash="dot"))
    return Chart(
        title=f"Allan deviation about {name}",
        caption="Slope -1/2 where noise rules, flat at the bias instability, rising where the bias walks.",
        traces=traces,
        layout={
            "xaxis": log_axis("averaging time τ, s", tau[0] / 1.3, tau[-1] * 1.3),
            "yaxis": log_axis("deviation, mrad/s", measured.min() / 3, measured.max() * 1.5),
        },
    )
