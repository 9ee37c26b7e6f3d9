"""Draw a plan of applications by lot: samples over rigs and days, in blocks of one rig on one day.

Within a block conditions are alike, so differences between samples are taken inside blocks (Cochran and Cox 1957,
Experimental Designs, chapters 4 and 9). Where a block has room for every sample it takes each once (randomised
complete blocks); where it has not, each pair of samples meets in one block about equally often: the sum of the squares
of the meetings is made small ((M,S)-optimality, Eccleston and Hedayat 1974, Annals of Statistics 2, 1238-1255), by
exchanging samples between blocks. A balanced incomplete block design, where one exists, has the smallest such sum.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations, product
from math import ceil
from random import Random

# how bad an imbalance is beside another: a sample twice in one block, uneven use of a rig or a day, uneven meetings
TWICE, PER_RIG, PER_DAY, MEETING = 1000, 20, 20, 1
# how many beginnings and exchanges are tried: enough for the tabled designs, and done while one waits
STARTS, TRIES = 24, 100_000


@dataclass(frozen=True, slots=True)
class Place:
    """One application: the number of its sample, None for the reference."""

    day: int
    block: int
    rig: int
    sample: int | None


@dataclass(slots=True)
class _Block:
    day: int
    rig: int
    samples: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Wish:
    """How many samples, applications of each, rigs, days, and applications a rig has time for within one day."""

    samples: int
    replicates: int
    rigs: int
    days: int
    per_block: int
    reference: bool = False

    @property
    def total(self) -> int:
        """The applications asked for, the reference aside."""
        return self.samples * self.replicates

    @property
    def room(self) -> int:
        """The applications there is time for, the reference aside."""
        return self.rigs * self.days * self.per_block

    @property
    def days_needed(self) -> int:
        """How many days the wish takes with these rigs."""
        return ceil(self.total / (self.rigs * self.per_block))


def draw_order(wish: Wish, *, seed: int) -> list[Place]:
    """Every application in its order; the same wish and seed give the same order again."""
    if wish.total > wish.room:
        raise ValueError(f"{wish.total} applications do not fit into {wish.room} places")
    dice = Random(seed)
    blocks = _best(wish, dice)
    _name_by_lot(blocks, wish, dice)
    return list(_in_order(blocks, wish, dice))


def _best(wish: Wish, dice: Random) -> list[_Block]:
    """The best of several beginnings, each made better by exchanges."""
    best: list[_Block] = []
    least = float("inf")
    left = TRIES
    for _ in range(STARTS):
        blocks = _begin(wish, dice)
        left -= _exchange(blocks, left)
        found = _cost(blocks, wish)
        if found < least:
            best, least = blocks, found
        if left <= 0 or least <= _least_cost(wish, blocks):
            break
    return best


def _begin(wish: Wish, dice: Random) -> list[_Block]:
    """Fill the blocks one after another with the samples that are least used so far; ties fall by lot."""
    blocks = [_Block(day, rig) for day in range(wish.days) for rig in range(wish.rigs)]
    sizes = _sizes(wish, len(blocks), dice)
    used: Counter[int] = Counter()
    met: Counter[tuple[int, int]] = Counter()
    for block, size in zip(blocks, sizes, strict=True):
        for _ in range(size):
            chosen = min(range(wish.samples), key=lambda s: (_eagerness(s, block, blocks, used, met), dice.random()))
            met.update(_pair(chosen, other) for other in block.samples)
            used[chosen] += 1
            block.samples.append(chosen)
    return [block for block in blocks if block.samples]


def _eagerness(
    sample: int, block: _Block, blocks: Sequence[_Block], used: Counter[int], met: Counter[tuple[int, int]]
) -> tuple[int, int, int, int]:
    same_rig = sum(b.samples.count(sample) for b in blocks if b.rig == block.rig)
    meetings = sum(met[_pair(sample, other)] for other in block.samples)
    return block.samples.count(sample), used[sample], meetings, same_rig


def _sizes(wish: Wish, blocks: int, dice: Random) -> list[int]:
    """How many applications each block takes: whole sets of samples where there is room, else as even as can be."""
    if wish.per_block >= wish.samples and wish.replicates <= blocks:
        return [wish.samples] * wish.replicates + [0] * (blocks - wish.replicates)
    least, more = divmod(wish.total, blocks)
    sizes = [least + 1] * more + [least] * (blocks - more)
    dice.shuffle(sizes)
    return sizes


def _pair(a: int, b: int) -> tuple[int, int]:
    return (a, b) if a < b else (b, a)


def _cost(blocks: Sequence[_Block], wish: Wish) -> int:
    """How far a plan is from balance; the smaller the better."""
    twice = sum(count - 1 for block in blocks for count in Counter(block.samples).values())
    rigs = Counter((s, block.rig) for block in blocks for s in block.samples)
    days = Counter((s, block.day) for block in blocks for s in block.samples)
    met = Counter(_pair(a, b) for block in blocks for a, b in combinations(block.samples, 2) if a != b)
    return TWICE * twice + PER_RIG * _squares(rigs) + PER_DAY * _squares(days) + MEETING * _squares(met)


def _squares(counts: Counter[tuple[int, int]]) -> int:
    return sum(n * n for n in counts.values())


def _least_cost(wish: Wish, blocks: Sequence[_Block]) -> int:
    """What no plan can beat: every sample as evenly over rigs and days, every pair as evenly over blocks as numbers
    allow."""
    pairs = sum(len(b.samples) * (len(b.samples) - 1) // 2 for b in blocks)
    return (
        PER_RIG * wish.samples * _even_squares(wish.replicates, wish.rigs)
        + PER_DAY * wish.samples * _even_squares(wish.replicates, wish.days)
        + MEETING * _even_squares(pairs, wish.samples * (wish.samples - 1) // 2)
    )


def _even_squares(total: int, parts: int) -> int:
    """The smallest sum of squares of `parts` whole numbers that add up to `total`."""
    if parts == 0:
        return 0
    least, more = divmod(total, parts)
    return more * (least + 1) ** 2 + (parts - more) * least**2


class _Tally:
    """The counts a plan is judged by, kept up as samples change places, and the cost they come to."""

    def __init__(self, blocks: Sequence[_Block]) -> None:
        self.inside: Counter[tuple[int, int]] = Counter()
        self.rigs: Counter[tuple[int, int]] = Counter()
        self.days: Counter[tuple[int, int]] = Counter()
        self.met: Counter[tuple[int, int]] = Counter()
        for number, block in enumerate(blocks):
            whole, block.samples = block.samples, []
            for sample in whole:
                self.put(sample, block, number)

    def put(self, sample: int, block: _Block, number: int) -> int:
        """Put a sample into a block; how much worse that makes the plan."""
        worse = TWICE * (self.inside[sample, number] > 0)
        worse += PER_RIG * (2 * self.rigs[sample, block.rig] + 1) + PER_DAY * (2 * self.days[sample, block.day] + 1)
        self.inside[sample, number] += 1
        self.rigs[sample, block.rig] += 1
        self.days[sample, block.day] += 1
        for other in block.samples:
            if other != sample:
                pair = _pair(sample, other)
                worse += MEETING * (2 * self.met[pair] + 1)
                self.met[pair] += 1
        block.samples.append(sample)
        return worse

    def take(self, sample: int, block: _Block, number: int) -> int:
        """Take a sample out of a block; how much better that makes the plan, as a negative number."""
        block.samples.remove(sample)
        self.inside[sample, number] -= 1
        self.rigs[sample, block.rig] -= 1
        self.days[sample, block.day] -= 1
        better = TWICE * (self.inside[sample, number] > 0)
        better += PER_RIG * (2 * self.rigs[sample, block.rig] + 1) + PER_DAY * (2 * self.days[sample, block.day] + 1)
        for other in block.samples:
            if other != sample:
                pair = _pair(sample, other)
                self.met[pair] -= 1
                better += MEETING * (2 * self.met[pair] + 1)
        return -better


def _exchange(blocks: list[_Block], tries: int) -> int:
    """Exchange two samples of two blocks as long as that brings the plan nearer to balance; how many were tried."""
    tally, done, moved = _Tally(blocks), 0, True
    while moved and done < tries:
        moved = False
        for (i, first), (j, second) in combinations(enumerate(blocks), 2):
            for a, b in product(list(first.samples), list(second.samples)):
                if a != b and a in first.samples and b in second.samples:
                    done += 1
                    moved |= _exchanged(tally, (a, first, i), (b, second, j))
    return done


def _exchanged(tally: _Tally, one: tuple[int, _Block, int], two: tuple[int, _Block, int]) -> bool:
    """Whether the two change places: only where that makes the plan better."""
    (a, first, i), (b, second, j) = one, two
    change = tally.take(a, first, i) + tally.take(b, second, j) + tally.put(b, first, i) + tally.put(a, second, j)
    if change < 0:
        return True
    tally.take(b, first, i), tally.take(a, second, j), tally.put(a, first, i), tally.put(b, second, j)
    return False


def _name_by_lot(blocks: list[_Block], wish: Wish, dice: Random) -> None:
    """Which sample takes which part in the design falls by lot, and so does which set falls on which day."""
    names = list(range(wish.samples))
    dice.shuffle(names)
    days = sorted({block.day for block in blocks})
    turned = dict(zip(days, dice.sample(days, len(days)), strict=True))
    for block in blocks:
        block.samples = [names[s] for s in block.samples]
        block.day = turned[block.day]


def _in_order(blocks: list[_Block], wish: Wish, dice: Random) -> Iterator[Place]:
    """By day; the rigs of a day, and the samples inside a block with the reference among them, in an order by lot."""
    number = 0
    for day in sorted({block.day for block in blocks}):
        today = [block for block in blocks if block.day == day]
        dice.shuffle(today)
        for block in today:
            number += 1
            order: list[int | None] = [*block.samples, *([None] if wish.reference else [])]
            dice.shuffle(order)
            for sample in order:
                yield Place(day, number, block.rig, sample)
