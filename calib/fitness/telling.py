"""Which figures of the module a flight can tell, and how to fly so that it tells the others.

A recording in which nothing is wrong says nothing for a figure that it does not depend on: over a steady level pass every
range scale fits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.fitness.finding import Estimate, Untold
from calib.fitness.scales import RANGE_RATIO, SPEED_RATIO

_AXES = "xyz"
ROCK = "rock by some degrees once a second about roll, pitch and yaw, for ten seconds"
"""How to fly so that the turns tell the figures of the module file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Figure:
    """``ways`` to tell it: of one of them all quantities must be known to ``enough`` (one-sigma; of px its share)."""

    name: str
    ways: tuple[tuple[str, ...], ...]
    enough: float
    fly: str = ROCK


_FIGURES = (
    _Figure(name="clock offset", ways=(("clock offset",),), enough=3e-3),
    _Figure(name="mounting", ways=(tuple(f"mounting, turn about body {a}" for a in _AXES),), enough=0.0175),
    _Figure(
        name="gyro bias",
        ways=(tuple(f"gyro bias {a}" for a in _AXES), tuple(f"gyro bias {a}, at rest" for a in _AXES)),
        enough=3e-3,
        fly="let the log run for a second before take-off, standing still",
    ),
    _Figure(name="readout", ways=(("readout",),), enough=3e-3),
    _Figure(name="focal length", ways=(("focal length",),), enough=0.02),
    _Figure(
        name="speed scale",
        ways=((SPEED_RATIO,),),
        enough=0.05,
        fly="log the accelerometer, and speed up and brake a few times",
    ),
    _Figure(
        name="range against the image scale",
        ways=((RANGE_RATIO,),),
        enough=0.05,
        fly="climb and sink by a third of the height",
    ),
)


def told_and_untold(estimates: Sequence[Estimate]) -> tuple[tuple[str, ...], tuple[Untold, ...]]:
    """Name the figures that the estimates tell well enough for an error that matters to show, and those they do not."""
    found = {estimate.quantity: estimate for estimate in estimates}
    told = [f for f in _FIGURES if any(all(_known(found[q], f.enough) for q in way) for way in f.ways)]
    return tuple(f.name for f in told), tuple(Untold(figure=f.name, fly=f.fly) for f in _FIGURES if f not in told)


def _known(estimate: Estimate, enough: float) -> bool:
    limit = enough * estimate.by_module if estimate.unit == "px" else enough
    return estimate.sigma is not None and estimate.sigma <= limit
