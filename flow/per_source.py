"""One value for each source of error: what a consumer keeps or decides of the sources, with none left out.

Every field is required, and named as its source. Whoever writes such a table by hand leaves a source out only at the price
of a type error, and of a ``TypeError`` when the module is imported; nothing is looked up with a default.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Generic, TypeVar

from flow.error_sources import SOURCES, ErrorSource

T = TypeVar("T")
U = TypeVar("U")


@dataclass(frozen=True, slots=True, kw_only=True)
class PerSource(Generic[T]):
    """A value for each of :data:`flow.error_sources.SOURCES`.

    Examples
    --------
    >>> from flow.error_sources import ErrorSource
    >>> from flow.per_source import PerSource
    >>> keys = PerSource.of(lambda source: source.module_key)
    >>> keys.clock, keys[ErrorSource.TILT]
    ('alignment.sigma.time_offset_s', '')
    """

    image: T
    image_drift: T
    height: T
    range: T
    air: T
    focal_length: T
    gyro_noise: T
    gyro_bias: T
    gyro_scale: T
    clock: T
    mounting: T
    tilt: T
    lever_arm: T
    acceleration: T
    frame_times: T
    relief: T
    light: T
    accelerometer: T

    @staticmethod
    def of(value: Callable[[ErrorSource], U]) -> PerSource[U]:
        """Ask for the value of each source."""
        return PerSource(**{source.value: value(source) for source in SOURCES})

    def __getitem__(self, source: ErrorSource) -> T:
        value: T = getattr(self, source.value)
        return value

    def items(self) -> Iterator[tuple[ErrorSource, T]]:
        """Give each source with its value, in order."""
        return ((source, self[source]) for source in SOURCES)

    def values(self) -> Iterator[T]:
        """Give the values, in order."""
        return (self[source] for source in SOURCES)

    def mapped(self, function: Callable[[T], U]) -> PerSource[U]:
        """Give what a function makes of each value."""
        return PerSource(**{source.value: function(self[source]) for source in SOURCES})

    def replaced(self, source: ErrorSource, value: T) -> PerSource[T]:
        """Give the same with another value for one source."""
        return replace(self, **{source.value: value})


if tuple(field.name for field in fields(PerSource)) != tuple(source.value for source in SOURCES):
    raise TypeError("PerSource: its fields must be the sources of error, in their order")
