"""Which way the axes of a log point: signed permutations such as ``x=-y y=x z=z``."""

from __future__ import annotations

import re
from itertools import permutations, product
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError

Array: TypeAlias = NDArray[np.float64]

_NAMES = "xyz"
AS_LOGGED = "x=x y=y z=z"


def R_body_log(text: str) -> Array:
    """Read axes: the matrix (3, 3) that turns vectors of the log into body vectors.

    ``x=-y`` says that body x (forward) is what the log calls minus y.

    Raises
    ------
    DataError
        Not three different axes, or a mirror image, which no mounting makes.

    Examples
    --------
    >>> R_body_log("x=-y y=x z=z") @ [1.0, 2.0, 3.0]
    array([-2.,  1.,  3.])
    """
    terms = [re.fullmatch(r"([xyz])=([+-]?)([xyz])", term) for term in re.split(r"[,;\s]+", text.strip().lower())]
    known = [term for term in terms if term is not None]
    if len(terms) != 3 or len({term[1] for term in known}) != 3 or len({term[3] for term in known}) != 3:
        raise DataError(f"{text!r} is not three axes; write for example {AS_LOGGED!r} or 'x=-y y=x z=z'", key="axes")
    matrix = np.zeros((3, 3))
    for term in known:
        matrix[_NAMES.index(term[1]), _NAMES.index(term[3])] = -1.0 if term[2] == "-" else 1.0
    if np.linalg.det(matrix) < 0:
        problem = f"{text!r} is a mirror image, which no mounting makes; turn the sign of one axis, or swap two"
        raise DataError(problem, key="axes")
    return matrix


def axes_text(matrix: Array) -> str:
    """Write a signed permutation as :func:`R_body_log` reads it."""
    terms = []
    for name, row in zip(_NAMES, matrix, strict=True):
        k = int(np.abs(row).argmax())
        terms.append(f"{name}={'-' if row[k] < 0 else ''}{_NAMES[k]}")
    return " ".join(terms)


def nearest_axes(rotation: Array) -> tuple[Array, float]:
    """Signed permutation (3, 3) nearest to a rotation, and the angle between them, rad."""
    candidates = [
        matrix
        for order in permutations(range(3))
        for signs in product((1.0, -1.0), repeat=3)
        if np.linalg.det(matrix := np.diag(signs)[:, order]) > 0
    ]
    best = max(candidates, key=lambda matrix: float(np.trace(matrix.T @ rotation)))
    return best, float(np.arccos(np.clip((np.trace(best.T @ rotation) - 1) / 2, -1, 1)))
