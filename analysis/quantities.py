"""The glossary as code: one entry a quantity, with its symbol, its label, and the units it is kept and shown in.

Values are kept in the SI unit; a person sees the shown unit. How many digits are shown follows from the uncertainty
alone (`analysis.units.format_measured`), so no entry states digits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity: `unit` in SI, `shown` on pages and in result files, `dimension` a key of `analysis.units`."""

    key: str
    symbol: str
    label: str
    dimension: str
    unit: str
    shown: str


_ENTRIES = (
    # what a rig records
    Quantity("time", "t", "Time", "time", "s", "s"),
    Quantity("heater_power", "P", "Heater power", "power", "W", "W"),
    Quantity("heater_voltage", "U", "Heater voltage", "voltage", "V", "V"),
    Quantity("heater_current", "I", "Heater current", "current", "A", "A"),
    Quantity("hot_temperature", "T_h", "Hot face temperature", "temperature", "K", "degC"),
    Quantity("cold_temperature", "T_c", "Cold face temperature", "temperature", "K", "degC"),
    Quantity("coolant_in", "T_in", "Coolant inlet temperature", "temperature", "K", "degC"),
    Quantity("coolant_out", "T_out", "Coolant outlet temperature", "temperature", "K", "degC"),
    Quantity("coolant_temperature", "T_cool", "Coolant temperature", "temperature", "K", "degC"),
    Quantity("coolant_flow", "q_V", "Coolant flow", "flow", "m^3/s", "L/min"),
    Quantity("ambient_temperature", "T_a", "Ambient temperature", "temperature", "K", "degC"),
    Quantity("cold_junction", "T_j", "Cold junction temperature", "temperature", "K", "degC"),
    Quantity("gap", "d", "Gap", "length", "m", "um"),
    Quantity("force", "F", "Force", "force", "N", "N"),
    Quantity("zero_reading", "d_0", "Zero reading", "length", "m", "um"),
    # what is computed from a run
    Quantity("temperature_rise", "ΔT", "Temperature rise", "temperature_difference", "K", "K"),
    Quantity("heat_flow", "Q", "Heat flow", "power", "W", "W"),
    Quantity("coolant_heat_flow", "Q_cool", "Coolant heat flow", "power", "W", "W"),
    Quantity("heat_balance", "b", "Heat balance", "ratio", "1", "%"),
    Quantity("heat_flux", "q", "Heat flux", "heat_flux", "W/m^2", "W/cm^2"),
    Quantity("pressure", "p", "Pressure", "pressure", "Pa", "kPa"),
    Quantity("thermal_impedance", "R", "Thermal impedance", "impedance", "m^2*K/W", "mm^2*K/W"),
    Quantity("contact_impedance", "R_c", "Contact impedance", "impedance", "m^2*K/W", "mm^2*K/W"),
    Quantity("apparent_conductivity", "λ_app", "Apparent conductivity", "conductivity", "W/(m*K)", "W/(m*K)"),
    Quantity("conductivity", "λ", "Conductivity", "conductivity", "W/(m*K)", "W/(m*K)"),
    Quantity("impedance_change", "ΔR", "Change of thermal impedance", "impedance", "m^2*K/W", "mm^2*K/W"),
    Quantity("impedance_drift", "dR/dN", "Drift of thermal impedance per cycle", "impedance", "m^2*K/W", "mm^2*K/W"),
    Quantity("relative_change", "ΔR/R", "Relative change of thermal impedance", "ratio", "1", "%"),
    Quantity("change_per_1000_h", "ΔR/R", "Relative change in 1000 h", "ratio", "1", "%"),
    Quantity("gap_change", "Δd", "Change of gap", "length", "m", "um"),
    Quantity("rise_change", "δΔT", "Change of temperature rise", "temperature_difference", "K", "K"),
    Quantity("conductivity_change", "Δλ", "Change of apparent conductivity", "conductivity", "W/(m*K)", "W/(m*K)"),
    Quantity("rest_gap", "d_∞", "Gap at rest", "length", "m", "um"),
    Quantity("gap_to_go", "d - d_∞", "Gap still to go", "length", "m", "um"),
    Quantity("yield_stress", "τ_y", "Yield stress", "pressure", "Pa", "Pa"),
    # what a setup states
    Quantity("area", "A", "Area", "area", "m^2", "mm^2"),
    Quantity("depth", "z", "Sensor depth", "length", "m", "mm"),
    Quantity("loss_conductance", "G_loss", "Loss conductance", "conductance", "W/K", "W/K"),
    Quantity("block_conductivity", "λ_b", "Block conductivity", "conductivity", "W/(m*K)", "W/(m*K)"),
    Quantity("gap_expansion", "ε", "Gap expansion", "expansion", "m/K", "um/K"),
    Quantity("temperature_slope", "dT/dt", "Temperature slope", "temperature_rate", "K/s", "K/min"),
    Quantity("temperature_offset", "ΔT_0", "Isothermal offset, hot less cold", "temperature_difference", "K", "K"),
    Quantity("frame_compliance", "c", "Frame compliance", "compliance", "m/N", "um/kN"),
    Quantity("repeatability", "s_r", "Repeatability, relative", "ratio", "1", "%"),
    # properties of lots, batches and samples
    Quantity("density", "ρ", "Density", "density", "kg/m^3", "g/cm^3"),
    Quantity("viscosity", "η", "Viscosity", "viscosity", "Pa*s", "Pa*s"),
    Quantity("kinematic_viscosity", "ν", "Kinematic viscosity", "kinematic_viscosity", "m^2/s", "mm^2/s"),
    Quantity("shear_rate", "γ", "Shear rate", "rate", "1/s", "1/s"),
    Quantity("particle_size_d10", "D10", "Particle size D10", "length", "m", "um"),
    Quantity("particle_size_d50", "D50", "Particle size D50", "length", "m", "um"),
    Quantity("particle_size_d90", "D90", "Particle size D90", "length", "m", "um"),
    Quantity("moisture", "w_m", "Moisture", "ratio", "1", "%"),
    Quantity("purity", "w_p", "Purity", "ratio", "1", "%"),
    Quantity("surface_area", "S", "Specific surface area", "specific_surface", "m^2/kg", "m^2/g"),
    Quantity("mass", "m", "Mass", "mass", "kg", "g"),
    Quantity("volume", "V", "Volume", "volume", "m^3", "cm^3"),
    Quantity("mass_fraction", "w", "Mass fraction", "ratio", "1", "%"),
    Quantity("volume_fraction", "φ", "Volume fraction", "ratio", "1", "%"),
    Quantity("heat_capacity", "c_p", "Heat capacity", "heat_capacity", "J/(kg*K)", "J/(kg*K)"),
    Quantity("temperature", "T", "Temperature", "temperature", "K", "degC"),
    Quantity("humidity", "RH", "Relative humidity", "ratio", "1", "%"),
    Quantity("roughness", "Ra", "Roughness Ra", "length", "m", "um"),
    Quantity("flatness", "f", "Flatness", "length", "m", "um"),
)

QUANTITIES: Mapping[str, Quantity] = MappingProxyType({entry.key: entry for entry in _ENTRIES})
"""Every quantity by its key."""

CHANNEL_QUANTITIES: tuple[str, ...] = (
    "time",
    "heater_power",
    "heater_voltage",
    "heater_current",
    "hot_temperature",
    "cold_temperature",
    "coolant_in",
    "coolant_out",
    "coolant_flow",
    "ambient_temperature",
    "cold_junction",
    "gap",
    "force",
)
"""The quantities a column of a run file can hold."""
