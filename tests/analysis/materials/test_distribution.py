"""Whole size distributions: sizes and means against the log-normal law and a handbook example; bad rows by number."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from analysis.errors import OutOfRange, UnreadableFile
from analysis.materials.distribution import size_table
from analysis.materials.particle_size import LogNormal, mean_diameter
from analysis.materials.size_reading import read_pairs, read_size_file

LAW = LogNormal(10e-6, 0.5)
SIZES = np.geomspace(0.2e-6, 400e-6, 400)


def test_the_sizes_and_means_of_a_log_normal_powder_are_those_of_the_law() -> None:
    # T. Hatch, S. P. Choate, J. Franklin Inst. 207 (1929) 369, and ISO 9276-5: x50 10 um, s 0.5 gives D10 5.268835,
    # D90 18.979527, D[4,3] 11.331485, D[3,2] 8.824969 um; fluids.PSDLognormal agrees to 1e-12
    table = size_table(SIZES, np.asarray(LAW.below(SIZES)), form="below", basis="volume")
    found = [table.quantile(share) * 1e6 for share in (0.1, 0.5, 0.9)]
    assert found == pytest.approx([5.268835, 10.0, 18.979527], rel=1e-3)
    assert table.mean(4, 3) * 1e6 == pytest.approx(11.331485, rel=1e-3)
    assert table.mean(3, 2) * 1e6 == pytest.approx(8.824969, rel=1e-3)


def test_the_same_powder_counted_by_number_has_the_same_sizes_by_volume() -> None:
    # Hatch-Choate: the number median of that powder is 4.723666 um
    counted = 100 * ndtr(np.log(SIZES / 4.723666e-6) / 0.5)
    table = size_table(SIZES, counted, form="below", basis="number")
    assert table.quantile(0.5) * 1e6 == pytest.approx(10.0, rel=2e-3)
    assert table.mean(3, 2) * 1e6 == pytest.approx(8.824969, rel=1e-3)
    assert np.interp(0.5, np.cumsum(table.number), table.edges[1:] * 1e6) == pytest.approx(4.7237, rel=0.02)


def test_narrow_classes_give_the_means_of_the_worked_counts() -> None:
    # N = 100, 50, 10 at 5, 10, 20 um: D[4,3] 15.175439, D[3,2] 12.391304, D[1,0] 7.5 um (ISO 9276-2, moment ratios)
    sizes = [d * side for d in (5e-6, 10e-6, 20e-6) for side in (1 - 1e-7, 1 + 1e-7)]
    table = size_table(sizes, [0, 100, 0, 50, 0, 10], form="classes", basis="number")
    assert table.mean(4, 3) * 1e6 == pytest.approx(15.175439, rel=1e-6)
    assert table.mean(3, 2) * 1e6 == pytest.approx(12.391304, rel=1e-6)
    assert table.mean(1, 0) * 1e6 == pytest.approx(7.5, rel=1e-6)
    assert table.mean(4, 3) == pytest.approx(
        mean_diameter([5e-6, 10e-6, 20e-6], counts=[100, 50, 10], p=4, q=3), rel=1e-6
    )


@given(
    shares=st.lists(st.floats(0.01, 1.0), min_size=3, max_size=30),
    scale=st.floats(0.01, 100.0),
    basis=st.sampled_from(["volume", "number"]),
)
@settings(max_examples=60, deadline=None)
def test_means_lie_inside_rise_with_their_order_and_scale_with_the_sizes(shares, scale, basis) -> None:
    amounts = np.array(shares) / sum(shares)
    sizes = 1e-6 * 1.3 ** np.arange(amounts.size)
    table = size_table(sizes, amounts, form="classes", basis=basis)
    means = [table.mean(1, 0), table.mean(2, 1), table.mean(3, 2), table.mean(4, 3)]
    assert all(small <= large * (1 + 1e-12) for small, large in pairwise(means))
    assert table.edges[0] <= means[0]
    assert means[-1] <= table.edges[-1]
    assert table.edges[0] <= table.quantile(0.1) <= table.quantile(0.5) <= table.quantile(0.9) <= table.edges[-1]
    larger = size_table(sizes * scale, amounts, form="classes", basis=basis)
    assert larger.mean(4, 3) == pytest.approx(table.mean(4, 3) * scale, rel=1e-9)
    assert larger.quantile(0.5) == pytest.approx(table.quantile(0.5) * scale, rel=1e-9)


@pytest.mark.parametrize(
    ("sizes", "amounts", "form", "words"),
    [
        ([1e-6, 3e-6, 2e-6], [10, 50, 100], "below", "line 3: the size does not rise"),
        ([1e-6, 2e-6, 3e-6], [10, 5, 100], "below", "line 2: the share falls"),
        ([1e-6, 2e-6, 3e-6], [10, 50, 93], "below", "line 3: the curve ends at 93 %"),
        ([1e-6, 2e-6, 3e-6], [10, 50, 30], "classes", "come to 90 together"),
        ([1e-6, 2e-6, -3e-6], [10, 50, 40], "classes", "line 3: a size above zero"),
        ([1e-6, 2e-6, 3e-6], [10, -50, 140], "classes", "line 2: an amount of zero or more"),
        ([1e-6, 2e-6], [10, 100], "below", "three rows or more"),
    ],
)
def test_a_bad_table_names_its_row(sizes, amounts, form, words) -> None:
    with pytest.raises(OutOfRange, match=words):
        size_table(sizes, amounts, form=form, basis="volume")


@pytest.mark.parametrize(
    "text",
    [
        "size [um]\tbelow\n1\t0\n2,5\t40\n10\t100\n",
        "Size (µm);below (%)\n1;0\n2,5;40\n10;100",
        "# of Tuesday\nsize [um],below\n1,0\n2.5,40\n10,100\n",
        "size [um]  below\n 1   0\n 2.5   40\n10 100 ",
    ],
)
def test_pasted_rows_are_read_as_people_write_them(text: str) -> None:
    found = read_pairs(text)
    assert (found.sizes, found.amounts, found.unit) == ((1.0, 2.5, 10.0), (0.0, 40.0, 100.0), "um")


def test_every_bad_row_is_named() -> None:
    with pytest.raises(UnreadableFile, match=r"row 3: 'x' is not a number; row 5: 3 columns"):
        read_pairs("size;below\n1;0\n2;x\n3;50\n4;60;7\n5;100")
    with pytest.raises(UnreadableFile, match="no row begins with a number"):
        read_pairs("size;below\n")


def test_a_workbook_is_read_like_text(tmp_path: Path) -> None:
    path = tmp_path / "sizes.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet()
        for row, cells in enumerate([("Size [nm]", "below"), (100, 0), (250.5, 40), (1000, 100)]):
            sheet.write_row(row, 1, cells)
    found = read_size_file(path, file="sizes.xlsx")
    assert (found.sizes, found.amounts, found.unit) == ((100.0, 250.5, 1000.0), (0.0, 40.0, 100.0), "nm")
    assert found.lines == (2, 3, 4)
    broken = tmp_path / "broken.xlsx"
    broken.write_bytes(b"PK\x03\x04 no archive")
    with pytest.raises(UnreadableFile, match=r"broken\.xlsx"):
        read_size_file(broken, file="broken.xlsx")
