"""Kinds of material, and the properties that are asked for a lot of each. A new kind is one entry here."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MaterialKind:
    """A kind of material: `properties` are keys of the quantities that a lot of it usually carries."""

    key: str
    label: str
    properties: tuple[str, ...] = ()
    powder: bool = False


POWDER = ("d10", "d50", "d90", "top_cut", "density", "tap_density", "moisture", "specific_surface", "purity")
KINDS = {
    kind.key: kind
    for kind in (
        MaterialKind("filler", "filler", POWDER, powder=True),
        MaterialKind("carrier", "carrier fluid", ("density", "viscosity", "moisture", "purity")),
        MaterialKind("additive", "additive", ("density", "viscosity", "purity")),
        MaterialKind("coupling_agent", "coupling agent", ("density", "purity")),
        MaterialKind("solvent", "solvent", ("density", "purity", "moisture")),
        MaterialKind("metal", "metal or alloy", ("density", "conductivity", "purity")),
        MaterialKind("sheet", "sheet", ("thickness", "density", "conductivity")),
    )
}
