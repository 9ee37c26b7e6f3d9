"""Keep a study: its options, its reductions and its result under a code, never edited."""

from __future__ import annotations

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.core.codes import next_code
from lims.core.errors import Invalid
from lims.runs.models import KeptStudy
from lims.runs.selectors.studies import Study


@act("study.keep")
def keep_study(study: Study, *, actor: User, title: str) -> KeptStudy:
    """Keep what a study found, with what it was made from and what was asked of it."""
    if not title.strip():
        raise Invalid("A study needs a title.", fields={"title": ["Write what it is about."]})
    kept = KeptStudy(
        code=next_code("study"),
        title=title.strip(),
        method=study.kind.key,
        options=dict(study.options),
        runs=[reduction.run.code for reduction in study.reductions],
        reductions=[reduction.code for reduction in study.reductions],
        result=study.result,
        package_version=study.kind.version,
        kept_by=actor,
    )
    kept.save()
    return kept
