"""Ten thousand spoiled files: none gives a traceback. More of them by `python -m tests.benchmarks.mutations`.

make bench
"""

import pytest

from tests.analysis.mutations import many

pytestmark = pytest.mark.bench


def test_none_of_ten_thousand_spoiled_files_gives_a_traceback():
    fared, faults = many(10_000, first=1_000_000)
    print("\n" + ", ".join(f"{how} {times}" for how, times in sorted(fared.items())))
    assert faults == {}
