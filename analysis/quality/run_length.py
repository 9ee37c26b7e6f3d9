"""How long a chart runs before it signals: while nothing is wrong, and after the level shifted.

The weighted average and the cumulative sum are Markov chains on a fine grid of states; with R the transitions between
states without a signal, the average run length from state s is row s of (I - R)^-1 times ones.

1. Brook and Evans (1972), Biometrika 59, 539 (cumulative sum); Lucas and Saccucci (1990), Technometrics 32, 1 (weighted
   average).
"""

from __future__ import annotations

import numpy as np
from scipy import special

from analysis.results import Array

STATES = 201


def run_length_of_limits(*, shift: float = 0.0, reach: float = 3.0) -> float:
    """Average run length of limits at +- `reach` sigma after a `shift` [sigma]; 370.4 for 3 and no shift."""
    outside = special.ndtr(-reach - shift) + special.ndtr(-reach + shift)
    return float(1.0 / outside)


def run_length_of_weighted_average(*, weight: float, reach: float, shift: float = 0.0) -> float:
    """Average run length of a weighted average with limits of its final width, started at the level. [1]"""
    limit = reach * np.sqrt(weight / (2.0 - weight))
    edges = np.linspace(-limit, limit, STATES + 1)
    middles = 0.5 * (edges[1:] + edges[:-1])
    # from state z the next is w x + (1 - w) z, x normal about the shift
    bounds = (edges[None, :] - (1.0 - weight) * middles[:, None]) / weight - shift
    return float(_lengths(np.diff(special.ndtr(bounds), axis=1))[STATES // 2])


def run_length_of_sums(*, slack: float = 0.5, height: float = 5.0, shift: float = 0.0) -> float:
    """Average run length of the two-sided cumulative sum from zero: 1/L = 1/L+ + 1/L-. All in sigma."""
    upward, downward = (_one_sided(slack, height, sign * shift) for sign in (1.0, -1.0))
    return float(1.0 / (1.0 / upward + 1.0 / downward))


def _one_sided(slack: float, height: float, shift: float) -> float:
    width = 2.0 * height / (2 * STATES - 1)
    states = width * np.arange(STATES)
    upper = states[None, :] + 0.5 * width - states[:, None] + slack - shift
    below = special.ndtr(upper)
    moves = np.diff(below, axis=1, prepend=0.0)
    moves[:, 0] = below[:, 0]
    return float(_lengths(moves)[0])


def _lengths(moves: Array) -> Array:
    return np.asarray(np.linalg.solve(np.eye(moves.shape[0]) - moves, np.ones(moves.shape[0])), dtype=float)
