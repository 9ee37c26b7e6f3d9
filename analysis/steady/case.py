"""Everything the checks look at once a run has been reduced."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.steady.figures import Figures
from analysis.steady.gap import Reference
from analysis.steady.plateaus import Found, Search
from analysis.steady.run import Run
from analysis.steady.window import Rig, Window


@dataclass(frozen=True, slots=True)
class Case:
    """A run, what was looked for in it, and where a plateau counts: its window and figures."""

    run: Run
    rig: Rig
    search: Search
    reference: Reference | None
    chosen: Found | None = None
    window: Window | None = None
    figures: Figures | None = None
    by_hand: bool = False

    @property
    def rows(self) -> slice | None:
        return None if self.chosen is None else self.chosen.rows
