"""Spoiled CSV, XLSX, Parquet and TDMS files, setups and results: figures, flags or a named error, never a traceback.

A hundred thousand were tried by `python -m tests.benchmarks.mutations 100000`; those that once failed are listed here.
"""

import pytest

from tests.analysis.mutations import MAKERS, case, fault_of, many

ONCE_FAILED = (
    27,  # a reading of 1e300 overflowed where its spread is squared
    45,  # a gap of 1e300
    105,  # degrees of freedom out of such a reading
    401,  # a digest that is no text in a result
    701,  # a value so far above its uncertainty that it cannot be rounded to it
    1337,  # a list for the seconds of a result
    1847,  # a whole number of fifty digits for a gap
    2082,  # a column whose sum overflows
    11037,  # a power beyond numbers, with which no heat capacity can be fitted
    11713,  # two infinite times
    41028,  # readings infinite both ways
)


def test_none_of_some_hundred_spoiled_files_gives_a_traceback():
    fared, faults = many(600)
    assert faults == {}
    for kind in ("csv", "xlsx", "parquet", "tdms", "toml", "result"):
        assert fared[f"{kind}: refused"] > 0
    assert sum(times for how, times in fared.items() if how.endswith(": figures")) > 60  # not all are beyond use


@pytest.mark.parametrize("number", ONCE_FAILED)
def test_a_spoiled_file_that_once_failed_does_so_no_more(tmp_path, number):
    assert fault_of(number, tmp_path)[1] == ""


def test_a_number_names_its_case():
    assert [case(number).data for number in range(len(MAKERS))] == [case(number).data for number in range(len(MAKERS))]
