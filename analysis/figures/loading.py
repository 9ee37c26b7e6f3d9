"""Loading: the conductivity, and with a bond line the impedance, a composition could reach with more filler or less."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.drawing import Axis, FigureSpec, Mark, Series, Table, axis_of, numbers
from analysis.units import from_si, shown

if TYPE_CHECKING:
    from analysis.materials.loading import Loading

HONEST = "bounds and a rule of thumb help to choose what to make; only a measurement tells what it conducts"
_ROWS = 5


def loading_figure(loading: Loading) -> FigureSpec:
    """Bounds of conductivity over the filler's share of the volume; bond line and impedance below where known."""
    x = numbers(100.0 * loading.fractions)
    panels = [Axis("Conductivity", "W/(m*K)", log=True)]
    series = [
        Series("at most", x, numbers(loading.high), "line"),
        Series("at least", x, numbers(loading.low), "dashes"),
    ]
    if loading.bond_line is not None and loading.least is not None and loading.most is not None:
        panels += [axis_of("gap"), Axis("Impedance of the bulk", "mm^2*K/W", log=True)]
        gap = from_si(loading.bond_line.gap, "um", "length")
        series.append(Series("bond line", x, numbers(np.full(len(x), gap)), "line", panel=1))
        for name, values, style in (("most impedance", loading.most, "dashes"), ("least", loading.least, "line")):
            drawn = numbers([shown(float(value), "thermal_impedance") for value in values])
            series.append(Series(name, x, drawn, style, panel=2, quiet=True))  # type: ignore[arg-type]
    return FigureSpec(
        kind="loading",
        title="Against loading",
        x=Axis("Filler by volume", "%"),
        panels=tuple(panels),
        series=tuple(series),
        marks=(
            Mark("line", "x", start=100 * loading.present, end=100 * loading.present, text="now"),
            Mark("line", "x", start=100 * loading.limit, end=100 * loading.limit, text="packing limit"),
        ),
        table=_table(loading),
        notes=(f"now {100 * loading.present:.1f} %; packing limit {100 * loading.limit:.0f} %", HONEST),
    )


def _table(loading: Loading) -> Table:
    """Some rows, and the present loading among them."""
    places = [*np.linspace(0.0, float(loading.fractions[-1]), _ROWS), loading.present]
    rows = []
    for place in sorted(places):
        low, high = (float(np.interp(place, loading.fractions, side)) for side in (loading.low, loading.high))
        cells = [f"{100 * place:.1f}", f"{low:.3g}", f"{high:.3g}"]
        if loading.bond_line is not None:
            gap = loading.bond_line.gap
            cells += [f"{shown(gap / k, 'thermal_impedance'):.3g}" for k in (high, low)]
        rows.append(tuple(cells))
    head = ("Filler by volume [%]", "At least [W/(m·K)]", "At most [W/(m·K)]")
    more = ("Least impedance [mm²·K/W]", "Most impedance [mm²·K/W]") if loading.bond_line is not None else ()
    return Table((*head, *more), tuple(rows))
