"""The words around the review's charts: the summary, the module's figures and where everything comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from cli.page.report import Fact, Listing
from flow.module import Module
from flow.recording import Recording
from flow.wording import counted

CAUTIONS = (
    "Speed from this module must not be an autopilot's only source. Try it over nobody, within local rules.",
    "Where the log says that there is no speed, an autopilot must have something else to go by.",
)
"""Usual cautions beside a speed log."""

_TELLS_SCALE = 0.06  # one-sigma, share: an error of a quarter would show for sure


def summary_sentence(facts: Mapping[str, Any]) -> str:
    """Say in one sentence how much of the flight has a speed."""
    share = 100 * facts["share_usable"]
    return f"{facts['duration_s']:.1f} s, {counted(facts['rows'], 'row')}, {share:.1f} % of them with a speed to trust."


def without_any_speed(facts: Mapping[str, Any]) -> list[str]:
    """Say why no row has a speed, the commonest reason first; nothing where one has."""
    if facts["rows_usable"]:
        return []
    return [
        f"{held['rows']} of {counted(facts['rows'], 'row')}: {held['meaning']}." for held in facts["status"].values()
    ]


def flight_facts(facts: Mapping[str, Any]) -> list[Fact]:
    """Lines of the result; what no row says is left out."""
    lines = [
        Fact(
            name="rows with a speed",
            value=f"{facts['rows_usable']} of {facts['rows']}",
            meaning=f"{facts['covered_s']:.2f} s of {facts['duration_s']:.2f} s",
        )
    ]
    if facts["rows_usable"]:
        speeds = f"{facts['mean_speed_m_s']:.3f} m/s mean, {facts['top_speed_m_s']:.3f} m/s top"
        lines.append(Fact(name="speed over ground", value=speeds, meaning="level, over the rows with a speed"))
        sigma = facts["median_sigma_m_s"]
        sizes = ", ".join(f"{axis} {1e3 * value:.1f}" for axis, value in sigma.items())
        lines.append(Fact(name="one-sigma, median row", value=f"{sizes} mm/s", meaning="the 95 % band is 1.96 of it"))
        path = f"{facts['distance_m']:.2f} m"
        lines.append(Fact(name="length of the path", value=path, meaning="the noise of a hover lengthens it"))
    if facts["lowest_height_m"] is not None:
        heights = f"{facts['lowest_height_m']:.2f} to {facts['highest_height_m']:.2f} m"
        lines.append(Fact(name="height", value=heights, meaning="of the body origin above the ground under it"))
    for word, held in facts["status"].items():
        if word != "ok":
            lines.append(Fact(name=word.replace("_", " "), value=counted(held["rows"], "row"), meaning=held["meaning"]))
    return lines


def remarks(facts: Mapping[str, Any]) -> list[str]:
    """Tell what a reader of the error bands has to know."""
    told = []
    if unstated := facts.get("unstated_sigmas", ()):
        silent = ", ".join(unstated)
        told.append(f"The bands assume a careful calibration where the module file gives no sigma: {silent}.")
    if untold := untold_scale(facts):
        told.append(f"Scale: {untold}.")
    return told


def untold_scale(facts: Mapping[str, Any]) -> str | None:
    """Say that this flight told nothing of the scale of its speeds; None where it did."""
    sigma = facts.get("speed_scale_sigma", 0.0)
    if sigma is not None and sigma < _TELLS_SCALE:
        return None
    if sigma is not None:
        why = f"too steady to tell it (± {100 * sigma:.0f} %)"
    else:
        why = (
            "no row could be compared with the accelerometer"
            if facts.get("accelerometer")
            else "no accelerometer is logged"
        )
    return f"{why}; focal length and range scale rest on the module file alone"


def longer_baseline(facts: Mapping[str, Any]) -> str:
    """Say how many rows come from images farther apart than their own two frames, and why not all do."""
    if not facts["accelerometer"]:
        return "every row from its own two frames; a longer one needs an accelerometer in gyro.csv"
    share = (
        f"{facts['rows_longer_baseline']} of {counted(facts['rows'], 'row')} from a longer one with the accelerometer"
    )
    return f"{share}, which is taken where it halves the variance; the others from their own two frames"


def module_tables(module: Module) -> list[Listing]:
    """Every figure of the module with its sigma, and the provenance of each section."""
    figures: list[Sequence[str]] = []
    origins: list[Sequence[str]] = []
    for name in ("camera", "alignment", "gyro", "range"):
        section = getattr(module, name)
        values = section.model_dump(exclude={"sigma", "provenance"}, exclude_none=True)
        sigmas = section.sigma.model_dump(exclude_none=True)
        figures += [(name, key, _text(value), _text(sigmas.get(key, ""))) for key, value in values.items()]
        given = "; ".join(f"{key} {_text(value)}" for key, value in section.provenance.items())
        origins.append((name, given or "not recorded in the module file"))
    return [
        Listing(
            title=f"Module {module.name}", columns=("section", "key", "value", "one-sigma"), rows=figures, stacks=True
        ),
        Listing(
            title="Provenance of the calibration values", columns=("section", "provenance"), rows=origins, stacks=True
        ),
    ]


def footer(recording: Recording, reference: Path | None) -> list[str]:
    """Which files this was made from, and by which version."""
    used = [recording.frames.path, recording.times_path, recording.gyro_path, recording.range_path]
    used += [recording.attitude_path, recording.module_path]
    names = ", ".join(str(path) for path in used if path is not None)
    beside = "" if reference is None else f" Reference: {reference}."
    return [f"Measured by groundpace {_version()} from {names}.{beside}"]


def _text(value: object) -> str:
    if isinstance(value, bool | str):
        return str(value)
    if isinstance(value, int | float):
        return f"{value:.7g}"
    if isinstance(value, tuple | list):
        return ", ".join(_text(item) for item in value)
    return str(value)


def _version() -> str:
    try:
        return version("groundpace")
    except PackageNotFoundError:
        return "from its folder"
