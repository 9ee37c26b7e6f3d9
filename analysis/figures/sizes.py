"""Size distributions over one logarithmic axis: the share below each size, and where the powder lies."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from analysis.drawing import Axis, FigureSpec, Mark, Series, Table, numbers
from analysis.units import from_si

if TYPE_CHECKING:
    from analysis.materials.distribution import SizeTable

_SIZE = Axis("Size", "um", log=True)
_BELOW = Axis("Below", "%", limits=(0.0, 100.0))
_DENSITY = Axis("A decade", "%")
_SHARES = (0.10, 0.50, 0.90)


def sizes_figure(distributions: Mapping[str, SizeTable], *, title: str = "Size distribution") -> FigureSpec:
    """The figure of distributions by their names: a line each; of one alone also where its volume lies."""
    alone = len(distributions) == 1
    series = [one for name, table in distributions.items() for one in _drawn(name, table)[: 2 if alone else 1]]
    rows = [_row(name, table) for name, table in distributions.items()]
    return FigureSpec(
        kind="sizes",
        title=title,
        x=_SIZE,
        panels=(_BELOW, _DENSITY) if alone else (_BELOW,),
        series=tuple(series),
        marks=tuple(Mark("line", "y", start=100 * share, end=100 * share, panel=0) for share in _SHARES),
        table=Table(("Distribution", "D10 [µm]", "D50 [µm]", "D90 [µm]"), tuple(rows)),
        notes=(
            "by volume, whatever the basis of the measurement; straight on log size between two rows",
            "below: share under each size; a decade: share for each factor of ten in size",
        ),
    )


def _drawn(name: str, table: SizeTable) -> tuple[Series, Series]:
    size = numbers([from_si(float(edge), "um", "length") for edge in table.edges])
    stairs = numbers(np.repeat(table.density * 100, 2))  # a class is a step of the histogram
    return (
        Series(name=name, x=size, y=numbers(table.below * 100), style="line"),
        Series(name="a decade", x=numbers(np.repeat(size, 2)[1:-1]), y=stairs, style="line", panel=1, quiet=True),
    )


def _row(name: str, table: SizeTable) -> tuple[str, ...]:
    return (name, *(f"{from_si(table.quantile(share), 'um', 'length'):.4g}" for share in _SHARES))
