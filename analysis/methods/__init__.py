"""One file a method. A method takes what was recorded and the setup, or several results, and gives figures."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from analysis.method import Method
from analysis.methods.series import reduce_series
from analysis.methods.steady import reduce_steady

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
        ),
    }
)
"""Every method by its key."""
