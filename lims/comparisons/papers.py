"""The paper of a comparison: what was frozen, as sections that are drawn as PDF and as a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lims.comparisons.bridge import label_of
from lims.comparisons.reports import Standing, today
from lims.core.display import pretty_unit, pretty_units, show_number
from lims.core.papers import Drawing, Facts, Paper, Section, Table, Words, figure_words, listed

Content = Mapping[str, Any]


def paper_of(content: Content, standing: Standing) -> Paper:
    """The whole paper."""
    ranking = content["ranking"]
    return Paper(
        what="comparison report",
        title=content["title"],
        laboratory=content["laboratory"]["name"],
        laboratory_address=content["laboratory"]["address"],
        code=standing.code,
        subject=content["comparison"],
        lead=ranking["title"],
        date=f"issued {standing.at:%Y-%m-%d}" if standing.at else f"draft of {today()}",
        mark=standing.mark,
        notices=standing.notices,
        signatures=standing.signatures,
        digest=standing.digest,
        address=standing.address,
        at=standing.at,
        sections=tuple(section for make in SECTIONS if (section := make(content)) is not None),
    )


def _summary(content: Content) -> Section:
    summary = content["summary"]
    return Section(
        "What was found",
        (
            *([Words((content["question"],))] if content["question"] else []),
            Words(tuple(summary["told"]) or ("Nothing was measured that could be ranked.",), "list"),
        ),
    )


def _claims(content: Content) -> Section:
    summary = content["summary"]
    parts: list[Any] = [
        Words(("May be claimed:",)),
        Words(tuple(summary["may"]), "good"),
        Words(("May not be claimed:",)),
        Words(tuple(summary["may_not"]), "caution"),
    ]
    if content["claims"]:
        rows = tuple(
            (one["sample"], one["claimed"] or "none stated", one["verdict"], pretty_units(one["sentence"]))
            for one in content["claims"]
        )
        head = ("Sample", "Claimed conductivity", "Verdict", "Why")
        caption = "Advertised figures, or where none is stated the measured layer itself, against what physics allows."
        parts.append(Table(head, rows, caption=caption, widths=(1.1, 1.5, 1.1, 5)))
    return Section("What may and may not be claimed", tuple(parts))


def _ranking(content: Content) -> Section:
    ranking = content["ranking"]
    unit = pretty_unit(ranking["unit"])
    names = {one["code"]: one["name"] for one in content["samples"]}
    rows = [_row(item, names, content) for item in ranking["ranking"]]
    rows += [_row(item, names, content, rank="provisional") for item in ranking["provisional"]]
    head = ("Rank", "Sample", f"Mean and interval [{unit}]", "Letters", "n", "Runs", "Notes")
    level = f"{ranking['confidence']:.0%}".replace("%", " %")
    caption = (
        f"Intervals hold at {level} together. Samples that share a letter cannot be told apart. n counts applications; "
        "runs and readings of one application never narrow an interval."
    )
    parts: list[Any] = [Words(tuple(f"No order: {one}" for one in ranking["refusals"]), "caution")]
    if rows:
        parts.append(
            Table(head, tuple(rows), numbers=(2, 4, 5), caption=caption, widths=(1.2, 3.2, 2, 0.9, 0.5, 0.7, 2.2))
        )
        drawing = content["drawing"]
        parts.append(Drawing(drawing["svg"], drawing["words"], tuple(drawing["notes"])))
    notes = tuple(one[:1].upper() + one[1:] for one in ranking["notes"])
    parts.append(Words(notes, "caution"))
    return Section(f"Ranked by {label_of(ranking['figure']).lower()}: {ranking['title']}", _filled(parts))


def _row(item: Content, names: Mapping[str, str], content: Content, *, rank: str = "–") -> tuple[str, ...]:
    interval = item["interval"]
    expanded = (interval[1] - interval[0]) / 2 if interval else None
    mean = figure_words(item["mean"], item["u"], "", expanded=expanded)
    inclusions = [one for one in content["inclusions"] if one["sample"] == item["sample"]]
    notes = [*item["notes"], *(f"included although {reason}" for reason in _against(content, item) if inclusions)]
    if not interval:
        notes.append("no interval from its own data")
    return (
        str(item.get("rank") or rank),
        f"{item['sample']} {names.get(item['sample'], '')}".strip(),
        mean,
        item["letters"],
        str(item["n"]),
        str(item["runs"]),
        "; ".join([*([listed(item["rigs"])] if item["rigs"] else []), *notes]),
    )


def _against(content: Content, item: Content) -> list[str]:
    return sorted({reason for run in item["result_ids"] for reason in content["against"].get(run, [])})


def _differences(content: Content) -> Section | None:
    ranking = content["ranking"]
    unit = "K" if ranking["unit"] in ("K", "degC") else pretty_unit(ranking["unit"])
    pairs = ranking["against_reference"] or ranking["differences"]
    rows = tuple(
        (f"{one['first']} less {one['second']}", _difference(one), _p(one["p"]), "yes" if one["significant"] else "no")
        for one in pairs
    )
    statistics = ranking["statistics"]
    facts = []
    if statistics:
        sd, dof = show_number(statistics["sd"], digits=2), show_number(statistics["dof"], digits=3)
        facts.append(("Between applications", f"standard deviation {sd} {unit} with {dof} degrees of freedom"))
        facts.append(("Spread", statistics["spread"]))
        facts.append(("Method of the intervals", statistics["method"]))
        if statistics["smallest_difference"]:
            smallest = show_number(statistics["smallest_difference"], digits=2)
            facts.append(("Smallest difference", f"{smallest} {unit}: what this plan sees with a chance of 80 %"))
    if not rows and not facts:
        return None
    title = f"Differences to the reference {ranking['reference']}" if ranking["against_reference"] else "Differences"
    table = Table(("Pair", f"Difference and interval [{unit}]", "p", "Told apart"), rows, numbers=(1, 2))
    return Section(title, _filled([table if rows else Words(()), Facts(tuple(facts))]))


def _p(value: float) -> str:
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def _difference(pair: Content) -> str:
    low, high = pair["interval"]
    return figure_words(pair["difference"], None, "", expanded=(high - low) / 2)


def _conditions(content: Content) -> Section:
    method, ranking = content["method"], content["ranking"]
    facts = [("Method", f"{method['code']} {method['name']}")]
    if method["since"]:
        facts.append(("In force since", method["since"]))
    for key in ranking["conditions"]:
        if key.get("nominal") is not None:
            nominal, unit = show_number(key["nominal"]), pretty_unit(key["unit"])
            of = "K" if key["unit"] == "degC" else pretty_unit(key["tolerance_unit"])
            facts.append(
                (key["label"].capitalize(), f"{nominal} {unit} ± {show_number(key['tolerance'], digits=3)} {of}")
            )
        elif key["key"] != "method":
            facts.append((key["label"].capitalize(), " or ".join(key["allowed"])))
    facts.append(("Repeats asked for", f"{ranking['required']} applications of each sample"))
    return Section("Matched conditions", (Facts(tuple(facts)),))


def _uncertainty(content: Content) -> Section | None:
    ranking = content["ranking"]
    unit = "K" if ranking["unit"] in ("K", "degC") else pretty_unit(ranking["unit"])
    items = [one for one in (*ranking["ranking"], *ranking["provisional"]) if one["u"] is not None]
    rows = tuple(
        (one["sample"], *(show_number(one[key], digits=2) or "–" for key in ("u_between", "u_common", "u", "dof")))
        for one in items
    )
    head = ("Sample", f"Between applications [{unit}]", f"Common to the rig [{unit}]", f"u of the mean [{unit}]", "dof")
    parts: list[Any] = []
    if rows:
        caption = "Standard uncertainties. What is common to a rig cancels in differences between samples on that rig."
        parts.append(Table(head, rows, numbers=(1, 2, 3, 4), caption=caption))
    if budget := content["budget"]:
        lines = sorted(budget["lines"], key=lambda line: -(line.get("share") or 0.0))
        of_run = tuple(
            (str(line["source"]), show_number(line["u"], digits=2), _share(line), str(line.get("kind") or ""))
            for line in lines
        )
        caption = f"What the uncertainty of a single result is made of, in run {budget['run']}."
        parts.append(Table(("Source", f"u [{unit}]", "Share", "Type"), of_run, numbers=(1, 2), caption=caption))
    return Section("Uncertainty budget", tuple(parts)) if parts else None


def _share(line: Content) -> str:
    share = line.get("share")
    return f"{share:.0%}".replace("%", " %") if isinstance(share, float) else "–"


def _left_out(content: Content) -> Section:
    ranking = content["ranking"]
    rows = tuple(
        (
            one["id"],
            listed([part for part in (one["sample"], one["application"]) if part], none="–"),
            " ".join(_sentence(reason["message"]) for reason in one["reasons"]),
            " ".join(_sentence(reason["change"]) for reason in one["reasons"] if reason["change"]),
        )
        for one in ranking["left_out"]
    )
    if not rows:
        return Section("Left out", (Words(("Nothing: every run of these samples is used.",)),))
    head = ("Run", "Sample, application", "Why", "What would let it in")
    return Section(f"Left out: {len(rows)}", (Table(head, rows, widths=(1, 1.6, 3.4, 2.4)),))


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def _by_reason(content: Content) -> Section | None:
    rows = [(one["sample"], "included in the ranking", one["reason"], one["by"]) for one in content["inclusions"]]
    rows += [
        (one["run"], f"flag {one['flag'].replace('_', ' ')} set aside", one["reason"], one["by"])
        for one in content["overrides"]
    ]
    rows += [(one["application"], "departure", one["words"], "") for one in content["departures"]]
    if not rows:
        return None
    head = ("Record", "What", "Reason", "By")
    return Section("Departures, inclusions and flags set aside", (Table(head, tuple(rows), widths=(1, 1.7, 3.5, 1.3)),))


def _samples(content: Content) -> Section:
    rows = tuple(
        (one["code"], one["name"], f"{one['origin']} {one['from']}".strip(), one["taken"][:10], one["condition"])
        for one in content["samples"]
    )
    head = ("Sample", "Name", "Origin", "Taken", "Condition")
    only = "The results hold for the samples listed here, and for nothing else."
    return Section("Samples", (Table(head, rows, widths=(0.8, 2, 2, 1, 2)), Words((only,), "quiet")))


def _methods(content: Content) -> Section:
    rows = tuple(
        (one["run"], one["code"], one["rig"], one["method"], one["package"], (one["files"].get("run") or "")[:16])
        for one in content["reductions"]
    )
    head = ("Run", "Reduction", "Rig", "Method", "Package", "File, SHA-256 begins")
    parts: list[Any] = [Table(head, rows)] if rows else []
    libraries: Mapping[str, str] = next((one["libraries"] for one in content["reductions"] if one["libraries"]), {})
    used = ", ".join(f"{name} {number}" for name, number in sorted(libraries.items()))
    parts.append(Words((f"Ranked by analysis {content['software']['analysis']}. {used}".strip(),), "quiet"))
    return Section("Reductions and versions", tuple(parts))


def _calibrations(content: Content) -> Section | None:
    rows = tuple(
        (one["rig"], one["sensor"], one["quantity"], one["certificate"] or "–", one["reference"], one["u"], one["due"])
        for one in content["calibrations"]
    )
    if not rows:
        return None
    head = ("Rig", "Sensor", "Measures", "Certificate", "Reference standard", "u", "Due")
    return Section("Calibrations", (Table(head, rows, widths=(0.8, 1.5, 1.6, 1.3, 2.4, 1, 1.1)),))


def _issue(content: Content) -> Section | None:
    if not content.get("changes"):
        return None
    rows = (*((f"{one[:1].upper()}{one[1:]}") for one in content["changes"]),)
    return Section("Changed since the issue before", (Words((f"Why: {content['reason']}",)), Words(rows, "list")))


def _filled(parts: Sequence[Any]) -> tuple[Any, ...]:
    return tuple(part for part in parts if not (isinstance(part, Words) and not part.lines))


SECTIONS = (
    _issue, _summary, _ranking, _claims, _conditions, _differences, _uncertainty, _left_out, _by_reason, _samples,
    _methods, _calibrations,
)  # fmt: skip
