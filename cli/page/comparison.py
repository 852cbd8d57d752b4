"""Report page of a comparison: a speed log against a reference log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from cli.page.comparison_charts import bin_chart, error_chart, scatter_chart
from cli.page.comparison_tables import bin_listing, drift_listing, moment_listing
from cli.page.report import BENCH_CAUTIONS, Fact, Page
from flow.figures import with_sigma
from flow.wording import counted

if TYPE_CHECKING:
    from flow.accuracy.comparison import AxisAccuracy, Comparison

_CAUTIONS = (
    "These figures are of this flight alone: another floor, height or light may be worse.",
    *BENCH_CAUTIONS[1:],
)
_SPARSE_SHARE = 1 / 3  # of the error: a tenth of its square


def comparison_page(found: Comparison, speed: Path, reference: Path, folder: Path) -> Page:
    """Build the page of a comparison that will lie in ``folder``; it links to the review beside the speed log."""
    axes = {"forward": found.forward, "right": found.right, "down": found.down}
    charts = [error_chart(found.pairs), *(scatter_chart(found.pairs, k) for k in range(2))]
    charts += bin_chart("height", "m", found.by_height_m)
    charts += bin_chart("level speed", "m/s", found.by_speed_m_s)
    tables = [
        *moment_listing("Largest level errors", found.largest_errors, speed, folder),
        *moment_listing("Farthest outside the band", found.farthest_outside, speed, folder),
        drift_listing(found),
        *bin_listing("Errors by height", "height, m", found.by_height_m),
        *bin_listing("Errors by level speed", "speed, m/s", found.by_speed_m_s),
    ]
    shift = "" if not found.aligned else " The time shift between them was taken out."
    return Page(
        title=f"{speed.name} against {reference.name}",
        summary=(
            f"{found.rows_compared} of {counted(found.rows, 'row')} compared, {found.rows_usable} with a velocity; "
            f"{found.compared_s:.2f} s, {found.distance_m:.2f} m over the ground. "
            f"Errors are log minus reference.{shift}"
        ),
        facts=[_unbroken(fact) for fact in _facts(found, axes)],
        remarks=_remarks(found, axes),
        charts=charts,
        tables=tables,
        cautions=_CAUTIONS,
        footer=[
            f"From {speed} and {reference}. A row counts against the mean of the reference over its interval. "
            "Sigmas: block jackknife (Künsch 1989) with the covariance of neighbouring blocks, so that they hold "
            "for errors that last."
        ],
    )


def _facts(found: Comparison, axes: dict[str, AxisAccuracy]) -> list[Fact]:
    errors = [_errors(name, axis) for name, axis in axes.items()]
    return [*errors, *_scales(axes), *_bands(axes), *_others(found)]


def _unbroken(fact: Fact) -> Fact:
    """Keep units with their numbers, which a narrow window would part."""
    value, meaning = (
        text.replace(" %", "\u00a0%").replace(" mm/s", "\u00a0mm/s") for text in (fact.value, fact.meaning)
    )
    return Fact(name=fact.name, value=value, meaning=meaning)


def _errors(name: str, axis: AxisAccuracy) -> Fact:
    sigma = None if axis.bias_sigma_m_s is None else 1000 * axis.bias_sigma_m_s
    bias = with_sigma(1000 * axis.bias_m_s, sigma, "mm/s", signed=True)
    return Fact(
        name=f"{name}: errors",
        value=f"RMS {1000 * axis.rms_m_s:.2f} mm/s, bias {bias}",
        meaning=f"{axis.drift_m:+z.3f} m of drift over the compared rows",
    )


def _scales(axes: dict[str, AxisAccuracy]) -> list[Fact]:
    facts = []
    for name, axis in axes.items():
        if axis.scale_error is None or axis.scale_error_sigma is None:
            value, meaning = "not seen", "the reference varies too little along this axis to tell"
        else:
            value = with_sigma(100 * axis.scale_error, 100 * axis.scale_error_sigma, "%", signed=True)
            reads = "reads too fast" if axis.scale_error > 0 else "reads too slow"
            clear = abs(axis.scale_error) > 2 * axis.scale_error_sigma
            meaning = reads if clear else "no scale error seen beyond two sigma"
        facts.append(Fact(name=f"{name}: scale error", value=value, meaning=meaning))
    return facts


def _bands(axes: dict[str, AxisAccuracy]) -> list[Fact]:
    facts = []
    for name, axis in axes.items():
        sigma = None if axis.share_95_sigma is None else 100 * axis.share_95_sigma
        stretch = "" if axis.band_stretch is None else f"{axis.band_stretch:.2f} times as wide it would hold 95 %"
        held = with_sigma(100 * axis.share_95, sigma, "%") if sigma else f"{100 * axis.share_95:.1f} %"
        value = f"{held} in the 95 % band, {100 * axis.share_50:.1f} % in the 50 % band"
        facts.append(Fact(name=f"{name}: bands", value=value, meaning=stretch))
    return facts


def _others(found: Comparison) -> list[Fact]:
    facts = []
    if (height := found.height) is not None:
        banded = "" if height.share_95 is None else f"{100 * height.share_95:.1f} % in its 95 % band"
        value = f"{1000 * height.rms_m:.1f} mm RMS, {1000 * height.bias_m:+z.1f} mm bias"
        facts.append(Fact(name="height", value=value, meaning=banded))
    if found.drift_share is not None:
        meaning = "level drift at the end over the distance flown"
        facts.append(Fact(name="drift", value=f"{100 * found.drift_share:.2f} % of the distance", meaning=meaning))
    shift = found.time_shift
    value = "unknown" if shift is None else with_sigma(1000 * shift.shift_s, 1000 * shift.sigma_s, "ms", signed=True)
    meaning = "not observable from this motion" if shift is None else "log time + shift = reference time"
    return [*facts, Fact(name="time shift", value=value, meaning=meaning)]


def _remarks(found: Comparison, axes: dict[str, AxisAccuracy]) -> list[str]:
    remarks = []
    for name, axis in axes.items():
        if axis.too_narrow:
            stretch = "" if axis.band_stretch is None else f": it should be {axis.band_stretch:.2f} times as wide"
            remarks.append(f"The band {name} is too narrow{stretch}. Do not trust its sigma as it is.")
    shift = found.time_shift
    if shift is not None and not found.aligned and abs(shift.shift_s) > 2 * shift.sigma_s:
        size = with_sigma(1000 * abs(shift.shift_s), 1000 * shift.sigma_s, "ms")
        remarks.append(f"The logs are {size} apart in time, which adds to the errors: see --align.")
    if (between := found.reference.between_samples_m_s) is not None:
        for (name, axis), bend in zip(axes.items(), between, strict=True):
            if bend > _SPARSE_SHARE * axis.rms_m_s:
                step = f"{1000 * found.reference.step_s:.0f} ms apart"
                remarks.append(
                    f"The samples of the reference are {step}: straight lines between them may be "
                    f"{1000 * bend:.1f} mm/s off {name} (RMS), which counts as error of the log."
                )
    if left := found.rows_usable - found.rows_compared:
        count = found.reference.gaps
        gaps = "" if not count else ", which has a gap" if count == 1 else f", which has {count} gaps"
        remarks.append(
            f"{counted(left, 'row')} with a velocity {'is' if left == 1 else 'are'} not covered by the reference{gaps}."
        )
    if not found.height_by_reference and found.by_height_m:
        remarks.append("The reference gives no height: errors are shown against the log's own.")
    return remarks
