"""Sign: the password anew, a meaning, and a digest over exactly what was shown."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from django.utils import timezone

from lims.accounts.models import User
from lims.accounts.secrets import check_secrets
from lims.core.errors import NotAllowed
from lims.signatures.models import Signature


def canonical(content: dict[str, Any]) -> str:
    """The one form in which content is signed: sorted keys, no blanks, numbers only (after RFC 8785)."""
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def digest_of(content: dict[str, Any]) -> str:
    """SHA-256 of the canonical form."""
    return hashlib.sha256(canonical(content).encode()).hexdigest()


def sign(*, actor: User, password: str, meaning: str, subject: tuple[str, str], content: dict[str, Any]) -> Signature:
    """Sign `content` about `subject` (kind, code). Refuses wrong secrets and a service account."""
    if actor.is_service:
        raise NotAllowed("A service account cannot sign.", code="service-cannot-sign")
    check_secrets(actor, password)
    return Signature.objects.create(
        signer=actor,
        printed_name=actor.printed_name,
        meaning=meaning,
        zone=timezone.get_current_timezone_name(),
        subject_kind=subject[0],
        subject_code=subject[1],
        content=content,
        digest=digest_of(content),
    )


def stands(signature: Signature) -> bool:
    """Whether what was signed is still what is stored."""
    return digest_of(signature.content) == signature.digest
