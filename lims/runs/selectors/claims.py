"""What was measured of a sample, to hold a claim against."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lims.accounts.models import User
from lims.core.claims import judge_measured
from lims.runs.models import Run
from lims.runs.selectors.runs import runs_for
from lims.runs.states import RunState
from lims.samples.selectors import get_sample_for

NEEDED = ("gap", "thermal_impedance")
USED = (RunState.ACCEPTED, RunState.LOCKED)


@dataclass(frozen=True, slots=True)
class Measured:
    """A claim beside what one run measured: the run, its figures as people see them, and the judgement."""

    run: Run
    figures: dict[str, Any]
    judged: dict[str, Any] | None


def claim_beside_sample(user: User, code: str, *, conductivity: float | None, kind: str = "") -> Measured | None:
    """The newest usable result of a sample, and what it makes of a claimed conductivity [W/(m K)].

    None where no run of the sample has a gap and an impedance. Raises NotFound for a sample that is not there.
    """
    sample = get_sample_for(user, code)
    found = (
        runs_for(user)
        .defer(None)
        .filter(application__sample=sample, state__in=USED, current__figures__has_keys=list(NEEDED))
        .select_related("current")
        .first()
    )
    if found is None or found.current is None:
        return None
    gap, impedance = (float(found.current.figures[key]["value"]) for key in NEEDED)
    judged = None
    if conductivity is not None:
        judged = judge_measured(conductivity, gap=gap, impedance=impedance, kind=kind)
    return Measured(found, {key: found.current.result["figures"][key] for key in NEEDED}, judged)
