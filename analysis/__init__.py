"""The science of the laboratory, without the web: files and numbers in, figures with their uncertainty out.

In a notebook:

    import analysis

    result = analysis.reduce("run.csv", setup="bench-2.toml", zero="zero.csv")
    print(analysis.to_text(result))
    result.figure("thermal_impedance")  # shows as: Thermal impedance: 12.31 ± 0.42 mm²·K/W (k = 2.03)
    result.figures["thermal_impedance"]  # Measured: value, u, dof in SI units (m^2*K/W)
    result.to_dict()  # the whole in the units people see; result.to_frame() the figures as a table
    result.plot("thermal_impedance")  # its budget as a drawing, which .save("budget.svg") writes
    working.to_text(working.working_of(result, "thermal_impedance"))  # formulas and numbers, to be checked by hand

`run` may also be a `Trace`, or a mapping of columns, headed as in a file:

    analysis.reduce({"time [s]": t, "hot [degC]": hot, "cold [degC]": cold, ...}, setup="bench-2.toml")

The methods beside one reduction take results or a run and show their figures the same way:

    analysis.series(results, monte_carlo=7)  # from several gaps, checked by Monte Carlo
    analysis.difference(one, other)  # what two results of one rig share cancels
    analysis.cycles("cycled.csv", setup="bench-2.toml").plot()
    analysis.assess(analysis.Claim(conductivity=9.0, gap=50e-6, impedance=8e-6, kind="paste")).sentence

From the command line: `python -m analysis reduce run.csv --setup bench-2.toml`.
"""

from __future__ import annotations

from analysis import working
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
    "working",
]
