"""How the filter takes each source of error of a row."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto
from typing import TypeAlias, assert_never

import numpy as np
from numpy.typing import NDArray

from flow.effects import Effects
from flow.per_source import PerSource

Array: TypeAlias = NDArray[np.float64]

LEANING = 0.25
"""Share of a wrong tilt that comes and goes with manoeuvres: rows have it for a moment, an anchor's plane keeps it."""


class Heard(Enum):
    """How the filter takes a source of error."""

    STATE = auto()
    """A state of its own, corrected with the rest: it reaches the filter by other ways than the rows' effects."""
    IMAGE = auto()
    """An error of single frames, which enters two rows with opposite signs (:mod:`flow.fusion.pictures`)."""
    DRIFT = auto()
    """A state that goes on for some rows."""
    LEAN = auto()
    """A state that goes on for seconds: the tilt behind the rows' level axes."""
    CONSIDERED = auto()
    """A constant of the flight that is considered, never learnt, and that the rows carry (:mod:`flow.fusion.considered`)."""
    RANGING = auto()
    """Another that range readings carry: it reaches the velocity through the height."""
    LASTING = auto()
    """Learnt from the flight, and without a sign to keep from row to row: it comes on top."""


HEARD = PerSource(
    image=Heard.IMAGE,
    image_drift=Heard.DRIFT,
    height=Heard.STATE,
    range=Heard.RANGING,
    air=Heard.RANGING,
    focal_length=Heard.CONSIDERED,
    gyro_noise=Heard.STATE,
    gyro_bias=Heard.STATE,
    gyro_scale=Heard.LASTING,
    clock=Heard.CONSIDERED,
    mounting=Heard.CONSIDERED,
    tilt=Heard.LEAN,
    lever_arm=Heard.CONSIDERED,
    acceleration=Heard.DRIFT,
    frame_times=Heard.IMAGE,
    relief=Heard.DRIFT,
    light=Heard.DRIFT,
    accelerometer=Heard.DRIFT,
)
"""By source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardParts:
    """The effects of a row as the filter takes them; see :class:`ImageRow`."""

    image_m2_s2: Array
    drift_m2_s2: Array
    lasting_m2_s2: Array
    considered_m_s: Array
    lean_m_s: Array


def heard_parts(effects: Effects) -> HeardParts:
    """Part the effects of a row by how the filter takes each source (:data:`HEARD`)."""
    image, drift, lasting, lean = np.zeros(3), np.zeros(3), np.zeros(3), np.zeros((3, 2))
    considered = []
    for source, effect in effects.items():
        own, found = effect[:, : source.figures], effect[:, source.figures :]
        match HEARD[source]:
            case Heard.IMAGE:
                image += np.square(effect).sum(axis=1)
            case Heard.DRIFT:
                drift += np.square(effect).sum(axis=1)
            case Heard.LEAN:
                lean[:, : own.shape[1]] = own
                drift += np.square([0.0, 0.0, LEANING]) * np.square(own).sum(axis=1)
            case Heard.CONSIDERED:
                # Beside the figures' own columns stand those that the flight has found, in no steady order.
                columns = np.zeros((3, source.figures))
                columns[:, : own.shape[1]] = own
                considered.append(columns)
                lasting += np.square(found).sum(axis=1)
            case Heard.STATE | Heard.RANGING:
                lasting += np.square(found).sum(axis=1)
            case Heard.LASTING:
                lasting += np.square(effect).sum(axis=1)
            case _ as missing:
                assert_never(missing)
    return HeardParts(
        image_m2_s2=image,
        drift_m2_s2=drift,
        lasting_m2_s2=lasting,
        considered_m_s=np.hstack(considered),
        lean_m_s=lean,
    )
