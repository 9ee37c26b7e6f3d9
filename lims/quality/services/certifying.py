"""Issue a certificate of analysis, amend one by a new issue, withdraw one."""

from __future__ import annotations

from dataclasses import dataclass

from lims.accounts.acts import act, require_not_own_work
from lims.accounts.models import User
from lims.core.codes import next_code
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked
from lims.core.papers import draw_paper
from lims.formulations.models import Batch
from lims.materials.models import Lot
from lims.quality.certificates import Asked, Subject, blocking, changed_since, content_of_certificate
from lims.quality.models import Certificate
from lims.quality.papers import paper_of_certificate, standing_of_certificate
from lims.quality.selectors import took_part, took_part_in_lot
from lims.signatures.freezing import Issuing, content_of, issue_paper, withdraw_paper


@dataclass(frozen=True, slots=True)
class _By:
    """Who signs, with their password, and the pattern of the address at which the paper can be checked."""

    actor: User
    password: str
    address: str


@act("certificate.issue")
def issue_certificate(subject: Subject, *, actor: User, password: str, asked: Asked, address: str = "") -> Certificate:
    """Issue a certificate for a released or conceded lot or batch by signature; not by who made or tested it."""
    return _issue(subject, _By(actor, password, address), asked=asked)


@act("certificate.issue")
def amend_certificate(
    certificate: Certificate, *, actor: User, password: str, asked: Asked, reason: str, address: str = ""
) -> Certificate:
    """Issue a certificate anew: it names what changed and why, and takes the place of the issue before."""
    fresh = locked(certificate)
    if fresh.state == "superseded":
        raise Conflict(f"{fresh.code} was replaced by a later issue; amend that one.", code="superseded")
    model = Lot if fresh.subject_kind == "lot" else Batch
    subject = model._default_manager.get(code=fresh.subject_code)
    return _issue(subject, _By(actor, password, address), asked=asked, before=fresh, reason=reason)


def _issue(
    subject: Subject, by: _By, *, asked: Asked, before: Certificate | None = None, reason: str = ""
) -> Certificate:
    fresh: Subject = locked(subject)
    people = took_part_in_lot(fresh) if isinstance(fresh, Lot) else took_part(fresh)
    require_not_own_work(by.actor, "certificate.issue", people)
    refuse_blocked(fresh)
    _refuse_blank(asked)
    content = content_of_certificate(fresh, asked)
    issuing = Issuing(
        actor=by.actor,
        password=by.password,
        number=before.number if before else next_code("certificate"),
        title=content["title"],
        content=content,
        author=by.actor,
        before=before,
        changes=tuple(changed_since(before, content)) if before else (),
        reason=reason.strip(),
        links={
            "subject_kind": fresh.record_kind,
            "subject_code": fresh.code,
            "customer": asked.customer.strip(),
            "customer_contact": asked.customer_contact.strip(),
        },
    )
    return issue_paper(Certificate, issuing, draw=lambda paper: _drawn(paper, by.address))


def refuse_blocked(subject: Subject) -> None:
    """Refuse a certificate while something stands against it, naming all of it."""
    found = blocking(subject)
    if found:
        raise Conflict(
            f"No certificate of {subject.code} can be issued: {' '.join(found)}",
            code="certificate-blocked",
            next_step=f"{len(found)} thing{'s' if len(found) > 1 else ''} missing.",
            missing=found,
        )


def _refuse_blank(asked: Asked) -> None:
    needed = {"customer": asked.customer, "customer_contact": asked.customer_contact, "sampling": asked.sampling}
    fields = {name: ["A certificate carries it."] for name, value in needed.items() if not value.strip()}
    if fields:
        raise Invalid("Something that every certificate carries is missing.", code="incomplete", fields=fields)


def _drawn(paper: Certificate, address: str) -> bytes:
    standing = standing_of_certificate(paper, address=address.replace("{code}", paper.code), fresh=True)
    return draw_paper(paper_of_certificate(content_of(paper), standing))


@act("certificate.withdraw")
def withdraw_certificate(certificate: Certificate, *, actor: User, password: str, reason: str) -> Certificate:
    """Withdraw a certificate by a further signature; it stays readable and is marked everywhere."""
    return withdraw_paper(certificate, actor=actor, password=password, reason=reason)
