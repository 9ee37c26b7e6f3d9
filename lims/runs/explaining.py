"""What each figure and each flag is: in words, with formula, source and what to do. The one place of these texts."""

from __future__ import annotations

from dataclasses import dataclass

from lims.runs.advice import ADVICE

GUM = "JCGM 100:2008"
D5470 = "ASTM D5470"
DEFINED = "definition"
RULE = "a rule of the method; its limits stand in the working and in the rig's setup"
COMMON = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Explained:
    """One figure or flag, explained: what it is, how it comes about, where that is from, what to do about it."""

    what: str
    formula: str
    source: str
    to_do: str


FIGURES: dict[str, Explained] = {
    "temperature_rise": Explained(
        "How much hotter the hot face is than the cold face while nothing changes any more. Lower is better.",
        "ΔT = T_h - T_c, both extrapolated to the faces, less the offset of the zero",
        f"{DEFINED}; faces by {D5470}; uncertainty by {GUM}",
        "Compare it only between runs of one method: same area, force, power and coolant.",
    ),
    "heat_flow": Explained(
        "The heat that goes through the layer each second.",
        "Q = P - G_loss (T_h - T_a), or what the coolant takes up",
        f"balance of heat; uncertainty by {GUM}",
        "See that it agrees with the coolant's heat flow; the heat balance says so.",
    ),
    "heat_flux": Explained(
        "The heat flow on each unit of area.",
        "q = Q / A",
        DEFINED,
        "Read it beside the temperature rise: twice the flux makes twice the rise.",
    ),
    "thermal_impedance": Explained(
        "How strongly the layer with both its contacts resists heat, for a unit of area. Lower is better.",
        "R = ΔT A / Q",
        f"{D5470}; uncertainty by {GUM}",
        "Use it to compare layers at one pressure. It holds even where the gap is not known.",
    ),
    "contact_impedance": Explained(
        "What the two contacts add to the layer: the impedance that would be left at no gap.",
        "R_c = R at d = 0, on the line R = R_c + d / λ",
        f"{D5470}; line by D. York et al., Am. J. Phys. 72 (2004) 367",
        "Where it is large, look at surfaces, wetting and pressure before the recipe.",
    ),
    "apparent_conductivity": Explained(
        "The conductivity that the gap and the impedance together suggest. The contacts are still in it.",
        "λ_app = d / R",
        D5470,
        "Do not rank by it alone: a thin layer of a poorer conductor can stay cooler. See the gap as well.",
    ),
    "conductivity": Explained(
        "The conductivity of the material itself, without its contacts.",
        "1 / λ is the slope of R against d",
        f"{D5470}; line by D. York et al., Am. J. Phys. 72 (2004) 367",
        "Trust it where the gaps lie far apart and the points lie on a line.",
    ),
    "gap": Explained(
        "The distance between the faces, which is how thick the layer is.",
        "d = reading - zero - drift of the zero - expansion (T - T_zero)",
        f"{DEFINED}; uncertainty by {GUM}",
        "Take a zero before the run. Compare the gap with the largest particle.",
    ),
    "pressure": Explained(
        "The force on each unit of area.",
        "p = F / A",
        DEFINED,
        "See that it is the method's; contacts and gap change with it.",
    ),
    "hot_temperature": Explained(
        "The temperature of the hot face, on the side of the heater.",
        "the block's sensors, extrapolated to the face",
        f"{D5470}; sensors by IEC 60751 or their certificates",
        "See that the material may become so hot.",
    ),
    "cold_temperature": Explained(
        "The temperature of the cold face, on the side of the coolant.",
        "the block's sensors, extrapolated to the face",
        f"{D5470}; sensors by IEC 60751 or their certificates",
        "See that the coolant had reached the method's temperature.",
    ),
    "coolant_temperature": Explained(
        "The temperature of the coolant while the run was settled.",
        "mean of inlet and outlet, or the channel that records it",
        DEFINED,
        "See that it is the method's, and steady.",
    ),
    "coolant_heat_flow": Explained(
        "The heat that the coolant takes up each second: a second way to the heat flow.",
        "Q_cool = q_V ρ c_p (T_out - T_in)",
        "balance of heat; water by IAPWS",
        "Where it differs from the heater's heat, check flow, wiring and insulation.",
    ),
    "heat_balance": Explained(
        "How far the heater's heat and the coolant's heat differ. Near nothing is good.",
        "b = (Q - Q_cool) / mean of Q and Q_cool",
        COMMON,
        "Beyond its own uncertainty one of the two heats is wrong: find out which before you use the run.",
    ),
    "impedance_change": Explained(
        "By how much the impedance changed from the first cycles to the last.",
        "ΔR = R_last - R_first, means of the first and last tenth of the cycles",
        f"{DEFINED}; uncertainty by {GUM}",
        "Rising: look at the layer for pump-out, cracks or drying after tearing down.",
    ),
    "relative_change": Explained(
        "The change as a share of where it began.",
        "ΔR / R_first",
        f"{DEFINED}; uncertainty by {GUM}",
        "Use it to compare materials of different impedance.",
    ),
    "impedance_drift": Explained(
        "How much the impedance changes in one cycle.",
        "dR/dN, the median of the slopes between pairs of cycles",
        "H. Theil (1950), P. K. Sen (1968)",
        "Do not carry it on for longer than the run told; the study says how far.",
    ),
    "gap_change": Explained(
        "By how much the gap changed from the first cycles to the last.",
        "Δd = d_last - d_first",
        f"{DEFINED}; uncertainty by {GUM}",
        "Getting smaller while the impedance rises points to material that leaves the gap.",
    ),
    "change_per_1000_h": Explained(
        "How much the figure changes in 1000 hours, as a share of its start.",
        "mean over the specimens of slope · 1000 h / start",
        f"{GUM} 4.2",
        "Compare only ages in the same place and at the same temperature.",
    ),
    "rest_gap": Explained(
        "The gap at which the layer would stop giving way under this force.",
        "d_∞, where the model of the approach comes to rest",
        "J. R. Scott (1931); G. H. Covey, B. R. Stanmore, J. Non-Newtonian Fluid Mech. 8 (1981) 249",
        "Set it beside the largest particle: particles that touch stop the layer as well.",
    ),
    "gap_to_go": Explained(
        "How much thinner the layer would still become.",
        "d - d_∞ at the end of the run",
        DEFINED,
        "Where it is more than a few µm, press longer before heating.",
    ),
    "viscosity": Explained(
        "How strongly the material resists being pressed out.",
        "Stefan's law: F = 3 π η r^4 / (2 d^3) · (- dd/dt) for a round face",
        "J. Stefan (1874); J. R. Scott (1931) for a power law",
        "It belongs to this shear rate and temperature; state both with it.",
    ),
    "yield_stress": Explained(
        "The stress below which the material does not flow.",
        "from the gap at rest, the force and the face",
        "J. R. Scott (1931); G. H. Covey, B. R. Stanmore, J. Non-Newtonian Fluid Mech. 8 (1981) 249",
        "For thinner layers press harder, or lower it in the recipe.",
    ),
}
"""Every figure that a method gives."""

