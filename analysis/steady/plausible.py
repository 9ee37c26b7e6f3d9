"""What apparent conductivity a kind of material can reach at all, in W/(m K), contacts included.

Lower bounds catch a gap or a scale that is wrong by far; upper bounds follow from what the stuff is made of. The
figures are common practice, no source, unless a source is given: they keep nonsense out, they do not judge a material.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

WIDEST = (0.01, 100.0)
"""Where the kind is not known: still air is 0.026 [1]; no layer that fits its faces has passed 100.

1. CRC Handbook of Chemistry and Physics, thermal conductivity of gases (from memory).
"""

BOUNDS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "paste": (0.05, 20.0),  # filled oils: 1 to 6 usual, silver and diamond to about 15
        "grease": (0.05, 20.0),
        "gel": (0.05, 20.0),
        "putty": (0.05, 25.0),
        "adhesive": (0.05, 60.0),  # sintering silver reaches well above filled polymers
        "phase_change": (0.05, 20.0),
        "pad": (0.05, 60.0),  # to 15 with round fillers, more only with aligned carbon
        "sheet": (0.05, 100.0),  # graphite and metal foils, contacts included
        "film": (0.02, 20.0),
        "liquid_metal": (0.5, 45.0),  # gallium-rich alloys: 16 to 39 reported, J. Chem. Eng. Data 59 (2014) 757
        "solder": (1.0, 90.0),  # indium 82, tin 67 (CRC Handbook, from memory)
        "reference": WIDEST,
    }
)
"""Lowest and highest apparent conductivity by kind."""


def bounds(kind: str) -> tuple[float, float]:
    """Lowest and highest apparent conductivity [W/(m K)] of a kind; the widest where the kind is not known."""
    return BOUNDS.get(kind.strip().lower().replace(" ", "_").replace("-", "_"), WIDEST)
