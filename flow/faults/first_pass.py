"""What the first pass over a flight's first seconds has shown, so that they are measured with it known."""

from __future__ import annotations

from dataclasses import dataclass

from flow.faults.camera_faults import CameraFaults
from flow.faults.doubts import Doubts


@dataclass(frozen=True, slots=True)
class FirstPass:
    """Faults of the camera, as at the first frame, and what the rows will say against the module's figures."""

    camera: CameraFaults
    doubts: Doubts
