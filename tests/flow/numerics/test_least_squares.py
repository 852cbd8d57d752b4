"""Loops over equations against NumPy's linear algebra."""

from __future__ import annotations

import numpy as np
import pytest

from flow.numerics.least_squares import inverted, normal_equations, squared_misses, whitened


def equations(unknowns: int, seed: int, matches: int = 12) -> tuple[np.ndarray, np.ndarray]:
    """Rows (N, 2, M) in units a thousand times apart, and targets (N, 2)."""
    rng = np.random.default_rng(seed)
    rows = rng.normal(size=(matches, 2, unknowns)) * 10 ** rng.uniform(-3, 3, unknowns)
    return rows, rng.normal(size=(matches, 2))


@pytest.mark.parametrize("unknowns", [3, 4, 8])
@pytest.mark.parametrize("seed", range(5))
def test_solution_is_that_of_least_squares(unknowns: int, seed: int) -> None:
    # Source: numpy.linalg.lstsq of the weighted equations, and inv. 1e-9 of a sigma: double precision times the condition
    # that is left when every unknown has its own unit.
    rows, target = equations(unknowns, seed)
    weight = np.random.default_rng(seed + 100).uniform(0.1, 2, len(rows))
    square, product = normal_equations(rows, target, weight)
    root = np.repeat(np.sqrt(weight), 2)
    expected = np.linalg.lstsq(rows.reshape(-1, unknowns) * root[:, None], target.ravel() * root, rcond=None)[0]
    inverse = inverted(square)
    sigma = np.sqrt(np.diag(inverse))
    np.testing.assert_allclose(inverse @ product / sigma, expected / sigma, rtol=0, atol=1e-9)
    np.testing.assert_allclose(
        inverse / np.outer(sigma, sigma), np.linalg.inv(square) / np.outer(sigma, sigma), atol=1e-9
    )


def test_unknowns_that_are_not_determined_are_not_given() -> None:
    # Closed form: one match is two equations, and says nothing of a third unknown; nor do none, nor NaN.
    rows, target = equations(3, 1, matches=1)
    square, _ = normal_equations(rows, target, np.ones(1))
    for singular in (square, np.zeros((3, 3)), np.full((3, 3), np.nan)):
        assert np.isnan(inverted(singular)).all()


def test_whitened_misses_have_unit_variance() -> None:
    # Closed form: m' C^-1 m of a match, whatever the solution; 1e-9 as above.
    rows, target = equations(3, 2)
    rng = np.random.default_rng(3)
    root = rng.normal(size=(len(rows), 2, 2))
    covariance = root @ root.transpose(0, 2, 1) + 0.1 * np.eye(2)
    solution = rng.normal(size=3)
    miss = target - rows @ solution
    expected = np.einsum("ni,nij,nj->n", miss, np.linalg.inv(covariance), miss)
    np.testing.assert_allclose(squared_misses(*whitened(rows, target, covariance), solution), expected, rtol=1e-9)
