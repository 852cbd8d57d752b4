"""What a check reports: findings with a remedy, and estimates with a sigma."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal, TypeAlias

Severity: TypeAlias = Literal["stop", "care", "note"]
SEVERITIES: tuple[Severity, ...] = ("stop", "care", "note")
"""``stop``: the speed log would be wrong without saying so, or empty. ``care``: rows will be missing or less exact than
they could be. ``note``: good to know."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One finding.

    ``topic`` is where to look (``frames``, ``picture``, ``gyro``, ``clock``, ``mounting``, ``lens``, ``range`` ...),
    ``what`` was found, ``when_s`` from when to when in the video (None: all along), ``effect`` what it does to the speed,
    ``remedy`` what to do; ``figure`` names the figure of the module file that it accuses, if it is one.
    """

    severity: Severity
    topic: str
    what: str
    when_s: tuple[float, float] | None
    effect: str
    remedy: str
    figure: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value of the module file found again from the flight.

    ``by_flight`` and ``sigma`` are None where the flight cannot tell, and ``why_not`` says why; ``sigmas`` is the
    difference from ``by_module`` over both sigmas together. Values are in ``unit``.
    """

    quantity: str
    unit: str
    by_module: float
    module_sigma: float
    by_flight: float | None = None
    sigma: float | None = None
    why_not: str = ""

    @property
    def sigmas(self) -> float | None:
        """Difference in sigmas, None where the flight cannot tell."""
        if self.by_flight is None or self.sigma is None:
            return None
        both = float((self.sigma**2 + self.module_sigma**2) ** 0.5)
        return (self.by_flight - self.by_module) / max(both, 1e-12)

    def as_dict(self) -> dict[str, Any]:
        """Plain values, the difference included."""
        return {**asdict(self), "sigmas": self.sigmas}


@dataclass(frozen=True, slots=True, kw_only=True)
class Untold:
    """A figure of the module file that the flight says nothing of, right or wrong, and how to fly so that it does."""

    figure: str
    fly: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitness:
    """Everything that a check found.

    ``facts`` by topic and name in SI units, estimates, findings (worst first); ``told`` names the figures of the module
    file that the flight was held against.
    """

    recording: str
    module: str
    facts: dict[str, dict[str, float | int | str | bool | None]]
    estimates: tuple[Estimate, ...]
    findings: tuple[Finding, ...]
    told: tuple[str, ...]
    untold: tuple[Untold, ...]

    @property
    def fit(self) -> bool:
        """Whether nothing makes the log untrustworthy."""
        return not any(finding.severity == "stop" for finding in self.findings)

    def as_dict(self) -> dict[str, Any]:
        """Everything as plain values, for JSON."""
        return {
            "recording": self.recording,
            "module": self.module,
            "fit": self.fit,
            "facts": self.facts,
            "estimates": [estimate.as_dict() for estimate in self.estimates],
            "findings": [asdict(finding) for finding in self.findings],
            "told": list(self.told),
            "untold": [asdict(figure) for figure in self.untold],
        }
