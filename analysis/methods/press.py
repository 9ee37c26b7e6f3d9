"""Press: how a layer gives way to the force, what that says about the paste, and whether it still moves."""

from __future__ import annotations

from analysis.pressing.reporting import reduce_press_trace
from analysis.results import Outcome, Trace
from analysis.setup import RigSetup

NAME = "press"
VERSION = "1"


def reduce_press(trace: Trace, setup: RigSetup, *, zero: Trace | None = None, face: str = "") -> Outcome:
    """The approach of a layer to its final gap under a constant force. [1], [2], [3]

    Parameters: `trace` the run, `setup` the rig it was made on, `zero` a run on closed blocks before it, `face` the
    shape of the contact face ("circular", "square", or sides such as "30 mm x 40 mm").
    Returns the figures `gap` (at the end), and by the model that comes closest `viscosity` (apparent), `rest_gap` (at
    infinite time), `gap_to_go`, `yield_stress` (apparent: where large particles carry the force it is theirs). Without
    an approach the figures are empty and a flag says why. The parts of the outcome (units as people see them):
    `approach` times and gaps with the model's, `models` every model with its figures and its information criterion.
    Valid for a layer that fills the face all the time, at one temperature and one force, far thinner than wide.

    1. J. Stefan (1874), Newtonian.  2. J. R. Scott (1931), power law.
    3. G. H. Covey, B. R. Stanmore, J. Non-Newtonian Fluid Mech. 8 (1981) 249, gap at rest of a yield stress.
    """
    return reduce_press_trace(trace, setup, zero=zero, face=face, method=(NAME, VERSION))
