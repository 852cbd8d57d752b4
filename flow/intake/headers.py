"""What a column's name says: which part of a recording, which axis, which unit."""

from __future__ import annotations

import re
from dataclasses import dataclass

from flow.intake.mapping import DIMENSIONS
from flow.intake.units import spelt
from flow.series import ACCEL_COLUMNS, GYRO_COLUMNS, TRUTH_COLUMNS

_AXIS = {"x": 0, "y": 1, "z": 2}
_TURNS = {"roll": 0, "pitch": 1, "yaw": 2}
_WORDS: dict[str, frozenset[str]] = {
    "gyro": frozenset({"gyro", "gyr", "gyroscope", "gyros", "omega", "angvel", "rotrate", "g", "w"}),
    "accel": frozenset({"accel", "acc", "acceleration", "accelerometer", "specforce", "a"}),
    "range": frozenset(
        {
            "range",
            "rng",
            "dist",
            "distance",
            "lidar",
            "sonar",
            "tof",
            "laser",
            "rangefinder",
            "ultrasonic",
            "ultrasound",
        }
    ),
}
_TIME = frozenset(
    {
        "time",
        "timestamp",
        "t",
        "ts",
        "stamp",
        "micros",
        "millis",
        "nanos",
        "elapsed",
        "datetime",
        "seconds",
        "sec",
        "clock",
    }
)
_AIR = (frozenset({"temp", "temperature"}), frozenset({"air", "ambient", "outside", "outdoor"}))
_RATE = frozenset({"rate", "rates", "speed", "vel", "velocity", "dot", "p", "q", "r"})
# What is derived, wanted or told about a reading is not the reading.
_NOT = frozenset(
    [
        *(
            "bias",
            "var",
            "variance",
            "std",
            "stddev",
            "sigma",
            "cov",
            "setpoint",
            "sp",
            "desired",
            "des",
            "target",
            "cmd",
        ),
        *(
            "command",
            "ref",
            "mag",
            "status",
            "quality",
            "signal",
            "strength",
            "min",
            "max",
            "valid",
            "id",
            "snr",
            "error",
        ),
        *("err", "count", "cnt", "integral", "int", "health", "temp", "temperature"),
    ]
)


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a name says. ``family`` is the name without axis and unit: columns of one sensor share it."""

    part: str
    axis: int | None
    unit: str | None
    family: str


def meaning(name: str) -> Meaning | None:
    """Read a column's name; None where it says nothing that a recording needs.

    Examples
    --------
    >>> meaning("GyroX (deg/s)")
    Meaning(part='gyro', axis=0, unit='deg/s', family='gyro')
    >>> meaning("time_us").unit
    'us'
    """
    if (ours := _ours(name)) is not None:
        return ours
    bare, bracketed = _unit_in_brackets(name)
    tokens = _tokens(bare)
    words = set(tokens)
    if words & _AIR[0] and words & _AIR[1]:
        return _one("air_temperature", tokens, bracketed)
    turn = next((token for token in tokens if token in _TURNS), None)
    if words & _NOT:
        return None
    if turn is not None:
        if words & _RATE:
            return _with_unit("gyro", _TURNS[turn], tokens, {turn}, bracketed)
        if turn != "yaw":
            return _with_unit("attitude", _TURNS[turn], tokens, {turn}, bracketed)
        return None
    for part in ("gyro", "accel"):
        if (found := _vector(part, tokens, bracketed)) is not None:
            return found
    if bracketed is not None and (found := _by_unit(tokens, bracketed)) is not None:
        return found
    if words & _WORDS["range"]:
        return _one("range", tokens, bracketed)
    if words & _TIME or tokens in (["us"], ["ms"], ["ns"]):
        return _one("time", tokens, bracketed)
    return None


def _ours(name: str) -> Meaning | None:
    """Read the names of the recording format itself."""
    for part, names, unit in (("gyro", GYRO_COLUMNS, "rad/s"), ("accel", ACCEL_COLUMNS, "m/s^2")):
        if name in names:
            return Meaning(part, names.index(name), unit, part)
    if name in TRUTH_COLUMNS[:3]:
        return Meaning("velocity", TRUTH_COLUMNS.index(name), "m/s", "velocity")
    return Meaning("height", None, "m", "height") if name == TRUTH_COLUMNS[3] else None


def _unit_in_brackets(name: str) -> tuple[str, str | None]:
    found = re.fullmatch(r"(.*?)\s*[\[({]\s*([^\])}]*?)\s*[\])}]\s*", name)
    if found is None or not found[1] or found[2].isdigit():
        return name, None
    return found[1], found[2]


def _tokens(name: str) -> list[str]:
    spaced = re.sub(r"([a-z])([A-Z])", r"\1 \2", name)
    spaced = re.sub(r"([A-Z]+)([A-Z][a-z])", r"\1 \2", spaced)
    return [token for token in re.split(r"[^a-z0-9²°µ]+", spaced.lower()) if token]


def _vector(part: str, tokens: list[str], bracketed: str | None) -> Meaning | None:
    """Read an axis of a vector: ``gyro_x``, ``gx``, ``GyrX``, ``gyro[0]``, or p, q, r by themselves."""
    if part == "gyro" and len(tokens) == 1 and tokens[0] in ("p", "q", "r"):
        return Meaning(
            "gyro", "pqr".index(tokens[0]), None if bracketed is None else spelt("turn rate", bracketed), "pqr"
        )
    words, apart = _WORDS[part], {"angular", "velocity"} if part == "gyro" else {"specific", "force"}
    for i, token in enumerate(tokens):
        stem, last = token.rstrip("0123456789"), token[-1:]
        if token[:-1] in words and last in _AXIS:
            return _with_unit(part, _AXIS[last], tokens, {token}, bracketed, keep=token[:-1])
        if stem in words or apart <= set(tokens):
            axis = next((t for t in tokens[i:] if t in _AXIS), None) or next(
                (t for t in tokens[:i] if t in _AXIS), None
            )
            if axis is not None and (len(stem) > 1 or stem not in words):
                return _with_unit(part, _AXIS[axis], tokens, {axis}, bracketed)
            number = next((t for t in tokens[i + 1 :] if t in ("0", "1", "2")), None)
            if number is not None and len(stem) > 1:
                return _with_unit(part, int(number), tokens, {number}, bracketed)
    return None


def _by_unit(tokens: list[str], bracketed: str) -> Meaning | None:
    """Read a vector by its unit alone, whatever it is called: ``Rot X (deg/s)``."""
    for part in ("gyro", "accel"):
        if spelt(DIMENSIONS[part], bracketed) is not None:
            for token in reversed(tokens):
                if token[-1] in _AXIS:
                    stem = [token[:-1]] if len(token) > 1 else []
                    return _with_unit(part, _AXIS[token[-1]], tokens, {token}, bracketed, keep=" ".join(stem))
    return None


def _one(part: str, tokens: list[str], bracketed: str | None) -> Meaning:
    return _with_unit(part, None, tokens, set(), bracketed)


def _with_unit(
    part: str,
    axis: int | None,
    tokens: list[str],
    axis_tokens: set[str],
    bracketed: str | None,
    keep: str | None = None,
) -> Meaning:
    dimension = DIMENSIONS[part]
    unit = None if bracketed is None else spelt(dimension, bracketed)
    rest = [token for token in tokens if token not in axis_tokens]
    if unit is None:
        for count in (3, 2, 1):
            if len(tokens) > count and (unit := spelt(dimension, "/".join(tokens[-count:]))) is not None:
                rest = [token for token in tokens[:-count] if token not in axis_tokens]
                break
    if unit is None and part == "time":
        told = {"micros": "us", "millis": "ms", "nanos": "ns", "us": "us", "ms": "ms", "ns": "ns"}
        unit = next((told[token] for token in tokens if token in told), None)
    return Meaning(part, axis, unit, " ".join([*rest, *([] if keep is None else [keep])]))
