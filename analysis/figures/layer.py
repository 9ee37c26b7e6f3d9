"""The temperature from block to block through the layer, with the layer's thickness to scale."""

from __future__ import annotations

import numpy as np

from analysis.drawing import Axis, FigureSpec, Mark, Series, Table, axis_of, numbers, printed
from analysis.quantities import QUANTITIES
from analysis.results import Measured
from analysis.units import format_measured, from_si, shown, shown_difference


def layer_figure(
    *, gap: Measured, hot: Measured, cold: Measured, heat_flux: float, block_conductivity: float
) -> FigureSpec:
    """Temperature against depth: hot block, layer, cold block; as much of each block as the layer is thick.

    Parameters: `gap` [m]; `hot` and `cold` face temperatures [K]; `heat_flux` [W/m2]; `block_conductivity` [W/(m K)],
    which gives the slope inside the blocks. The step at each face is part of the layer's rise: one run cannot tell it
    from the bulk.
    """
    thick = max(gap.value, 0.0)
    slope = heat_flux / block_conductivity
    depth = np.array([-thick, 0.0, thick, 2.0 * thick])
    temperature = np.array([hot.value + slope * thick, hot.value, cold.value, cold.value - slope * thick])
    x = numbers(from_si(depth, QUANTITIES["gap"].shown, "gap"))
    y = numbers(from_si(temperature, QUANTITIES["hot_temperature"].shown, "hot_temperature"))
    return FigureSpec(
        kind="layer",
        title="Temperature through the layer",
        x=Axis("Depth from the hot face", QUANTITIES["gap"].shown),
        panels=(Axis("Temperature", axis_of("hot_temperature").unit),),
        series=(Series("temperature", x, y, "line"),),
        table=_table(gap, hot, cold),
        marks=(
            Mark("band", start=float(x[1]), end=float(x[2]), text="layer"),
            Mark("words", text="hot block", at=(float(x[0]), float(y[2]))),
            Mark("words", text="cold block", at=(float(x[2]), float(y[0]))),
        ),
        notes=(f"layer {_text(gap, 'gap')}; blocks drawn as deep as the layer is thick",),
    )


def _table(gap: Measured, hot: Measured, cold: Measured) -> Table:
    rows = (("hot_temperature", hot), ("cold_temperature", cold), ("gap", gap))
    return Table(("Quantity", "Value"), tuple((QUANTITIES[key].label, _text(one, key)) for key, one in rows))


def _text(measured: Measured, quantity: str) -> str:
    text = format_measured(shown(measured.value, quantity), shown_difference(measured.expanded, quantity))
    return f"{text} {printed(QUANTITIES[quantity].shown)}"
