"""Find one record by what was typed or scanned."""

from __future__ import annotations

from typing import TypeVar

from django.db import models

from lims.core.codes import expect_kind
from lims.core.errors import NotFound

M = TypeVar("M", bound=models.Model)


def by_code(rows: models.QuerySet[M], code: str, kind: str) -> M:
    """The record of `rows` with this code, which must be one of `kind`; NotFound or Invalid in words otherwise."""
    plain = expect_kind(code, kind)
    found = rows.filter(code=plain).first()
    if found is None:
        raise NotFound(f"There is no {kind} {plain}.")
    return found
