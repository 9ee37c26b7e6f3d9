"""The ranking as dots with intervals and letters, best on top."""

from __future__ import annotations

import math

from analysis.comparing.matching import LABELS, Condition
from analysis.comparing.ranking import Ranking
from analysis.comparing.standings import Standing
from analysis.drawing import Axis, FigureSpec, Mark, Series, Table, axis_of, numbers, printed
from analysis.quantities import QUANTITIES
from analysis.units import format_measured, shown, shown_difference


def ranking_figure(ranking: Ranking) -> FigureSpec:
    """Dots with intervals, one row a sample: ranked, then provisional and single ones as hollow dots.

    The thin bar is the interval of the mean; the thick part is what the scatter between applications alone gives, which
    is what counts when samples on one rig are compared. Small dots are the applications.
    """
    items = ranking.items
    return FigureSpec(
        kind="ranking",
        title=f"{QUANTITIES[ranking.figure].label}: {ranking.title}",
        x=axis_of(ranking.figure),
        panels=(Axis("Sample", categories=tuple(item.sample for item in items)),),
        series=tuple(one for one in _series(ranking) if len(one.x)),
        table=_table(ranking),
        marks=_reference(ranking),
        notes=_notes(ranking),
    )


def _series(ranking: Ranking) -> list[Series]:
    figure, items = ranking.figure, ranking.items
    full = [item for item in items if not item.provisional]
    few = [item for item in items if item.provisional]
    dots = [(shown(value, figure), item.sample) for item in items for _, value in item.values if item.n > 1]
    return [
        _spans(ranking, [item for item in items if item.u_between is not None]),
        _means("mean", full, ranking, "points"),
        _means("mean, provisional", few, ranking, "hollow"),
        Series("applications", numbers([x for x, _ in dots]), tuple(name for _, name in dots), quiet=True),
    ]


def _means(name: str, items: list[Standing], ranking: Ranking, style: str) -> Series:
    figure = ranking.figure
    half = [math.nan if item.interval is None else item.interval[1] - item.mean for item in items]
    return Series(
        name,
        numbers([shown(item.mean, figure) for item in items]),
        tuple(item.sample for item in items),
        "hollow" if style == "hollow" else "points",
        half=numbers([shown_difference(one, figure) for one in half]),
        labels=tuple(item.letters for item in items),
    )


def _spans(ranking: Ranking, items: list[Standing]) -> Series:
    figure = ranking.figure
    half = [(item.interval[1] - item.mean) * _share(item) if item.interval else math.nan for item in items]
    return Series(
        "between applications",
        numbers([shown(item.mean, figure) for item in items]),
        tuple(item.sample for item in items),
        "spans",
        half=numbers([shown_difference(one, figure) for one in half]),
    )


def _share(item: Standing) -> float:
    """What part of a mean's uncertainty the scatter between applications makes."""
    return item.u_between / item.u if item.u and item.u_between else 0.0


def _reference(ranking: Ranking) -> tuple[Mark, ...]:
    for item in ranking.ranked.items:
        if item.sample == ranking.reference:
            at = shown(item.mean, ranking.figure)
            return (Mark("line", start=at, end=at, text=f"reference {item.sample}"),)
    return ()


def _notes(ranking: Ranking) -> tuple[str, ...]:
    sizes = sorted({item.n for item in ranking.items})
    n = f"n = {sizes[0]}" if len(sizes) == 1 else f"n = {sizes[0]} to {sizes[-1]}" if sizes else "n = 0"
    bars = f"bars: {ranking.confidence:.0%} interval of the mean; thick part: from scatter between applications alone"
    notes = [f"{n} applications a sample", bars, "samples that share a letter are not told apart"]
    if ranking.ranked.spread is not None:
        notes.append(ranking.ranked.spread.sentence)
    stated = [_condition(one) for one in ranking.conditions.keys]
    if stated:
        notes.append("matched: " + ", ".join(stated))
    return (*notes, *ranking.refusals, *ranking.notes)


def _condition(condition: Condition) -> str:
    label, quantity = LABELS[condition.key]
    if condition.nominal is None:
        return f"{label} {' or '.join(condition.allowed)}"
    width = shown_difference(condition.width, quantity)
    return f"{label} {shown(condition.nominal, quantity):.4g} ± {width:.3g} {printed(QUANTITIES[quantity].shown)}"


def _table(ranking: Ranking) -> Table:
    unit = printed(QUANTITIES[ranking.figure].shown)
    header = ("Rank", "Sample", "Applications", f"Mean and interval [{unit}]", "Letters")
    return Table(header, tuple(_row(item, ranking.figure) for item in ranking.items))


def _row(item: Standing, figure: str) -> tuple[str, ...]:
    rank = "provisional" if item.provisional else str(item.rank or "-")
    mean = shown(item.mean, figure)
    if item.interval is None:
        return rank, item.sample, str(item.n), f"{mean:.4g}, no interval from own data", item.letters
    half = shown_difference(item.interval[1] - item.mean, figure)
    return rank, item.sample, str(item.n), format_measured(mean, half), item.letters
