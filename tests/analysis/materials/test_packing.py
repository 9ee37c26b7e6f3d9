"""Packing: lattices, Furnas's limits, gradings."""

import math

import numpy as np
import pytest

from analysis.errors import OutOfRange
from analysis.materials.packing import (
    BODY_CENTRED,
    FACE_CENTRED,
    SIMPLE_CUBIC,
    andreasen,
    dinger_funk,
    furnas,
    furnas_shares,
)


def test_lattices_by_counting_spheres_in_a_cell():
    """Spheres of radius r: 4 in a cube of side 2 sqrt(2) r, 2 in one of 4 r / sqrt(3), 1 in one of 2 r."""
    ball = 4.0 / 3.0 * math.pi
    assert pytest.approx(4 * ball / (2 * math.sqrt(2)) ** 3) == FACE_CENTRED
    assert pytest.approx(2 * ball / (4 / math.sqrt(3)) ** 3) == BODY_CENTRED
    assert pytest.approx(ball / 8) == SIMPLE_CUBIC
    assert pytest.approx((0.740480, 0.680175, 0.523599), abs=1e-6) == (FACE_CENTRED, BODY_CENTRED, SIMPLE_CUBIC)


@pytest.mark.parametrize(
    ("packing", "two", "three", "coarse"), [(0.64, 0.8704, 0.953344, 0.735294), (0.60, 0.84, 0.936, 0.714286)]
)
def test_sizes_that_fill_one_anothers_gaps(packing, two, three, coarse):
    assert furnas(packing, sizes=2) == pytest.approx(two, abs=1e-6)
    assert furnas(packing, sizes=3) == pytest.approx(three, abs=1e-6)
    assert furnas_shares(packing, sizes=2)[0] == pytest.approx(coarse, abs=1e-6) == 1 / (2 - packing)
    assert furnas_shares(packing, sizes=5).sum() == pytest.approx(1.0)
    assert furnas(packing, sizes=1) == pytest.approx(packing)


def test_gradings_as_worked_by_hand():
    assert andreasen(0.1, largest=1.0, exponent=0.37) == pytest.approx(0.426580, abs=1e-6)
    assert andreasen(10.0, largest=100.0, exponent=0.5) == pytest.approx(0.316228, abs=1e-6)
    assert dinger_funk(10.0, largest=100.0, smallest=1.0) == pytest.approx(0.299023, abs=1e-6)
    ends = dinger_funk(np.array([1.0, 100.0, np.nan]), largest=100.0, smallest=1.0)
    assert ends[:2] == pytest.approx([0.0, 1.0])
    assert np.isnan(ends[2])


def test_gradings_do_not_depend_on_the_unit():
    one = dinger_funk(10.0, largest=100.0, smallest=1.0)
    assert dinger_funk(10e-6, largest=100e-6, smallest=1e-6) == pytest.approx(one)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: furnas(1.2), "packing"),
        (lambda: furnas(0.6, sizes=0), "sizes"),
        (lambda: dinger_funk(0.5, largest=100.0, smallest=1.0), "diameter"),
        (lambda: dinger_funk(5.0, largest=1.0, smallest=2.0), "smallest"),
        (lambda: andreasen(0.5, largest=1.0, exponent=0.0), "exponent"),
    ],
)
def test_what_is_out_of_range_is_named(call, words):
    with pytest.raises(OutOfRange, match=words):
        call()
