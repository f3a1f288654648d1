"""Solution in place of six equations with a symmetric, positive definite matrix.

References
----------
.. [1] Golub, Van Loan, Matrix Computations, 4th ed. (2013), 4.2.5: Cholesky's factors.
"""

from __future__ import annotations

import math

from armsim.core.compile import Floats, subroutine

LEAST_DAMPING = 4e-15
"""Least damping, so that the matrix is regular in directions in which the chain cannot move."""


@subroutine
def cholesky_factor(matrix: Floats) -> None:
    """Cholesky factor of a positive definite matrix, written over its lower triangle."""
    for a in range(6):
        for b in range(a + 1):
            value = matrix[a, b]
            for c in range(b):
                value -= matrix[a, c] * matrix[b, c]
            if a == b:  # if the chain cannot move in a direction, its pivot is rounding error: no motion
                matrix[a, a] = math.sqrt(value) if value > 0.25 * LEAST_DAMPING else 1e100
            else:
                matrix[a, b] = value / matrix[b, b]


@subroutine
def solve_with_factor(matrix: Floats, x: Floats) -> None:
    """Solve for a right-hand side, in place, with the matrix that `cholesky_factor` has overwritten."""
    for a in range(6):
        for b in range(a):
            x[a] -= matrix[a, b] * x[b]
        x[a] /= matrix[a, a]
    for a in range(5, -1, -1):
        for b in range(a + 1, 6):
            x[a] -= matrix[b, a] * x[b]
        x[a] /= matrix[a, a]
