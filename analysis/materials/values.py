"""Numbers in, numbers out: what every formula of `analysis.materials` does with its parameters.

A formula takes numbers or arrays that broadcast with one another. Where all are numbers it gives a number. nan stays
nan. A value outside the formula's range raises OutOfRange, which names the parameter, the value and the range.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from analysis.errors import OutOfRange
from analysis.results import Array

Numbers: TypeAlias = float | Array


def above_zero(name: str, values: ArrayLike) -> Array:
    """`values` as an array; OutOfRange where one is not above zero."""
    array = np.asarray(values, dtype=np.float64)
    return _refused(name, array, array <= 0.0, "above zero")


def not_negative(name: str, values: ArrayLike) -> Array:
    """`values` as an array; OutOfRange where one is below zero."""
    array = np.asarray(values, dtype=np.float64)
    return _refused(name, array, array < 0.0, "zero or above")


def between(name: str, values: ArrayLike, *, low: float, high: float) -> Array:
    """`values` as an array; OutOfRange where one is outside `low` to `high`, bounds included."""
    array = np.asarray(values, dtype=np.float64)
    return _refused(name, array, (array < low) | (array > high), f"{low:g} to {high:g}")


def fraction(name: str, values: ArrayLike) -> Array:
    """`values` as an array; OutOfRange where one is no fraction."""
    return between(name, values, low=0.0, high=1.0)


def row(name: str, values: ArrayLike, *, least: int = 1) -> Array:
    """`values` as one row of finite numbers; OutOfRange for another shape, too few of them, nan or infinity."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or array.size < least:
        raise OutOfRange(f"{name}: expected a row of at least {least} numbers, found the shape {array.shape}")
    if not np.isfinite(array).all():
        raise OutOfRange(f"{name}: expected finite numbers; leave missing ones out")
    return array


def plain(result: Array | np.float64) -> Numbers:
    """A number where the result has no dimension, else the array, read-only."""
    array = np.asarray(result, dtype=np.float64)
    if array.ndim == 0:
        return float(array)
    array.flags.writeable = False
    return array


def _refused(name: str, array: Array, wrong: np.ndarray, expected: str) -> Array:
    if np.any(wrong):
        found = float(array[wrong][0]) if array.ndim else float(array)
        raise OutOfRange(f"{name}: expected {expected}, found {found:g}")
    return array
