"""The science of the laboratory, without the web: files and numbers in, figures with their uncertainty out.

In a notebook:

    import analysis

    result = analysis.reduce("run.csv", setup="bench-2.toml", zero="zero.csv")
    print(analysis.to_text(result))
    result.figure("thermal_impedance")  # shows as: Thermal impedance: 12.31 ± 0.42 mm²·K/W (k = 2.03)
    result.figures["thermal_impedance"]  # Measured: value, u, dof in SI units (m^2*K/W)
    result.to_dict()  # the whole in the units people see; result.to_frame() the figures as a table

`run` may also be a `Trace`, or a mapping of columns, headed as in a file:

    analysis.reduce({"time [s]": t, "hot [degC]": hot, "cold [degC]": cold, ...}, setup="bench-2.toml")

From the command line: `python -m analysis reduce run.csv --setup bench-2.toml`.
"""

from __future__ import annotations

from analysis.joining import join
from analysis.output import from_dict, to_text
from analysis.plausibility import Claim, assess
from analysis.results import Measured, Outcome, Propagated, Reduction, Trace, Trials
from analysis.runs import Run, Setup, read_run, reduce, trace_of
from analysis.setup import RigSetup
from analysis.setup_reading import read_setup
from analysis.steady.zero_run import reduce_zero
from analysis.studies import ageing, cycles, difference, press, series, thinning
from analysis.version import VERSION

__version__ = VERSION

__all__ = [
    "Claim",
    "Measured",
    "Outcome",
    "Propagated",
    "Reduction",
    "RigSetup",
    "Run",
    "Setup",
    "Trace",
    "Trials",
    "ageing",
    "assess",
    "cycles",
    "difference",
    "from_dict",
    "join",
    "press",
    "read_run",
    "read_setup",
    "reduce",
    "reduce_zero",
    "series",
    "thinning",
    "to_text",
    "trace_of",
]
