"""A speed log against a reference log: offset in time, scale, bias, RMS, drift and the share inside the bands."""

from flow.accuracy.comparison import AxisAccuracy, Comparison, compare

__all__ = ["AxisAccuracy", "Comparison", "compare"]
