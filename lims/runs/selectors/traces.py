"""The curves of a run, ready to be drawn."""

from __future__ import annotations

from typing import Any

from lims.core.errors import Conflict
from lims.runs import bridge, traces
from lims.runs.models import Reduction


def drawing_of(
    reduction: Reduction, *, start: float | None = None, end: float | None = None, pixels: int = 1000
) -> dict[str, Any]:
    """The curves of a reduction's run as a plotly figure, its settled window shaded."""
    if not reduction.inputs:
        raise Conflict("The run has not been read yet; its curves come with its figures.", code="not-read-yet")
    second = bridge.second_of(reduction)
    key = traces.key_of(reduction.inputs, reduction.setup, offset=second.offset if second else None)
    if not traces.kept(key):
        bridge.make_curves_again(reduction.run, reduction.setup, key=key, second=second)
    return traces.drawing(key, start=start, end=end, pixels=pixels, marks=_marks(reduction))


def layer_of(reduction: Reduction) -> dict[str, Any]:
    """The temperature through the layer, drawn to scale, as a plotly figure."""
    drawing = bridge.layer_drawing(reduction.figures, reduction.setup) if reduction.figures else None
    if drawing is None:
        raise Conflict("The run does not tell the layer's thickness and both faces.", code="no-layer")
    return drawing


def _marks(reduction: Reduction) -> list[dict[str, Any]]:
    steady = reduction.result.get("steady", {})
    if not steady.get("found"):
        return []
    words = "window chosen by hand" if reduction.window_start is not None else "settled"
    return [{"start": steady["start_s"], "end": steady["end_s"], "words": words}]
