"""Damped least squares of a few unknowns, for the fits that every reading makes.

SciPy's `least_squares` does the same and more; loading it takes half a second, which a command that
reads one photo spends once. `tests/test_least_squares.py` holds this to SciPy's answers and to
certified ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

START_DAMPING = 1e-3  # of the largest curvature
STEP = 1e-4  # of an unknown, or of its scale, for slopes from differences


@dataclass(frozen=True)
class Fitted:
    """Where the squares are least: the unknowns ``x`` (N,), and the slopes (M, N) there."""

    x: Array
    slopes: Array


def least_squares(
    missed: Callable[[Array], Array],
    start: ArrayLike,
    scale: ArrayLike,
    slopes: Callable[[Array], Array] | None = None,
    bounds: tuple[ArrayLike, ArrayLike] | None = None,
    most: int = 30,
    tolerance: float = 1e-8,
) -> Fitted:
    """Unknowns that make the sum of squares least, near a start.

    Levenberg's and Marquardt's method, damped as in Madsen, Nielsen and Tingleff, Methods for
    Non-Linear Least Squares Problems (2004), section 3.2; at a bound an unknown that would cross it
    is held.

    Parameters
    ----------
    missed : callable
        Residuals (M,) of unknowns (N,).
    start, scale : array_like, shape (N,)
        Where to begin (within the bounds), and what is a small change of each unknown.
    slopes : callable, optional
        Derivatives (M, N) of the residuals; differences by default.
    bounds : pair of array_like, shape (N,), optional
        Least and greatest values.
    most : int
        Steps tried at most.
    tolerance : float
        Relative change, of the sum or of the unknowns by their scales, at which to end.
    """
    small = np.asarray(scale, float)
    low, high = (np.asarray(b, float) for b in bounds or (-np.inf, np.inf))
    x = np.array(start, float)
    slopes = slopes or (lambda p: _differences(missed, p, small))
    r, j = missed(x), slopes(x) * small
    cost, damping, grow = float(r @ r), 0.0, 2.0
    for _ in range(most):
        steep, curved = j.T @ r, j.T @ j
        damping = damping or START_DAMPING * max(float(curved.diagonal().max()), 1e-300)
        free = ~(((x <= low) & (steep > 0)) | ((x >= high) & (steep < 0)))
        if not free.any():
            break
        damped = curved[np.ix_(free, free)] + damping * np.eye(int(free.sum()))
        step = np.zeros(len(x))
        step[free] = -np.linalg.solve(damped, steep[free])
        moved = np.clip(x + step * small, low, high)
        step = (moved - x) / small
        expected = -float(step @ (2 * steep + curved @ step))
        missed_there = missed(moved)
        gain = cost - float(missed_there @ missed_there)
        ends = float(np.linalg.norm(step)) < tolerance * (
            tolerance + float(np.linalg.norm(x / small))
        )
        if gain > 0 and expected > 0:
            ends |= gain < tolerance * cost and gain > 0.25 * expected
            x, r, cost = moved, missed_there, cost - gain
            j = slopes(x) * small
            damping *= max(1 / 3, 1 - (2 * gain / expected - 1) ** 3)
            grow = 2.0
        else:
            damping, grow = damping * grow, 2 * grow
        if ends:
            break
    return Fitted(x, j / small)


def _differences(missed: Callable[[Array], Array], x: Array, scale: Array) -> Array:
    """Slopes (M, N) from differences to both sides of each unknown."""
    steps = STEP * np.maximum(np.abs(x), scale) * np.eye(len(x))
    return np.stack(
        [(missed(x + s) - missed(x - s)) / (2 * s[k]) for k, s in enumerate(steps)], axis=1
    )
