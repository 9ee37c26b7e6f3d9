"""A ranking as JSON and as a plain table, in the units people see."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.comparing.matching import LABELS, Condition, LeftOut, difference_unit
from analysis.comparing.ranking import Ranking
from analysis.comparing.standings import Order, Standing
from analysis.quantities import QUANTITIES
from analysis.statistics.multiple import Differences
from analysis.units import format_measured, shown, shown_difference

_ALL_PAIRS_UP_TO = 60  # samples; above, only the differences between neighbours are listed


def to_dict(ranking: Ranking) -> dict[str, object]:
    """The ranking as plain lists, numbers and words, ready for JSON; figures in the unit they are shown in.

    Where nothing could be ranked the items carry no `rank`, and `refusals` says why.
    """
    figure = ranking.figure
    return {
        "figure": figure,
        "unit": QUANTITIES[figure].shown,
        "title": ranking.title,
        "used": ranking.used,
        "total": ranking.total,
        "confidence": ranking.confidence,
        "required": ranking.required,
        "conditions": [_condition(one) for one in ranking.conditions.keys],
        "declared": ranking.conditions.declared,
        "refusals": list(ranking.refusals),
        "ranking": [_item(item, figure) for item in ranking.ranked.items],
        "provisional": [_item(item, figure) for item in (*ranking.provisional.items, *ranking.single)],
        "left_out": [_left_out(entry, figure) for entry in ranking.left_out],
        "statistics": _statistics(ranking.ranked, figure),
        "differences": _differences(ranking.ranked, figure),
        "neighbours": _neighbours(ranking.ranked, figure),
        "reference": ranking.reference or None,
        "against_reference": _pairs(ranking.against, ranking.ranked.items, figure) if ranking.against else [],
        "rig_effects": _rig_effects(ranking),
        "adjusted_for_rigs": _adjusted(ranking),
        "notes": list(ranking.notes),
    }


def to_text(ranking: Ranking) -> str:
    """The ranking as a plain text table with everything a reader must know beside it."""
    parts = [_heading(ranking), *(f"{refusal}" for refusal in ranking.refusals)]
    parts += _section("", ranking.ranked.items, ranking)
    parts += _section("provisional (too few applications)", (*ranking.provisional.items, *ranking.single), ranking)
    parts += _remarks(ranking)
    if ranking.left_out:
        parts += ["", "left out"]
        parts += [line for entry in ranking.left_out for line in _left_out_lines(entry)]
    return "\n".join(parts) + "\n"


# ---- JSON


def _item(item: Standing, figure: str) -> dict[str, object]:
    low, high = item.interval or (None, None)
    entry: dict[str, object] = {
        "sample": item.sample,
        "n": item.n,
        "runs": item.runs,
        "mean": shown(item.mean, figure),
        "u": _width(item.u, figure),
        "dof": _finite(item.dof),
        "u_between": _width(item.u_between, figure),
        "u_common": _width(item.u_common, figure),
        "interval": None if low is None or high is None else [shown(low, figure), shown(high, figure)],
        "letters": item.letters,
        "provisional": item.provisional,
        "applications": {name or "-": shown(value, figure) for name, value in item.values},
        "rigs": list(item.rigs),
        "result_ids": list(item.result_ids),
        "notes": list(item.notes),
    }
    return entry if item.rank is None else {"rank": item.rank} | entry


def _condition(condition: Condition) -> dict[str, object]:
    label, quantity = LABELS[condition.key]
    if condition.nominal is None:
        return {"key": condition.key, "label": label, "allowed": list(condition.allowed)}
    return {
        "key": condition.key,
        "label": label,
        "nominal": shown(condition.nominal, quantity),
        "unit": QUANTITIES[quantity].shown,
        "tolerance": shown_difference(condition.width, quantity),
        "tolerance_unit": difference_unit(quantity),
    }


def _left_out(entry: LeftOut, figure: str) -> dict[str, object]:
    value = entry.value
    return {
        "id": entry.id,
        "sample": entry.sample or None,
        "application": entry.application or None,
        "value": None if value is None else shown(value.value, figure),
        "u": None if value is None else _width(value.u, figure),
        "reasons": [
            {"key": reason.key, "message": reason.message, "change": reason.change} for reason in entry.reasons
        ],
    }


def _statistics(order: Order, figure: str) -> dict[str, object] | None:
    spread = order.spread
    if spread is None:
        return None
    return {
        "method": spread.method,
        "spread": spread.sentence,
        "pooled": spread.pooled,
        "sd": shown_difference(spread.sd, figure),
        "dof": _finite(spread.dof),
        "levene_p": None if spread.test is None else _finite(spread.test.p),
        "overall_p": _finite(spread.overall.p),
        "smallest_difference": _width(order.smallest_difference, figure),
    }


def _differences(order: Order, figure: str) -> list[dict[str, object]]:
    if order.differences is None or len(order.items) > _ALL_PAIRS_UP_TO:
        return []
    return _pairs(order.differences, order.items, figure)


def _pairs(pairs: Differences, items: Sequence[Standing], figure: str) -> list[dict[str, object]]:
    columns = (pairs.first, pairs.second, pairs.difference, pairs.low, pairs.high, pairs.p, pairs.significant)
    return [
        {
            "first": items[int(first)].sample,
            "second": items[int(second)].sample,
            "difference": shown_difference(float(difference), figure),
            "interval": [shown_difference(float(low), figure), shown_difference(float(high), figure)],
            "p": float(p),
            "significant": bool(significant),
        }
        for first, second, difference, low, high, p, significant in zip(*columns, strict=True)
    ]


def _rig_effects(ranking: Ranking) -> list[dict[str, object]]:
    return [
        {
            "rig": name,
            "effect": shown_difference(one.value, ranking.figure),
            "u": _width(one.u, ranking.figure),
            "dof": _finite(one.dof),
        }
        for name, one in (ranking.rigs.effects if ranking.rigs else ())
    ]


def _adjusted(ranking: Ranking) -> list[dict[str, object]]:
    return [
        {
            "rank": one.rank,
            "sample": one.sample,
            "mean": shown(one.measured.value, ranking.figure),
            "u": _width(one.measured.u, ranking.figure),
            "letters": one.letters,
        }
        for one in (ranking.rigs.adjusted if ranking.rigs else ())
    ]


def _neighbours(order: Order, figure: str) -> list[dict[str, object]]:
    return [
        {
            "better": pair.better,
            "worse": pair.worse,
            "difference": shown_difference(abs(pair.difference), figure),
            "separated": pair.separated,
            "applications_needed": pair.needed,
        }
        for pair in order.neighbours
    ]


def _width(value: float | None, figure: str) -> float | None:
    return None if value is None or not math.isfinite(value) else shown_difference(value, figure)


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value


# ---- text


def _heading(ranking: Ranking) -> str:
    entry = QUANTITIES[ranking.figure]
    return f"{entry.label} [{entry.shown}], {ranking.title}"


def _section(title: str, items: Sequence[Standing], ranking: Ranking) -> list[str]:
    if not items:
        return []
    rows: list[tuple[str, ...]] = [("rank", "sample", "n", "mean", "interval", "letters")]
    rows += [_row(item, ranking) for item in items]
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return ["", *([title] if title else []), *lines]


def _row(item: Standing, ranking: Ranking) -> tuple[str, ...]:
    mean = shown(item.mean, ranking.figure)
    rank = "-" if item.rank is None else str(item.rank)
    if item.interval is None:
        return rank, item.sample, str(item.n), f"{mean:.4g}", "no interval from own data", item.letters
    low, high = (shown(end, ranking.figure) for end in item.interval)
    value, _, half = format_measured(mean, 0.5 * (high - low)).partition(" ± ")
    return rank, item.sample, str(item.n), value, f"± {half}", item.letters


def _remarks(ranking: Ranking) -> list[str]:
    order, unit = ranking.ranked, QUANTITIES[ranking.figure].shown
    lines = [f"intervals: {ranking.confidence:.0%}"]
    if order.differences is not None:
        lines = [f"{lines[0]}; samples that share a letter are not told apart"]
    if order.spread is not None and order.differences is not None:
        lines.append(f"{order.spread.sentence}; simultaneous intervals by {order.spread.method}")
    if order.smallest_difference is not None:
        smallest = shown_difference(order.smallest_difference, ranking.figure)
        lines.append(f"smallest difference this plan sees with a chance of 80 %: {smallest:.2g} {unit}")
    lines += [_neighbour_line(pair.better, pair.worse, pair.needed) for pair in order.neighbours if not pair.separated]
    lines += _reference_lines(ranking)
    lines += _rig_lines(ranking)
    lines += [f"{item.sample}: {note}" for item in ranking.items for note in item.notes]
    return ["", *lines, *ranking.notes] if ranking.items else []


def _reference_lines(ranking: Ranking) -> list[str]:
    found = ranking.against
    if found is None:
        return []
    figure, items = ranking.figure, ranking.ranked.items
    return [
        f"{items[int(i)].sample} less {ranking.reference}: "
        f"{format_measured(shown_difference(float(value), figure), shown_difference(float(half), figure))} "
        f"{QUANTITIES[figure].shown} ({found.method}, p = {float(p):.2g})"
        for i, value, half, p in zip(found.first, found.difference, found.half, found.p, strict=True)
    ]


def _rig_lines(ranking: Ranking) -> list[str]:
    if ranking.rigs is None:
        return []
    figure, unit = ranking.figure, QUANTITIES[ranking.figure].shown
    effects = [
        f"{name} {format_measured(shown_difference(one.value, figure), shown_difference(one.expanded, figure))}"
        for name, one in ranking.rigs.effects
    ]
    order = ", ".join(f"{one.sample} ({one.letters})" for one in ranking.rigs.adjusted)
    return [f"rig effects [{unit}]: {'; '.join(effects)}", f"order with the rigs' effects taken out: {order}"]


def _neighbour_line(better: str, worse: str, needed: int | None) -> str:
    if needed is None:
        return f"{better} and {worse} are not told apart, and repeating would not part them"
    return f"{better} and {worse} are not told apart; {needed} applications of each would probably part them"


def _left_out_lines(entry: LeftOut) -> list[str]:
    who = ", ".join(part for part in (entry.id, entry.sample, entry.application) if part)
    lines = []
    for reason in entry.reasons:
        lines.append(f"  {who}: {reason.message}" + (f" ({reason.change})" if reason.change else ""))
    return lines
