"""Plans drawn by lot are balanced as far as numbers allow, and the same seed draws them again."""

from __future__ import annotations

from collections import Counter
from itertools import combinations

import pytest

from lims.runs.blocking import Place, Wish, draw_order


def meetings(order: list[Place]) -> Counter[frozenset[int]]:
    blocks: dict[int, list[int]] = {}
    for place in order:
        if place.sample is not None:
            blocks.setdefault(place.block, []).append(place.sample)
    return Counter(frozenset(pair) for block in blocks.values() for pair in combinations(block, 2))


@pytest.mark.parametrize("seed", [1, 20261125])
@pytest.mark.parametrize(
    ("samples", "replicates", "per_block", "blocks", "together"),
    # (t, r, k, b, lambda) of balanced incomplete block designs in Cochran and Cox 1957, Experimental Designs, ch. 11;
    # the numbers are from memory, and each is held against the design's own condition below
    [(4, 3, 2, 6, 1), (5, 4, 2, 10, 1), (6, 5, 3, 10, 2), (7, 3, 3, 7, 1), (5, 4, 4, 5, 3)],
)
def test_where_a_balanced_design_exists_it_is_found(samples, replicates, per_block, blocks, together, seed):
    order = draw_order(Wish(samples, replicates, rigs=1, days=blocks, per_block=per_block), seed=seed)
    met = meetings(order)
    assert len(met) == samples * (samples - 1) // 2
    assert set(met.values()) == {together}
    assert together * (samples - 1) == replicates * (per_block - 1)  # the design's own condition: lambda(t-1) = r(k-1)


def test_complete_blocks_hold_every_sample_once_and_each_rig_gets_each_sample_as_often():
    order = draw_order(Wish(5, 4, rigs=2, days=2, per_block=6, reference=True), seed=7)
    for block in range(1, 5):
        inside = [p.sample for p in order if p.block == block]
        assert sorted(s for s in inside if s is not None) == [0, 1, 2, 3, 4]
        assert inside.count(None) == 1
    assert set(Counter((p.sample, p.rig) for p in order if p.sample is not None).values()) == {2}
    assert set(Counter((p.sample, p.day) for p in order if p.sample is not None).values()) == {2}
    assert [p.day for p in order] == sorted(p.day for p in order)


def test_incomplete_blocks_over_rigs_and_days_differ_by_one_at_most():
    wish = Wish(6, 4, rigs=2, days=4, per_block=3)
    order = draw_order(wish, seed=3)
    assert set(Counter(p.sample for p in order).values()) == {4}
    for key in (lambda p: (p.sample, p.rig), lambda p: (p.sample, p.day)):
        counts = Counter(map(key, order))
        assert max(counts.values()) - min(counts.values()) <= 1
    met = meetings(order)
    assert max(met.values()) - min(met.values()) <= 1


def test_the_seed_draws_the_same_order_again_and_another_seed_another():
    wish = Wish(4, 3, rigs=2, days=3, per_block=4, reference=True)
    assert draw_order(wish, seed=11) == draw_order(wish, seed=11)
    assert draw_order(wish, seed=11) != draw_order(wish, seed=12)


def test_first_places_fall_on_every_sample_about_as_often():
    # each sample comes first with probability 1/4; of 400 plans 100 each, and a chance of 1e-6 lies beyond 5 deviations
    firsts = Counter(draw_order(Wish(4, 1, rigs=1, days=1, per_block=4), seed=s)[0].sample for s in range(400))
    assert all(abs(count - 100) < 5 * (400 * 0.25 * 0.75) ** 0.5 for count in firsts.values())


def test_more_than_there_is_time_for_is_refused():
    with pytest.raises(ValueError, match="12 applications do not fit into 8 places"):
        draw_order(Wish(4, 3, rigs=1, days=2, per_block=4), seed=1)
