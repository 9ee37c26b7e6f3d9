"""Ranking samples by a figure, under matched conditions, with what the data can tell apart and what they cannot.

The application is the unit of replication: the runs of one application are averaged into one value, one file read twice
counts once, and neither narrows anything. The scatter between applications carries all that changes from one to the
next (the layer, the cleaning, the run's own noise). Contributions that results share by name (one rig's sensor, one
zero) are carried apart: in a difference they cancel as far as both samples carry them, and no further.

1. JCGM 100:2008, 5.2 (correlated inputs), F.1.2.3 (a common effect), G.4 (degrees of freedom).
2. ASTM E691, ISO 5725-2: a difference no larger than the inherent variability is none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.comparing.applications import Application, by_sample, without_repeats
from analysis.comparing.grouping import agreeing_conditions
from analysis.comparing.judging import HIGHER_IS_BETTER, SPREADS, Field, gather, put_in_order, set_against, singles
from analysis.comparing.matching import Conditions, LeftOut, Result, match, split
from analysis.comparing.rigs import rig_effects
from analysis.comparing.standings import Order, RigEffects, Standing
from analysis.errors import NotComparable
from analysis.quantities import QUANTITIES
from analysis.statistics.multiple import Differences


@dataclass(frozen=True, slots=True)
class Ranking:
    """The answer to one comparison, in the figure's SI unit; `refusals` say why nothing could be ranked."""

    figure: str
    confidence: float
    required: int
    conditions: Conditions
    ranked: Order
    provisional: Order  # two applications or more, but fewer than asked for
    single: tuple[Standing, ...]  # one application
    left_out: tuple[LeftOut, ...]
    refusals: tuple[str, ...]
    used: int  # runs
    total: int
    reference: str = ""
    against: Differences | None = None  # ranked samples less the reference (indices into `ranked.items`)
    rigs: RigEffects | None = None  # where several rigs are linked by samples measured on more than one
    notes: tuple[str, ...] = ()
    field: Field | None = None  # what the ranked were judged by

    @property
    def title(self) -> str:
        """The counts, for the head of the page: "5 of 9 runs used; 4 left out"."""
        return f"{self.used} of {self.total} runs used; {self.total - self.used} left out"

    @property
    def items(self) -> tuple[Standing, ...]:
        """Every sample that matches: ranked, then provisional, then those of one application."""
        return self.ranked.items + self.provisional.items + self.single

    def difference(self, first: str, second: str) -> tuple[float, float, float, float] | None:
        """`first` less `second` among the ranked: value, low, high and adjusted probability; None if not both there."""
        names = [item.sample for item in self.ranked.items]
        pairs = self.ranked.differences
        if pairs is None or first == second or first not in names or second not in names:
            return None
        i, j = names.index(first), names.index(second)
        place = int(np.flatnonzero((pairs.first == min(i, j)) & (pairs.second == max(i, j)))[0])
        value, half, p = (float(one[place]) for one in (pairs.difference, pairs.half, pairs.p))
        sign = 1.0 if i < j else -1.0
        return sign * value, sign * value - half, sign * value + half, p


