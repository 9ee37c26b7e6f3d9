"""From stored size distributions and uploaded tables to `analysis` and back."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.errors import AnalysisError
from analysis.figures.plotly import figure_json
from analysis.figures.sizes import sizes_figure
from analysis.materials.distribution import SizeTable, size_table
from analysis.materials.size_reading import Pairs, read_pairs, read_size_file
from lims.core.errors import Invalid

Rows = Pairs


@dataclass(frozen=True, slots=True)
class Sizes:
    """What a distribution says [m]: by volume the diameters below which 10, 50, 90 % lie, and two mean diameters."""

    d10: float
    d50: float
    d90: float
    d43: float
    d32: float
    open_share: float

    @property
    def span(self) -> float:
        """(D90 - D10) / D50."""
        return (self.d90 - self.d10) / self.d50


def read_text(text: str) -> Pairs:
    """Pairs of what was typed or pasted; Invalid names each bad row."""
    try:
        return read_pairs(text)
    except AnalysisError as error:
        raise _invalid(error, "table") from error


def read_upload(content: Any, name: str) -> Pairs:
    """Pairs of an open file, CSV or XLSX; Invalid names each bad row."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table"
        with path.open("wb") as copy:
            shutil.copyfileobj(content, copy)
        try:
            return read_size_file(path, file=name)
        except AnalysisError as error:
            raise _invalid(error, "file") from error


def sizes_of(sizes: Sequence[float], amounts: Sequence[float], *, form: str, basis: str) -> Sizes:
    """What a distribution says; Invalid names the row that is wrong."""
    table = _table(sizes, amounts, form=form, basis=basis)
    low, middle, high = (table.quantile(share) for share in (0.1, 0.5, 0.9))
    return Sizes(low, middle, high, table.mean(4, 3), table.mean(3, 2), table.open_share)


def sizes_plot(distributions: Mapping[str, Any]) -> dict[str, Any]:
    """The plot of stored distributions by their names."""
    tables = {
        name: _table(row.sizes, row.amounts, form=row.form, basis=row.basis) for name, row in distributions.items()
    }
    return figure_json(sizes_figure(tables), dark=None)


def _table(sizes: Sequence[float], amounts: Sequence[float], *, form: str, basis: str) -> SizeTable:
    try:
        return size_table(sizes, amounts, form=form, basis=basis)  # type: ignore[arg-type]
    except AnalysisError as error:
        row = f"Row {error.where.line}: " if error.where.line else ""
        message = f"{row}{error.message}."
        raise Invalid(message, code="bad-table", fields={"table": [message]}) from error


def _invalid(error: AnalysisError, field: str) -> Invalid:
    return Invalid(f"{error}.", code="bad-table", fields={field: [f"{error}."]})
