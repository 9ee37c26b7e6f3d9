"""The paper of a certificate: what was frozen, as sections that are drawn as PDF and as a page.

Beside each section stands the item of ISO/IEC 17025:2017, 7.8.2.1 that it answers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.utils import timezone

from lims.core.display import show_number
from lims.core.papers import Facts, Paper, Section, Signed, Table, Words, figure_words, listed
from lims.quality.models import Certificate
from lims.signatures.freezing import signed_lines, verify, withdrawal_of

Content = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Standing:
    """How a certificate stands: its state, what came after it, whether it is broken, who signed."""

    code: str = ""
    digest: str = ""
    state: str = "draft"
    mark: str = "draft"
    notices: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    signatures: tuple[Signed, ...] = ()
    address: str = ""
    at: Any = None


DRAFT = Standing(notices=("A draft: nobody has signed it. It is no certificate.",))


def standing_of_certificate(paper: Certificate, *, address: str = "", fresh: bool = False) -> Standing:
    """How a certificate stands now; `fresh`: it is just being issued, its row is not kept yet."""
    state = "issued" if fresh else paper.state
    broken = () if fresh else tuple(verify(paper))
    return Standing(
        code=paper.code,
        digest=paper.digest,
        state=state,
        mark="" if state == "issued" else state,
        notices=(*broken, *([] if fresh else _marks(paper))),
        broken=broken,
        signatures=signed_lines(paper),
        address=address,
        at=paper.at,
    )


def _marks(paper: Certificate) -> list[str]:
    words = []
    if withdrawal := withdrawal_of(paper):
        reason = withdrawal.content.get("reason", "")
        words.append(f"Withdrawn {withdrawal.at:%Y-%m-%d} by {withdrawal.printed_name}: {reason}")
    if later := Certificate.objects.filter(supersedes=paper).first():
        words.append(f"Replaced by issue {later.issue}, {later.code}.")
    return words


def paper_of_certificate(content: Content, standing: Standing) -> Paper:
    """The whole paper: title (a), laboratory (b), number and end (d), issue date (j), who authorized it (o)."""
    return Paper(
        what="certificate of analysis",
        title=f"{content['name']}, {content['subject_kind']} {content['subject']}",
        laboratory=content["laboratory"]["name"],
        laboratory_address=content["laboratory"]["address"],
        code=standing.code,
        subject=content["subject"],
        date=f"issued {standing.at:%Y-%m-%d}" if standing.at else f"draft of {timezone.localdate().isoformat()}",
        mark=standing.mark,
        notices=standing.notices,
        signatures=standing.signatures,
        digest=standing.digest,
        address=standing.address,
        at=standing.at,
        sections=tuple(section for make in SECTIONS if (section := make(content)) is not None),
    )


def _issue(content: Content) -> Section | None:
    """Amended reports: what changed, and why (7.8.8)."""
    if not content.get("changes"):
        return None
    changed = tuple(f"{one[:1].upper()}{one[1:]}" for one in content["changes"])
    return Section("Changed since the issue before", (Words((f"Why: {content['reason']}",)), Words(changed, "list")))


def _item(content: Content) -> Section:
    """Customer (e), item (g), dates of receipt and tests (h, i), place (c)."""
    tested = " to ".join(dict.fromkeys(content["tested"])) or "–"
    places = listed(content["places"], none=content["laboratory"]["name"])
    rows = (
        ("Customer", content["customer"]),
        ("Contact", content["customer_contact"]),
        *((name, value) for name, value in content["item"] if value),
        ("Released", _released(content)),
        ("Tested", tested),
        ("Where", places),
    )
    return Section("Customer and item", (Facts(rows),))


def _released(content: Content) -> str:
    decision = content["decision"]
    if not decision:
        return "not released"
    return f"{content['state']}; {decision['outcome']} signed by {decision['name']}, {decision['at'][:10]}"


def _conformity(content: Content) -> Section | None:
    """Statements of conformity: which results, which specification, which decision rule (7.8.6.2)."""
    if not content["verdicts"]:
        words = "No specification was in force; this certificate states results and no conformity."
        return Section("Conformity", (Words((words,)),))
    rows = tuple(
        (
            one["label"].capitalize(),
            one["limit"],
            figure_words(one["value"], one["u"], one["unit"]),
            one["outcome"],
            "–" if one["probability"] is None else f"{one['probability']:.4f}",
            f"{one['specification']}, {one['rule']}; {one['basis']}",
        )
        for one in content["verdicts"]
    )
    head = ("Quantity", "Limit", "Result", "Statement", "P (conforms)", "Specification and decision rule")
    caption = (
        "The decision rule was fixed before the tests. P is the probability that the true value conforms, from the "
        "result and its uncertainty."
    )
    table = Table(head, rows, numbers=(2, 4), caption=caption, widths=(1.6, 1.7, 1.7, 1.2, 0.9, 2.6))
    return Section("Conformity", (table,))


def _concession(content: Content) -> Section | None:
    if not content["concession"]:
        return None
    return Section("Accepted under a concession", (Words((f"Limited: {content['concession']}",), "caution"),))


def _results(content: Content) -> Section:
    """Results with their units (m), methods (f); those not judged stay on the paper."""
    rows = tuple(
        (
            one["label"].capitalize(),
            figure_words(one["value"], one["u"], one["unit"]),
            _degrees(one["dof"]),
            one["source"],
            one["on"],
            one["method"],
        )
        for one in content["results"]
    )
    head = ("Quantity", "Result", "dof", "Record", "Tested", "Method")
    caption = "± is the expanded uncertainty, k = 2, which covers about 95 %; dof are the degrees of freedom of u."
    parts: list[Any] = [Table(head, rows, numbers=(1, 2), caption=caption, widths=(2, 2, 0.6, 1.8, 1.2, 2.2))]
    if content["not_judged"]:
        kept = tuple(
            (one["label"].capitalize(), figure_words(one["value"], one["u"], one["unit"]), one["source"], one["why"])
            for one in content["not_judged"]
        )
        caption = "Results that were obtained and are not judged; none is left away."
        parts.append(Table(("Quantity", "Result", "Record", "Why"), kept, caption=caption, widths=(1.6, 1.8, 1.2, 4)))
    return Section("Results", tuple(parts))


def _degrees(dof: float | None) -> str:
    return "∞" if dof is None else show_number(dof, digits=3)


def _external(content: Content) -> Section | None:
    """Results from outside are marked (p)."""
    if not content["external"]:
        return None
    rows = tuple(
        (one["label"].capitalize(), figure_words(one["value"], one["u"], one["unit"]), one["method"])
        for one in content["external"]
    )
    words = "External: stated by the supplier, not measured by this laboratory, and not judged above."
    return Section("Results from outside", (Words((words,), "caution"), Table(("Quantity", "Stated", "Method"), rows)))


def _samples(content: Content) -> Section:
    """Sampling (k), condition of the items (g)."""
    parts: list[Any] = [Words((f"Sampling plan and method: {content['sampling']}",))]
    rows = tuple(
        (one["code"], one["taken"], one["place"] or "–", one["plan"] or "–", one["condition"])
        for one in content["samples"]
    )
    if rows:
        parts.append(Table(("Sample", "Taken", "At", "Plan", "Condition"), rows, widths=(0.8, 1, 1.4, 2.2, 2.2)))
    parts.append(Words((f"Lots: {listed(content['lots'])}.",), "quiet"))
    return Section("Samples and lots", tuple(parts))


def _departures(content: Content) -> Section:
    """Departures from the method (n)."""
    found = tuple(content["departures"]) or ("None.",)
    return Section("Departures from the method", (Words(found, "list" if content["departures"] else "plain"),))


def _remarks(content: Content) -> Section | None:
    if not content["remarks"]:
        return None
    return Section("Remarks, apart from the results", (Words((content["remarks"],)),))


def _limits(content: Content) -> Section:
    """To what the results relate (l), and that the certificate is one whole."""
    return Section(
        "To what this relates",
        (
            Words(
                (
                    f"The results relate only to the items tested: {content['subject_kind']} {content['subject']} and "
                    "the samples named here, as they were received.",
                    "The certificate is copied only as a whole, unless the laboratory agrees in writing.",
                )
            ),
        ),
    )


SECTIONS = (
    _issue, _item, _conformity, _concession, _results, _external, _samples, _departures, _remarks, _limits,
)  # fmt: skip
