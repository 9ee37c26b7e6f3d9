"""The cautions shown wherever the work can hurt someone: what can happen, and the usual protection.

They are reminders in our own words (common practice, no source); they never replace the safety data sheet, the site's
rules, local codes or licensed practice, and each place that shows them says so (`RULE`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

RULE = (
    "Keep the safety data sheet to hand. Follow your site's rules and licensed practice; local codes come first. "
    "When in doubt, stop and ask."
)


@dataclass(frozen=True, slots=True)
class Caution:
    """One danger: its name, the harm it can do, the usual protection."""

    title: str
    harm: str
    protect: str


CAUTIONS: dict[str, Caution] = {
    "heat": Caution(
        "Hot blocks and coolant",
        "Blocks, heaters, hoses and coolant can burn and stay hot after the power is off.",
        "Let them cool, read the temperature before you touch, wear heat-proof gloves.",
    ),
    "press": Caution(
        "Pressing force",
        "The press can crush fingers, also when a specimen slips or air is let out.",
        "Keep hands out of the gap, use the guard, make the drive safe before you clean or mend.",
    ),
    "mains": Caution(
        "Mains heaters",
        "Heater leads carry mains voltage, and a leak of coolant can reach them.",
        "Only a qualified person opens the wiring; check earthing and the residual current device; mend leaks first.",
    ),
    "powder": Caution(
        "Fine powder",
        "Dust harms the lungs, and some metal powders burn or explode as a cloud.",
        "Weigh under extraction, wear a fitted dust mask and goggles, bond to earth, keep sparks and open flames away.",
    ),
    "gallium": Caution(
        "Gallium alloy",
        "It makes aluminium brittle, stains, conducts electricity and irritates skin and eyes.",
        "Keep it off aluminium parts and off live circuits, wear gloves and goggles, work over a tray.",
    ),
    "aluminium_nitride": Caution(
        "Aluminium nitride and water",
        "With water or damp air it slowly gives off ammonia, faster when warm.",
        "Keep it dry and closed, weigh under extraction, never rinse powder into a closed bin.",
    ),
    "solvent": Caution(
        "Solvent",
        "Vapour can catch fire and harms when breathed in; liquid harms skin and eyes.",
        "Use extraction, gloves that this solvent does not pass, no sparks or hot blocks nearby, closed waste.",
    ),
    "sharp": Caution(
        "Sharp sheets and shims",
        "Edges of metal foil and shims cut.",
        "Wear cut-proof gloves, carry sheets flat, bin offcuts in the box for sharps.",
    ),
    "mixer": Caution(
        "Mixer and vacuum",
        "Rotating tools catch sleeves and hair; a vessel under vacuum can break.",
        "Close the guard, tie back, look for cracks before you draw a vacuum, stand aside, wear goggles.",
    ),
    "cure": Caution(
        "Curing and hot oven",
        "Some parts irritate or sensitise the skin until cured, and curing gives off vapour.",
        "Wear gloves, extract the oven, wash skin with soap and not with solvent.",
    ),
}


def cautions_for(keys: Iterable[str]) -> list[Caution]:
    """The cautions for these keys, each once, in the order of the list above; an unknown key is an error."""
    wanted = set(keys)
    if unknown := wanted - CAUTIONS.keys():
        raise KeyError(f"no caution is called {', '.join(sorted(unknown))}; known: {', '.join(CAUTIONS)}")
    return [caution for key, caution in CAUTIONS.items() if key in wanted]
