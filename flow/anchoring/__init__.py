"""Position over ground held by registering every picture against an earlier one that is still in view.

``view`` are the equations between the two pictures, ``fit`` solves them, ``position`` keeps the anchors and chooses.
"""

from flow.anchoring.position import Position, PositionKeeper

__all__ = ["Position", "PositionKeeper"]
