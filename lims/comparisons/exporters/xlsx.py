"""The report as a workbook: every number in full digits, with its unit and its uncertainty beside it."""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import xlsxwriter

from lims.comparisons.reports import Standing
from lims.core.display import pretty_unit

EPOCH = datetime(2000, 1, 1)  # noqa: DTZ001  # a workbook's own date has no zone; a draft has no date of its own


def write(content: Mapping[str, Any], standing: Standing) -> bytes:
    """The workbook; the same content and standing give the same bytes."""
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    made = standing.at.astimezone(UTC).replace(tzinfo=None, microsecond=0) if standing.at else EPOCH
    book.set_properties({"title": content["title"], "company": content["laboratory"]["name"], "created": made})
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    for name, header, rows in _sheets(content, standing):
        sheet = book.add_worksheet(name)
        sheet.freeze_panes(1, 1)
        for column, words in enumerate(header):
            sheet.write_string(0, column, words, head)
        for line, row in enumerate(rows, start=1):
            for column, value in enumerate(row):
                _put(sheet, line, column, value, wrap)
        sheet.set_column(0, len(header) - 1, 20)
    book.close()
    return out.getvalue()


def _put(sheet: Any, line: int, column: int, value: Any, wrap: Any) -> None:
    if isinstance(value, bool):
        sheet.write_string(line, column, "yes" if value else "no", wrap)
    elif isinstance(value, int | float):
        sheet.write_number(line, column, value, wrap)
    elif value not in (None, ""):
        sheet.write_string(line, column, str(value), wrap)


Rows = Iterable[Sequence[Any]]


def _sheets(content: Mapping[str, Any], standing: Standing) -> list[tuple[str, Sequence[str], Rows]]:
    ranking = content["ranking"]
    unit = pretty_unit(ranking["unit"])
    of = "K" if ranking["unit"] == "degC" else unit
    return [
        ("Report", ("What", "Says"), _report(content, standing)),
        ("Ranking", _ranking_head(unit, of), [_item(one) for one in (*ranking["ranking"], *ranking["provisional"])]),
        (
            "Differences",
            ("First", "Second", f"Difference [{of}]", f"Low [{of}]", f"High [{of}]", "p", "Told apart"),
            [
                (one["first"], one["second"], one["difference"], *one["interval"], one["p"], one["significant"])
                for one in ranking["differences"]
            ],
        ),
        ("Applications", ("Sample", "Application", f"Value [{unit}]"), _applications(ranking)),
        (
            "Runs",
            ("Run", "Sample", "Application", "Rig", "Quantity", "Value", "u", "dof", "Unit", "SHA-256"),
            _runs(content),
        ),
        ("Left out", ("Run", "Sample", "Application", f"Value [{unit}]", f"u [{of}]", "Why"), _left_out(ranking)),
        (
            "Conditions",
            ("Condition", "Nominal", "Unit", "Tolerance", "Unit of tolerance", "Allowed"),
            [
                (
                    one["label"],
                    one.get("nominal"),
                    pretty_unit(one.get("unit", "")),
                    one.get("tolerance"),
                    pretty_unit(one.get("tolerance_unit", "")),
                    " or ".join(one.get("allowed", ())),
                )
                for one in ranking["conditions"]
            ],
        ),
        (
            "Signatures",
            ("Name", "Meaning", "UTC", "Local", "Stands", "SHA-256 of what was signed"),
            [(one.name, one.meaning, one.utc, one.local, one.stands, one.digest) for one in standing.signatures],
        ),
    ]


def _report(content: Mapping[str, Any], standing: Standing) -> Rows:
    summary = content["summary"]
    yield "Number", standing.code or "draft"
    yield "State", standing.state
    yield from (("Notice", one) for one in standing.notices)
    yield "Title", content["title"]
    yield "Comparison", content["comparison"]
    yield "Laboratory", content["laboratory"]["name"]
    yield "Runs", content["ranking"]["title"]
    yield "Method", f"{content['method']['code']} {content['method']['name']}"
    yield "Confidence of all intervals together", content["ranking"]["confidence"]
    yield from (("Refused", one) for one in content["ranking"]["refusals"])
    yield from (("Found", one) for one in summary["told"])
    yield from (("May be claimed", one) for one in summary["may"])
    yield from (("May not be claimed", one) for one in summary["may_not"])
    yield "Digest (SHA-256)", standing.digest


def _ranking_head(unit: str, of: str) -> Sequence[str]:
    return (
        "Rank", "Sample", f"Mean [{unit}]", f"u [{of}]", "dof", f"Low [{unit}]", f"High [{unit}]", "Letters",
        "Applications", "Runs", f"u between applications [{of}]", f"u common [{of}]", "Provisional",
    )  # fmt: skip


def _item(one: Mapping[str, Any]) -> Sequence[Any]:
    low, high = one["interval"] or (None, None)
    return (
        one.get("rank"), one["sample"], one["mean"], one["u"], one["dof"], low, high, one["letters"], one["n"],
        one["runs"], one["u_between"], one["u_common"], one["provisional"],
    )  # fmt: skip


def _applications(ranking: Mapping[str, Any]) -> Rows:
    for one in (*ranking["ranking"], *ranking["provisional"]):
        for name, value in one["applications"].items():
            yield one["sample"], name, value


def _runs(content: Mapping[str, Any]) -> Rows:
    for row in content["rows"]:
        for key, one in row["figures"].items():
            of = (row["run"], row["sample"], row["application"], row["rig"], key.replace("_", " "))
            yield (*of, one["value"], one.get("u"), one.get("dof"), pretty_unit(one.get("unit", "")), row["sha256"])


def _left_out(ranking: Mapping[str, Any]) -> Rows:
    for one in ranking["left_out"]:
        why = "; ".join(reason["message"] for reason in one["reasons"])
        yield one["id"], one["sample"], one["application"], one["value"], one["u"], why
