"""One file a method. A method takes what was recorded and the setup, or several results, and gives figures."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from analysis.method import Method
from analysis.methods.ageing import reduce_ageing
from analysis.methods.cycles import reduce_cycles
from analysis.methods.press import reduce_press
from analysis.methods.series import reduce_series
from analysis.methods.steady import reduce_steady
from analysis.methods.thinning import reduce_thinning
from analysis.option import Option

METHODS: Mapping[str, Method] = MappingProxyType(
    {
        "steady": Method(
            label="Steady state",
            takes="run",
            needs=("hot_temperature", "cold_temperature"),
            gives=(
                "temperature_rise",
                "heat_flow",
                "heat_flux",
                "thermal_impedance",
                "gap",
                "apparent_conductivity",
                "pressure",
                "hot_temperature",
                "cold_temperature",
                "coolant_temperature",
                "coolant_heat_flow",
                "heat_balance",
            ),
            function=reduce_steady,
            reduces=True,
        ),
        "series": Method(
            label="Thickness series",
            takes="results",
            needs=("gap", "thermal_impedance"),
            gives=("conductivity", "contact_impedance"),
            function=reduce_series,
            options=(
                Option(
                    key="trials",
                    label="Seed of Monte Carlo trials",
                    kind="seed",
                    words="Slope and conductivity are then found by trials as well. Empty: by the linear law alone.",
                    example="1",
                ),
            ),
        ),
        "cycles": Method(
            label="Cycling",
            takes="run",
            needs=("hot_temperature", "cold_temperature"),
            gives=(
                "thermal_impedance",
                "temperature_rise",
                "gap",
                "impedance_change",
                "relative_change",
                "impedance_drift",
                "gap_change",
            ),
            function=reduce_cycles,
            options=(
                Option(
                    key="limit",
                    label="Impedance not to be exceeded",
                    kind="quantity",
                    of="thermal_impedance",
                    words="Empty: one fifth above the start.",
                    example="25",
                ),
            ),
        ),
        "thinning": Method(
            label="Thinning",
            takes="run",
            needs=("hot_temperature", "cold_temperature", "gap"),
            gives=("conductivity", "contact_impedance"),
            function=reduce_thinning,
            options=(
                Option(
                    key="series",
                    label="Thickness series to compare with",
                    kind="outcome",
                    of="series",
                    words="A kept thickness series of the same material.",
                ),
            ),
        ),
        "press": Method(
            label="Press",
            takes="run",
            needs=("gap", "force"),
            gives=("gap", "rest_gap", "gap_to_go", "viscosity", "yield_stress"),
            function=reduce_press,
            options=(
                Option(
                    key="face",
                    label="Shape of the contact face",
                    kind="words",
                    words="circular, square, or sides. Empty: square, and the figures say so.",
                    example="30 mm x 40 mm",
                ),
            ),
        ),
        "ageing": Method(
            label="Ageing series",
            takes="results",
            needs=("thermal_impedance",),
            gives=("change_per_1000_h", "relative_change"),
            function=reduce_ageing,
            options=(
                Option(
                    key="figure",
                    label="Figure that is followed",
                    kind="choice",
                    choices=("thermal_impedance", "temperature_rise", "gap", "apparent_conductivity"),
                    words="Empty: the thermal impedance.",
                ),
            ),
        ),
    }
)
"""Every method by its key."""
