"""An uncertainty budget as bars, the largest on top: where the next hour is best spent."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.drawing import Axis, FigureSpec, Series, Table, numbers, printed
from analysis.quantities import QUANTITIES
from analysis.results import BudgetLine, Measured
from analysis.units import format_measured, shown, shown_difference

_SHOWN = 12  # bars; smaller contributions are gathered in one


def budget_figure(lines: Sequence[BudgetLine], *, figure: str, measured: Measured) -> FigureSpec:
    """The share of each contribution in the variance of a figure, in per cent."""
    ordered = sorted(lines, key=lambda line: -line.share)
    bars = [(line.source, line.share) for line in ordered[:_SHOWN]]
    if len(ordered) > _SHOWN:
        bars.append((f"{len(ordered) - _SHOWN} smaller", sum(line.share for line in ordered[_SHOWN:])))
    names = tuple(name for name, _ in bars)
    unit = printed(QUANTITIES[figure].shown)
    result = format_measured(shown(measured.value, figure), shown_difference(measured.expanded, figure))
    return FigureSpec(
        kind="budget",
        title=f"{QUANTITIES[figure].label}: where its uncertainty comes from",
        x=Axis("Share of the variance", "%", limits=(0.0, 100.0)),
        panels=(Axis("Contribution", categories=names),),
        series=(Series("share", numbers([share * 100.0 for _, share in bars]), names, "bars"),),
        table=Table(
            ("Contribution", "Type", f"u [{unit}]", "Share of the variance [%]"),
            tuple(
                (line.source, line.kind, f"{shown_difference(line.u, figure):.3g}", f"{line.share:.1%}".rstrip("%"))
                for line in ordered
            ),
        ),
        notes=(f"{result} {unit} (95 %, {measured.k:.2f} times the standard uncertainty)",),
    )