def rank(  # noqa: PLR0913 - what a question asks, each by its name
    results: Sequence[Result],
    *,
    conditions: Conditions | None = None,
    figure: str = "temperature_rise",
    reference: str | None = None,
    required: int = 3,
    confidence: float = 0.95,
    spread: str = "test",
) -> Ranking:
    """Rank the samples of `results` by `figure`, under `conditions` or, without them, among those that agree. [1] [2]

    Parameters: `reference` the sample the others are also set against; `required` applications to be ranked (at least
    two; a sample with fewer is ranked apart, one with a single application has no interval); `confidence` that all
    intervals of differences hold at once; `spread` how the scatter is taken, one of `SPREADS`.
    Raises NotComparable for an unknown figure. What cannot be ranked gives a Ranking with `refusals` and no ranks.
    """
    if figure not in QUANTITIES:
        raise NotComparable(f"'{figure}' is not a figure; expected one such as 'temperature_rise'")
    if spread not in SPREADS:
        raise NotComparable(f"spread '{spread}' is not known; expected one of {', '.join(SPREADS)}")
    distinct, repeated = without_repeats(results, figure)
    matched = _agreeing(distinct, figure) if conditions is None else conditions
    used, unmatched = split(distinct, conditions=matched, figure=figure)
    samples = by_sample(used, figure)
    refusals = _refusals(len(samples), unmatched)
    enough = max(required, 2)
    field = _field([one for one in samples if len(one) >= enough], figure, spread)
    ranked = _order(field, confidence=confidence, provisional=False, ranks=not refusals)
    few = _field([one for one in samples if 2 <= len(one) < enough], figure, spread)
    against, notes = _against(field, reference=reference, confidence=confidence)
    rigs = None if refusals else _rigs(field, figure=figure, confidence=confidence)
    return Ranking(
        figure=figure,
        confidence=confidence,
        required=required,
        conditions=matched,
        ranked=ranked,
        provisional=_order(few, confidence=confidence, provisional=True, ranks=not refusals),
        single=singles([one for one in samples if len(one) == 1], figure=figure, spread=ranked.spread),
        left_out=unmatched + repeated,
        refusals=refusals,
        used=len(used),
        total=len(results),
        reference=reference or "",
        against=against,
        rigs=rigs,
        notes=notes + _rig_notes(ranked, rigs),
        field=field,
    )


def _agreeing(results: Sequence[Result], figure: str) -> Conditions:
    """What most results agree on, asked only of those that nothing else keeps out."""
    anything = Conditions()
    sound = [result for result in results if not match(result, conditions=anything, figure=figure)]
    return agreeing_conditions(sound or results)


def _field(samples: Sequence[Sequence[Application]], figure: str, spread: str) -> Field | None:
    return gather(samples, figure=figure, spread=spread) if samples else None


def _order(field: Field | None, *, confidence: float, provisional: bool, ranks: bool) -> Order:
    if field is None:
        return Order(())
    return put_in_order(field, confidence=confidence, provisional=provisional, ranks=ranks)


def _against(
    field: Field | None, *, reference: str | None, confidence: float
) -> tuple[Differences | None, tuple[str, ...]]:
    """Every ranked sample less the reference, or a note why not."""
    if not reference:
        return None, ()
    names = [] if field is None else [sample[0].sample for sample in field.samples]
    if field is None or reference not in names:
        return None, (f"reference {reference} is not among the ranked samples: no differences to it",)
    if len(names) < 2:
        return None, (f"nothing to set against the reference {reference}",)
    return set_against(field, reference=reference, confidence=confidence), ()


def _rigs(field: Field | None, *, figure: str, confidence: float) -> RigEffects | None:
    if field is None:
        return None
    return rig_effects(field.samples, lower_is_better=figure not in HIGHER_IS_BETTER, confidence=confidence)


def _refusals(samples: int, unmatched: Sequence[LeftOut]) -> tuple[str, ...]:
    if samples >= 2:
        return ()
    briefs = {reason.brief or reason.message: None for entry in unmatched for reason in entry.reasons}
    found = [f"not ranked: {brief}" for brief in briefs]
    few = "no sample matches" if samples == 0 else "only one sample matches, and a ranking needs two"
    return tuple(found or [f"not ranked: {few}"])


def _rig_notes(order: Order, rigs: RigEffects | None) -> tuple[str, ...]:
    """A warning where the rigs' effect is not told from the samples', or where taking it out changes the order."""
    every = sorted({rig for item in order.items for rig in item.rigs})
    if len(every) < 2 or len(order.items) < 2:
        return ()
    if rigs is None:
        return (f"rig effect not separable: no samples link {' and '.join(every)}; measure a reference on each",)
    if [one.sample for one in rigs.adjusted] == [item.sample for item in order.items]:
        return ()
    return ("you may be comparing rigs: with the rigs' effects taken out the samples stand in another order",)