MEANING: dict[str, str] = {
    "not_settled": "No part of the run keeps still long enough to be read.",
    "zero_missing": "There is no run on closed blocks to subtract.",
    "zero_stale": "The zero was taken too long before the run.",
    "zero_drift": "The zeros before and after the run disagree.",
    "gap_below_resolution": "The gap is no larger than what the sensor can tell.",
    "gap_moving": "The gap still changed while the run counted as settled.",
    "heat_imbalance": "Heater and coolant do not tell the same heat.",
    "power_off_nominal": "The heater power is not the one that the method asks for.",
    "force_off_nominal": "The force is not the one that the method asks for.",
    "coolant_off_nominal": "The coolant's temperature is not the one that the method asks for.",
    "coolant_unsteady": "The coolant's temperature moves up and down.",
    "heater_channel_dead": "A heater that should heat does not.",
    "sensor_stuck": "A sensor gives one value over and over.",
    "samples_missing": "Some readings are not in the file.",
    "clock_irregular": "The times in the file jump, repeat or go back.",
    "hold_time_exceeded": "The sample waited longer than its method allows before it was put on.",
    "ages_differ": "The specimens were not tested at the same ages.",
    "approach_unexplained": "The way the layer gave follows none of the models.",
    "approach_warmed": "The temperature changed while the layer was pressed, and the viscosity with it.",
    "area_missing": "The area of the face is not known.",
    "curved": "The points follow a bend, not a line.",
    "cycles_missing": "The run holds fewer cycles than were asked for.",
    "cycles_uneven": "The cycles are not alike in length or height.",
    "face_assumed": "Nobody said what shape the face has; a round one was taken.",
    "gap_below_zero": "The gap came out as less than nothing.",
    "gap_moves_too_little": "The gap changed too little for a slope.",
    "gaps_alike": "The gaps lie too close together for a line.",
    "intercept_negative": "The line tells less than no impedance for the contacts, which cannot be.",
    "lack_of_fit": "The points lie farther from the line than their uncertainties allow.",
    "lack_of_fit_replicates": "Repeats at one gap agree better with each other than with the line.",
    "left_out": "Some results could not be used.",
    "limit_not_predicted": "It cannot be told when the limit will be reached.",
    "linear_law_doubtful": "The uncertainties are too large for the usual law of their propagation.",
    "models_alike": "Two or more models follow the readings equally well, yet tell different things.",
    "no_approach": "The run does not show how the layer gave.",
    "no_cycles": "The run goes through no whole cycle.",
    "no_heat": "The heat flow at the soaks is not known.",
    "no_line": "There is nothing that a line can be drawn through.",
    "no_model": "No model could be fitted to the approach.",
    "not_defensible": "There are results, but no figure that would stand up to a question.",
    "not_quasi_steady": "The run changes too fast to be read while it changes.",
    "pressure_unknown": "The pressure was not recorded.",
    "pressures_mixed": "The results come from different pressures.",
    "pump_out": "The impedance rises with the cycles as it does when material is driven out of the gap.",
    "rig_changed": "The rig's configuration is not the same for all these runs.",
    "run_in": "The first cycles behave differently from those after them.",
    "soak_unsettled": "A soak ended before the temperatures kept still.",
    "spread_too_small": "What was varied was varied too little.",
    "still_moving": "The layer had not come to rest when the run ended.",
    "temperatures_differ": "The runs have different mean temperatures.",
    "temperatures_swapped": "The face called hot is the colder one.",
    "too_few": "There are fewer results than the figure needs.",
    "too_few_points": "There are fewer readings than the fit needs.",
    "too_few_specimens": "There are fewer specimens than the scatter needs.",
    "storage_excursion": "The sample was too warm, too cold or too moist for a time.",
    "implausible_conductivity": "The conductivity is higher than this kind of material can reach.",
}
"""What each flag says, apart from the numbers in its message."""

FLAGS: dict[str, Explained] = {code: Explained(what, "", RULE, ADVICE.get(code, "")) for code, what in MEANING.items()}
"""Every flag that an analysis or a step before it can raise."""


def explained_figure(key: str) -> Explained | None:
    """What a figure is; None for one that nobody explained."""
    return FIGURES.get(key)


def explained_flag(code: str) -> Explained | None:
    """What a flag says; None for one that nobody explained."""
    return FLAGS.get(code)
