"""Read reports: what was frozen, where it stands, what later data would change, and the paper made of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.core.cache import cache
from django.db.models import Q, QuerySet
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.comparisons import bridge
from lims.comparisons.freezing import content_of_comparison
from lims.comparisons.models import Comparison, Report
from lims.comparisons.selectors import answer_of
from lims.core.errors import NotFound
from lims.core.papers import Signed
from lims.quality.models import Certificate
from lims.signatures.freezing import content_of, signed_lines, verify, withdrawal_of

READ = "laboratory.read"
KEPT_SECONDS = 3600
NEWEST = 30  # reports of one person whose answers are looked at anew for the start page


@dataclass(frozen=True, slots=True)
class Standing:
    """How a paper stands: its state, what came after it, whether it is broken, who signed."""

    code: str = ""
    digest: str = ""
    state: str = "draft"
    mark: str = "draft"
    notices: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    signatures: tuple[Signed, ...] = ()
    address: str = ""
    at: Any = None


DRAFT = Standing(notices=("A draft: it lives, nobody has signed it, and it changes with the records.",))


def reports_for(user: User) -> QuerySet[Report]:
    """The reports this person may see, newest first."""
    require(user, READ)
    return Report.objects.select_related("comparison", "author", "signature", "superseded_by", "supersedes", "paper")


def get_report_for(user: User, code: str) -> Report:
    """One report by number and issue, where this person may see it; a number alone means its newest issue."""
    rows = reports_for(user)
    found = rows.filter(code=code).first() or rows.filter(number=code).order_by("-issue").first()
    if found is None:
        raise NotFound(f"There is no report {code}.")
    return found


def reports_of(comparison: Comparison) -> list[Report]:
    """The reports of one comparison, newest first."""
    return list(comparison.reports.select_related("author", "signature", "superseded_by").order_by("-issue"))


def last_report_of(comparison: Comparison) -> Report | None:
    """The newest issue; None before the first."""
    return comparison.reports.order_by("-issue").first()


def standing_of(report: Report, *, address: str = "") -> Standing:
    """How a report stands now; drawn on its page and on every paper made of it after it was issued."""
    state, broken = report.state, tuple(verify(report))
    return Standing(
        code=report.code,
        digest=report.digest,
        state=state,
        mark="" if state == "issued" else state,
        notices=(*broken, *_marks(report, state)),
        broken=broken,
        signatures=signed_lines(report),
        address=address,
        at=report.at,
    )


def standing_now(report: Report, *, address: str = "") -> tuple[dict[str, Any], Standing]:
    """What a report that is just being issued shows, and how it stands: its row is not kept yet."""
    return content_of(report), Standing(
        code=report.code,
        digest=report.digest,
        state="issued",
        mark="",
        signatures=signed_lines(report),
        address=address,
        at=report.at,
    )


def paper_by_code(code: str) -> dict[str, Any] | None:
    """What anybody may know of a paper by its code: identity, issue, state, digest; None where there is none."""
    for model in (Report, Certificate):
        found = model.objects.filter(code=code.strip().upper()).first()
        if found is not None:
            told = {"code": found.code, "issue": found.issue, "state": found.state, "digest": found.digest}
            return told | {
                "kind": found.record_kind,
                "issued": found.at,
                "file": found.paper.sha256,
                "broken": verify(found),
            }
    return None


def _marks(report: Report, state: str) -> list[str]:
    words = []
    if withdrawal := withdrawal_of(report):
        reason = withdrawal.content.get("reason", "")
        words.append(f"Withdrawn {withdrawal.at:%Y-%m-%d} by {withdrawal.printed_name}: {reason}")
    later = Report.objects.filter(supersedes=report).first()
    if later:
        words.append(f"Replaced by issue {later.issue}, {later.code}.")
    return words


def content_of_report(report: Report) -> dict[str, Any]:
    """What was shown when it was issued."""
    return content_of(report)


def draft_of(comparison: Comparison) -> dict[str, Any]:
    """What a report would show now."""
    return content_of_comparison(comparison)


def notice_of(report: Report) -> list[str]:
    """What later data would change in an issued report, in sentences; empty where nothing."""
    answer = answer_of(report.comparison)
    key = f"notice:{report.code}:{answer.digest}"
    found: list[str] | None = cache.get(key)
    if found is None:
        frozen = content_of(report)
        found = [] if frozen["answer"] == answer.digest else would_change(frozen, answer.ranking)
        cache.set(key, found, KEPT_SECONDS)
    return found


def would_change(frozen: Mapping[str, Any], ranking: Mapping[str, Any]) -> list[str]:
    """What a ranking says otherwise than what is frozen; a figure asked anew cannot be set against the old one."""
    if frozen["ranking"]["figure"] != ranking["figure"]:
        return ["the comparison now ranks by another figure"]
    return bridge.changes_between(frozen["ranking"], ranking) or _left_out_since(frozen["ranking"], ranking)


def _left_out_since(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    known = {one["id"] for one in before["left_out"]}
    more = [one["id"] for one in after["left_out"] if one["id"] not in known]
    return [f"{len(more)} newer run{'s' if len(more) > 1 else ''}, left out"] if more else []


def notices_for(user: User) -> list[tuple[Report, str]]:
    """The newest standing reports this person wrote or signed that later data would change, with what."""
    rows = reports_for(user).filter(Q(author=user) | Q(signature__signer=user), superseded_by=None)
    found = []
    for report in rows.order_by("-id")[:NEWEST]:
        if withdrawal_of(report) is None and (words := notice_of(report)):
            found.append((report, "; ".join(words)))
    return found


def changed_since(report: Report, content: Mapping[str, Any]) -> list[str]:
    """What a new issue changes, in sentences."""
    before = content_of(report)
    found = [f"the {name} changed" for name in ("title", "question") if before[name] != content[name]]
    if before["asked"]["figure"] != content["asked"]["figure"]:
        return [*found, "it is ranked by another figure"]
    if before["asked"] != content["asked"]:
        found.append("what is asked changed: reference, confidence or conditions")
    found += bridge.changes_between(before["ranking"], content["ranking"], done=True)
    return found or ["nothing in the ranking"]


def today() -> str:
    """The day, for a draft's head."""
    return timezone.localdate().isoformat()
