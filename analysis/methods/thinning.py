"""Thinning: bulk conductivity from one application, while its layer thins under power or at several forces."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.results import Outcome, Trace
from analysis.setup import RigSetup
from analysis.thinning.reporting import reduce_thinning_trace

NAME = "thinning"
VERSION = "1"


def reduce_thinning(
    trace: Trace, setup: RigSetup, *, zero: Trace | None = None, series: Mapping[str, Any] | None = None
) -> Outcome:
    """Conductivity and contact impedance from impedance against gap within one run. [1], [2]

    Parameters: `trace` the run, `setup` the rig it was made on, `zero` a run on closed blocks before it, `series` the
    outcome of a thickness series of the same material to compare with.
    Returns `conductivity` and `contact_impedance`; where the gap does not move enough the figures are empty and a flag
    says by how much it would have to. The parts of the outcome (units as people see them): `points` the quasi-steady
    blocks, the line, how many independent points they are worth; `comparison` with the series.
    Only blocks count in which the hot block stores little heat (what it stores is taken out) and the gap goes little
    of its way within a sensor's lag. A block's own scatter is widened by the memory of the residuals; zero, sensors,
    area, loss, expansion, heat capacity and lag are common to all blocks and are carried through the line. An error
    of the gap sensor is taken as the same at every gap of the run.
    Valid where conductivity and contacts stay the same while the layer thins; at several forces the contacts may not.

    1. D. York et al., Am. J. Phys. 72 (2004) 367.
    2. JCGM 100:2008, 4.2.7 and 5.2.
    """
    return reduce_thinning_trace(trace, setup, zero=zero, series=series, method=(NAME, VERSION))
