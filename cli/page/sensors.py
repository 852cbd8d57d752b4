"""Report pages of the range and the gyro calibration."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from cli.page.report import INKS, Chart, Fact, Listing, Page, axis

if TYPE_CHECKING:
    from calib.gyro_noise import AxisNoise, GyroCalibration, Term
    from calib.ranging import RangeCalibration

_AXES = ("x (forward)", "y (right)", "z (down)")
_MOVES = ("right", "forward", "")  # roll moves the picture sideways, pitch along
_ABOUT_Z = "turns the picture about its centre, hardly any speed"


def range_facts(found: RangeCalibration) -> list[Fact]:
    """Scale, offset and noise with what each means for speed."""
    return [
        Fact(
            name="scale",
            value=f"{found.scale:.4f} ± {found.scale_sigma:.4f}",
            meaning=f"speed ± {100 * found.scale_sigma / found.scale:.2f} % at every height",
        ),
        Fact(
            name="offset",
            value=f"{1000 * found.offset_m:+.1f} ± {1000 * found.offset_sigma_m:.1f} mm",
            meaning=f"speed ± {200 * found.offset_sigma_m:.2f} % at 0.5 m, {25 * found.offset_sigma_m:.2f} %
            at 4 m",
        ),
        Fact(
            name="noise of a reading",
            value=f"{1000 * found.noise_m:.1f} ± {1000 * found.noise_sigma_m:.1f} mm",
            meaning=f"one reading leaves speed ± {100 * found.noise_m:.2f} % at 1 m; the height filter
            averages it",
        ),
    ]


def range_page(found: RangeCalibration, module: str) -> Page:
    """Build the page of a range calibration."""
    straight = "a straight line explains them" if found.linear else "a straight line does not explain them"
    if len(found.heights) == 2:
        straight = "two heights cannot show whether the sensor is linear"
    count = sum(height.readings for height in found.heights)
    return Page(
        title=f"Range calibration of {module}",
        summary=f"{count} readings at {len(found.heights)} heights; {straight} (lack of fit p = {found.bent_p:.2g}).",
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
    scale, offset, rho = found.scale_sigma / found.scale, found.offset_sigma_m, found.correlation
    band = 1960 * np.sqrt((scale * at) ** 2 + offset**2 + 2 * rho * scale * offset * at)
    traces: list[dict[str, Any]] = [
        {
            "x": [*at, *at[::-1]], "y": [*band, *(-band[::-1])], "fill": "toself", "line": {"width": 0},
            "fillcolor": "rgba(63,154,104,0.18)", "name": "95 % band of the line", "hoverinfo": "skip",
            "mode": "lines",
        },
        {
            "x": reference, "y": readings, "mode": "markers", "name": "readings kept",
            "marker": {"size": 5, "color": INKS[0], "opacity": 0.35},
        },
        {
            "x": [h.reference_m for h in heights], "y": [1000 * h.residual_m for h in heights], "mode":
            "markers", "name": "mean, with 95 % from tape and noise", "marker": {"size": 9, "color": INKS[1]},
            "error_y": {"array": [1960 * h.residual_sigma_m for h in heights], "color": INKS[1]},
        },
    ]  # fmt: skip
    return Chart(
        title="What is left at each height",
        caption="Fitted distance less taped height. A bow in the means is a sensor that is not linear.",
        traces=traces,
        layout={"xaxis": axis("taped height, m"), "yaxis": axis("fitted less taped, mm")},
    )


def _noise_chart(found: RangeCalibration) -> Chart:
    at = [h.reference_m for h in found.heights]
    traces = [
        {
            "x": at, "y": [1000 * h.noise_m for h in found.heights], "mode": "lines+markers", "name": "at
            this height", "line": {"color": INKS[0]},
        },
        {
            "x": [at[0], at[-1]], "y": [1000 * found.noise_m] * 2, "mode": "lines", "name": "in the file
            (RMS)", "line": {"color": INKS[1], "dash": "dot"},
        },
    ]  # fmt: skip
    return Chart(
        title="Noise of a reading",
        caption="One-sigma scatter of single readings, strays left out.",
        traces=traces,
        layout={"xaxis": axis("taped height, m"), "yaxis": axis("scatter, mm", rangemode="tozero")},
    )


def _height_table(found: RangeCalibration) -> Listing:
    rows = [
        (
            f"{h.reference_m:g} m", f"{h.readings}", f"{h.strays - h.multiples}", f"{h.multiples}",
            f"{1000 * h.noise_m:.1f} mm", f"{1000 * h.residual_m:+.1f} mm", f"{1000 * h.residual_sigma_m:.1f}
            mm",
        )
        for h in found.heights
    ]  # fmt: skip
    columns = ("height", "readings", "strays", "double or triple echoes", "noise", "residual", "expected (one sigma)")
    return Listing(title="Heights", columns=columns, rows=rows)


def gyro_facts(found: GyroCalibration) -> list[Fact]:
    """Bias and noise terms per axis with what each means for speed."""
    facts = []
    for name, moves, noise in zip(_AXES, _MOVES, found.axes, strict=True):
        bias = 1000 * noise.bias_sigma_rad_s
        meaning = f"{moves} speed ± {bias:.2g} mm/s at 1 m, {4 * bias:.2g} at 4 m, for long"
        value = f"{1000 * noise.bias_rad_s:+.3f} ± {bias:.3f} mrad/s"
        facts.append(Fact(name=f"bias about {name}", value=value, meaning=meaning if moves else _ABOUT_Z))
    for name, moves, noise in zip(_AXES, _MOVES, found.axes, strict=True):
        density = noise.noise_rad_s_rthz
        row = 1000 * density.value * math.sqrt(30)
        meaning = f"{moves} speed ± {row:.2g} mm/s at 1 m in a row of 1/30 s"
        value = f"{1000 * density.value:.4f} ± {1000 * density.sigma:.4f} mrad/s/√Hz"
        facts.append(Fact(name=f"noise about {name}", value=value, meaning=meaning if moves else _ABOUT_Z))
    facts += [
        _hidden_or_not(f"bias instability about {name}", noise.instability_rad_s, "mrad/s", "inside the bias sigma")
        for name, noise in zip(_AXES, found.axes, strict=True)
    ]
    facts += [
        _hidden_or_not(f"rate random walk about {name}", noise.walk_rad_s2_rthz, "mrad/s/√s", "drift over minutes")
        for name, noise in zip(_AXES, found.axes, strict=True)
        if noise.walk_rad_s2_rthz.visible
    ]
    return facts


def _hidden_or_not(name: str, term: Term, unit: str, meaning: str) -> Fact:
    if term.visible:
        return Fact(name=name, value=f"{1000 * term.value:.4f} ± {1000 * term.sigma:.4f} {unit}", meaning=meaning)
    return Fact(name=name, value=f"below {1000 * term.limit:.4f} {unit}", meaning="hidden by the noise in this log")


def gyro_page(found: GyroCalibration, module: str) -> Page:
    """Build the page of a gyro calibration."""
    return Page(
        title=f"Gyro calibration of {module}",
        summary=f"{found.duration_s / 60:.1f} minutes at rest, {found.sample_rate_hz:.4g} samples a second.",
        facts=gyro_facts(found),
        remarks=found.remarks,
        charts=[_allan_chart(name, noise) for name, noise in zip(_AXES, found.axes, strict=True)],
        footer=[
            f"From {found.source.name}. Overlapping Allan deviation (NIST SP 1065); terms as in IEEE Std 952:"
            " N read at 1 s, B = floor / 0.664, K read at 3 s.",
        ],
    )


def _allan_chart(name: str, noise: AxisNoise) -> Chart:
    tau = np.geomspace(noise.tau_s[0], noise.tau_s[-1], 80)
    squares = [term.value**2 for term in (noise.noise_rad_s_rthz, noise.instability_rad_s, noise.walk_rad_s2_rthz)]
    floor = squares[1] * 2 * math.log(2) / math.pi
    slopes = {
        "N/√τ": np.sqrt(squares[0] / tau), "0.664 B": np.full_like(tau, math.sqrt(floor)),
        "K√(τ/3)": np.sqrt(squares[2] * tau / 3),
    }  # fmt: skip
    traces: list[dict[str, Any]] = [
        {
            "x": noise.tau_s, "y": 1000 * noise.deviation_rad_s, "mode": "markers", "name": "measured, with
            95 %", "marker": {"color": INKS[0], "size": 8},
            "error_y": {"array": 1960 * noise.deviation_sigma_rad_s, "color": INKS[0]},
        },
        {
            "x": tau, "y": 1000 * np.sqrt(squares[0] / tau + floor + squares[2] * tau / 3), "mode": "lines",
            "name": "fitted", "line": {"color": INKS[1]},
        },
    ]  # fmt: skip
    for ink, (label, curve) in zip(INKS[2:], slopes.items(), strict=True):
        if curve.max() > 0:
            line = {"color": ink, "dash": "dot", "width": 1.5}
            traces.append({"x": tau, "y": 1000 * curve, "mode": "lines", "name": label, "line": line})
    low = 700 * float(noise.deviation_rad_s.min())
    high = 1500 * float(noise.deviation_rad_s.max())
    return Chart(
        title=f"Allan deviation about {name}",
        caption="Falls with slope -1/2 where noise rules, flat at the bias instability, rises where the bias
        walks.", traces=traces,
        layout={
            "xaxis": axis("averaging time τ, s", type="log"),
            "yaxis": axis("mrad/s", type="log", range=[math.log10(low / 2), math.log10(high)]),
        },
    )
