"""How bad a difference from the module file is: what is sure of its cost in speed counts."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calib.fitness.finding import Severity
from calib.fitness.flying import Flying
from flow.module import Module

STOP_M_S, STOP_SHARE = 0.01, 0.02
"""A log is not trustworthy with a hidden error of so much: what a row's own band is at a metre or two, m/s; and of every speed."""

SURE = 4.0
"""So many sigmas make a difference: a dozen figures are looked at in each flight."""

LIKELY = 2.58
"""So many sigmas are worth a look: right figures are off by as much once in a hundred flights."""

_CARE_M_S = 0.003


@dataclass(frozen=True, slots=True, kw_only=True)
class Judging:
    """What findings need to know."""

    module: Module
    flying: Flying

    def severity(self, effect_m_s: float, sigmas: float) -> Severity | None:
        """How bad a difference of so many sigmas is that costs so much speed; what is sure of the cost counts."""
        if abs(sigmas) < SURE:
            return None
        surely = effect_m_s * (1 - 2 / abs(sigmas))
        stop = max(STOP_M_S, STOP_SHARE * self.flying.speed_m_s)
        return "stop" if surely > stop else "care" if surely > _CARE_M_S else "note"

    def effect(self, m_s: float) -> str:
        """Word an effect of this flight."""
        flying = self.flying
        at = f"at {flying.height_m:.2g} m" if flying.height_known else "at 1 m (no height is known)"
        return (
            f"{1000 * m_s:.0f} mm/s RMS {at}, {flying.rocking_rad_s:.2g} rad/s rocking and"
            f" {math.hypot(flying.speed_m_s, flying.climb_m_s):.2g} m/s"
        )
