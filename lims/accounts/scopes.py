"""What a token may do: a token for one purpose, stolen, opens no more than that purpose."""

from __future__ import annotations

from types import MappingProxyType
from typing import Any

from lims.accounts.roles import RIGHTS
from lims.core.errors import NotAllowed

EVERYTHING = "everything"
RIG = "runs of one rig"

_OWN = frozenset({"account.see_own"})
# the scope's name, and the rights it leaves; None leaves all that the person has
SCOPES: MappingProxyType[str, frozenset[str] | None] = MappingProxyType(
    {
        EVERYTHING: None,
        "reading": _OWN | {right for right in RIGHTS if right.endswith(".read")},
        RIG: _OWN | {"run.upload", "rig.record_zero"},
        "weighing": _OWN | {"batch.weigh"},
    }
)


def require_scope(token: Any, right: str) -> None:
    """Refuse what lies outside the token's scope. No token, or one without a scope, narrows nothing."""
    name = getattr(getattr(token, "scope", None), "scope", EVERYTHING)
    rights = SCOPES[name]
    if rights is not None and right not in rights:
        raise NotAllowed(
            f"This token is for {name}; it does not reach {right}.",
            code="token-scope",
            next_step="Make a token with the scope that this needs.",
        )


def require_rig(token: Any, rig_code: str) -> None:
    """Refuse another rig than the one a token is for."""
    scope = getattr(token, "scope", None)
    if scope and scope.rig_code and scope.rig_code != rig_code:
        raise NotAllowed(
            f"This token is for {scope.rig_code}, not for {rig_code or 'a run that names no rig'}.", code="token-scope"
        )
