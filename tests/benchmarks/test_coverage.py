"""The whole campaign: whole runs reduced as a laboratory would, their 95 % intervals held against the truth.

make bench
"""

import pytest

from tests.analysis.campaign import CAMPAIGN, held, shares

pytestmark = pytest.mark.bench

STUDIES = {
    "steady": 600,
    "series": 2000,
    "ageing": 2000,
    "drift": 1500,
    "cycles": 1000,
    "thinning": 600,
    "press": 1000,
    "approach": 1000,
}


@pytest.mark.parametrize("method", CAMPAIGN)
def test_intervals_hold_the_truth_in_92_to_97_of_100_studies(method):
    collected, refused = held(CAMPAIGN[method], range(STUDIES[method]))
    found = shares(collected)
    for name, share in found.items():
        print(f"\n{method:9} {name:22} {100 * share:5.1f} % of {len(collected[name])}", end="")
    print(f"\n{method:9} {refused} of {STUDIES[method]} gave no figure")
    assert min(len(values) for values in collected.values()) >= 280
    assert {name: share for name, share in found.items() if not 0.92 <= share <= 0.975} == {}
