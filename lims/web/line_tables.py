"""The lines of a version as a table to take away, CSV or XLSX; the page for writing takes it back."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from typing import Any

HEADER = (
    "code",
    "name",
    "by mass [%]",
    "parts per 100 fluid",
    "by volume [%]",
    "density [kg/m3]",
    "tolerance [%]",
    "outer limit [%]",
)


def line_rows(composition: Any) -> list[list[Any]]:
    """One row a line; what is not known is left blank, never a partial number."""
    return [
        [
            line.row.material.code,
            line.row.material.name,
            line.percent.normalize(),
            line.parts_per_hundred,
            line.volume_percent,
            line.row.material.density,
            line.row.tolerance * 100,
            line.row.outer_tolerance * 100,
        ]
        for line in composition.lines
    ]


def csv_of(rows: Sequence[Sequence[Any]]) -> bytes:
    """The rows as CSV (RFC 4180) in UTF-8 with the mark by which spreadsheets know it."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(HEADER)
    writer.writerows([[_text(cell) for cell in row] for row in rows])
    return out.getvalue().encode("utf-8-sig")


def xlsx_of(rows: Sequence[Sequence[Any]]) -> bytes:
    """The rows as a workbook, numbers as numbers."""
    import xlsxwriter  # slow to load, and only a download needs it

    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    sheet = book.add_worksheet("Lines")
    sheet.write_row(0, 0, HEADER, book.add_format({"bold": True, "bottom": 1}))
    for number, row in enumerate(rows, start=1):
        sheet.write_row(number, 0, ["" if cell is None else cell for cell in row])
    sheet.freeze_panes(1, 1)
    sheet.set_column(0, len(HEADER) - 1, 18)
    book.close()
    return out.getvalue()


def _text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        # a cell that begins like a formula is led in, so that no spreadsheet computes what somebody typed
        return f"'{cell}" if cell[:1] in ("=", "@", "+", "-") else cell
    return f"{cell:.10g}" if isinstance(cell, float) else f"{cell.normalize():f}"


WRITERS: Mapping[str, tuple[Callable[[Sequence[Sequence[Any]]], bytes], str]] = {
    "csv": (csv_of, "text/csv; charset=utf-8"),
    "xlsx": (xlsx_of, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
}
