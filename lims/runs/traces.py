"""The curves of a run, kept as one compressed column file beside the raw file, read in parts, thinned for drawing.

The file is a copy made for speed: it can be thrown away and made again from the raw file. It is written and read with
pyarrow, which the pages may use in a process that forks.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from numpy.typing import NDArray

ROWS_IN_GROUP = 1 << 16
TIME = "time"
MOST_PIXELS = 4_000
FEWEST_PIXELS = 100
PANEL, BETWEEN, ABOVE, BELOW = 130, 34, 44, 56  # heights in the drawing, in pixels of the page

Numbers = NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class Curve:
    """One calibrated channel: its column in the file, the panel it is drawn in (a quantity's label), its unit."""

    name: str
    panel: str
    unit: str
    values: Numbers


def key_of(inputs: Mapping[str, str], setup: Mapping[str, Any], *, offset: float | None = None) -> str:
    """The key of a run's curves: they follow from its bytes and from how its channels are read."""
    content = [inputs.get("run", ""), setup.get("channel"), setup.get("rig", {}).get("time_zone", "")]
    if second := inputs.get("second"):
        content += [second, offset]
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def path_of(key: str) -> str:
    """Where the storage keeps the curves of one key."""
    return f"traces/{key[:2]}/{key}.parquet"


def keep(key: str, *, time: Numbers, curves: Sequence[Curve]) -> None:
    """Write the curves once; those that stand already are left."""
    path = path_of(key)
    if default_storage.exists(path):
        return
    about = {curve.name: {"panel": curve.panel, "unit": curve.unit} for curve in curves}
    names = [TIME, *(curve.name for curve in curves)]
    columns = [pa.array(time, pa.float64()), *(pa.array(np.asarray(c.values, np.float32)) for c in curves)]
    table = pa.table(columns, names=names).replace_schema_metadata({"curves": json.dumps(about)})
    buffer = io.BytesIO()
    pq.write_table(table, buffer, compression="zstd", row_group_size=ROWS_IN_GROUP)
    default_storage.save(path, ContentFile(buffer.getvalue()))


def kept(key: str) -> bool:
    """Whether the curves of a key are there."""
    return bool(key) and default_storage.exists(path_of(key))


def drawing(
    key: str, *, start: float | None, end: float | None, pixels: int, marks: Sequence[Mapping[str, Any]] = ()
) -> dict[str, Any]:
    """The curves from `start` to `end` [s] as a plotly figure, each thinned to the extremes within a pixel.

    `marks` are stretches to shade: mappings with start, end and words.
    """
    with default_storage.open(path_of(key), "rb") as stored:
        table, about = _read(stored, start, end)
    time = np.asarray(table[TIME], dtype=np.float64)
    budget = min(max(pixels, FEWEST_PIXELS), MOST_PIXELS)
    panels = list(dict.fromkeys((curve["panel"], curve["unit"]) for curve in about.values()))
    curves = [
        Curve(name, of["panel"], of["unit"], np.asarray(table[name], dtype=np.float64)) for name, of in about.items()
    ]
    data = [_line(time, one, panel=panels.index((one.panel, one.unit)), pixels=budget) for one in curves]
    return {"data": data, "layout": _layout(panels, marks)}


def _read(stored: Any, start: float | None, end: float | None) -> tuple[dict[str, Any], dict[str, Any]]:
    """Only the row groups that touch the part asked for are read."""
    file = pq.ParquetFile(stored)
    about = cast("dict[str, Any]", json.loads(file.schema_arrow.metadata[b"curves"]))
    groups = [g for g in range(file.num_row_groups) if _touches(file.metadata.row_group(g).column(0), start, end)]
    read = file.read_row_groups(groups, columns=[TIME, *about])
    time = read[TIME].to_numpy()
    part = slice(
        0 if start is None else max(0, int(np.searchsorted(time, start)) - 1),
        time.size if end is None else int(np.searchsorted(time, end, side="right")) + 1,
    )
    return {name: read[name].to_numpy()[part] for name in (TIME, *about)}, about


def _touches(column: Any, start: float | None, end: float | None) -> bool:
    known = column.statistics
    if known is None or not known.has_min_max:
        return True
    return (end is None or known.min <= end) and (start is None or known.max >= start)


def thinned(time: Numbers, values: Numbers, *, buckets: int) -> tuple[Numbers, Numbers]:
    """The lowest and the highest value within each of `buckets` equal parts of the rows, in the order of time."""
    if time.size <= 2 * buckets:
        return time, values
    size = -(-time.size // buckets)
    full = np.append(values, np.full(-time.size % size, values[-1])).reshape(-1, size)
    missing = np.isnan(full)
    base = np.arange(full.shape[0]) * size
    lowest = base + np.where(missing, np.inf, full).argmin(axis=1)
    highest = base + np.where(missing, -np.inf, full).argmax(axis=1)
    picked = np.unique(np.concatenate([[0], lowest, highest, [time.size - 1]]))
    picked = picked[picked < time.size]
    return time[picked], values[picked]


def _line(time: Numbers, curve: Curve, *, panel: int, pixels: int) -> dict[str, Any]:
    x, y = thinned(time, curve.values, buckets=pixels)
    return {
        "type": "scatter",
        "mode": "lines",
        "name": curve.name,
        "x": np.round(x, 3).tolist(),
        "y": [None if value != value else float(f"{value:.7g}") for value in y.tolist()],
        "yaxis": f"y{_number(panel)}",
        "legend": f"legend{_number(panel)}",
        "showlegend": True,
        "meta": _named(curve.panel, curve.unit),
        "connectgaps": False,
    }


def _layout(panels: Sequence[tuple[str, str]], marks: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Panels one above another over one time axis, the first on top: heading above, names beside."""
    count = max(1, len(panels))
    inner = count * PANEL + (count - 1) * BETWEEN
    layout: dict[str, Any] = {
        "xaxis": {"title": {"text": "time / s"}, "anchor": f"y{count if count > 1 else ''}"},
        "height": ABOVE + inner + BELOW,
        "margin": {"l": 64, "r": 16, "t": ABOVE, "b": BELOW},
        "shapes": [_shade(mark) for mark in marks],
        "annotations": [_words(mark) for mark in marks],
    }
    for place, heading in enumerate(panels):
        top = 1.0 - place * (PANEL + BETWEEN) / inner
        layout[f"yaxis{_number(place)}"] = {"domain": [max(0.0, top - PANEL / inner), top]}
        layout[f"legend{_number(place)}"] = {
            "x": 1.01,
            "xanchor": "left",
            "y": top,
            "yanchor": "top",
            "font": {"size": 12},
        }
        layout["annotations"].append(_heading(*heading, top=top))
    return layout


def _number(panel: int) -> str:
    """How plotly numbers the axes and legends of a panel: the first has no number."""
    return str(panel + 1) if panel else ""


def _heading(panel: str, unit: str, *, top: float) -> dict[str, Any]:
    """What a panel shows, above its left corner: upright titles of neighbours would run into each other."""
    place = {"xref": "paper", "yref": "paper", "x": 0, "xanchor": "left", "y": top, "yanchor": "bottom"}
    return place | {"text": _named(panel, unit), "showarrow": False, "font": {"size": 12, "weight": 600}}


def _named(panel: str, unit: str) -> str:
    return f"{panel} / {unit}" if unit else panel


def _shade(mark: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "type": "rect",
        "xref": "x",
        "yref": "paper",
        "x0": mark["start"],
        "x1": mark["end"],
        "y0": 0,
        "y1": 1,
        "fillcolor": "#009E73",
        "opacity": 0.12,
        "line": {"width": 0},
        "layer": "below",
    }


def _words(mark: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "xref": "x",
        "yref": "paper",
        "x": (mark["start"] + mark["end"]) / 2,
        "y": 1,
        "yanchor": "bottom",
        "text": mark["words"],
        "showarrow": False,
    }
