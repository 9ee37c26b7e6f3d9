"""What the figures of a rig have in common: how they are refused, and the files they come from."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.results import Flag, Outcome, Severity, Trace
from analysis.setup import RigSetup

VERSION = "1"


def refused(name: str, why: str, setup: RigSetup, traces: Sequence[Trace]) -> Outcome:
    return Outcome(
        method=f"rig {name}",
        method_version=VERSION,
        flags=(Flag("not_defensible", Severity.BLOCKS, why),),
        text=("no figure is defensible",),
        setup=setup.source,
        files=files_of(traces),
    )


def files_of(traces: Sequence[Trace]) -> dict[str, str]:
    return {f"run {number}": trace.sha256 for number, trace in enumerate(traces, start=1)}
