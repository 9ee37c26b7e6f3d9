"""Kinds of material, and the properties that are asked for a lot of each.

A new kind or property is one entry here: forms, lists, the programming interface and limits are built from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from lims.core.errors import Invalid


@dataclass(frozen=True, slots=True)
class Property:
    """A property of a lot: its dimension (of `analysis.units`), the unit it is shown in, its physical range in SI."""

    key: str
    label: str
    dimension: str
    shown: str
    least: float = 0.0
    most: float = float("inf")


@dataclass(frozen=True, slots=True)
class MaterialKind:
    """A kind of material: `properties` are what a lot of it usually carries, `cautions` what can hurt."""

    key: str
    label: str
    properties: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def powder(self) -> bool:
        return "powder" in self.cautions


# The ranges are wide on purpose: they catch a slip of units, not an odd lot. Nothing is denser than osmium
# (22 590 kg/m3) or conducts better than diamond, below 3500 W/(m K): handbook values, from memory. The other ends are
# common practice, no source.
_PROPERTIES = (
    Property("d10", "particle size D10", "length", "um", 1e-9, 2e-3),
    Property("d50", "particle size D50", "length", "um", 1e-9, 2e-3),
    Property("d90", "particle size D90", "length", "um", 1e-9, 5e-3),
    Property("top_cut", "top cut", "length", "um", 1e-9, 1e-2),
    Property("density", "density", "density", "g/cm^3", 50.0, 22_700.0),
    Property("tap_density", "tap density", "density", "g/cm^3", 10.0, 22_700.0),
    Property("moisture", "moisture", "ratio", "%", 0.0, 1.0),
    Property("specific_surface", "specific surface", "specific_surface", "m^2/g", 0.0, 3e6),
    Property("purity", "purity", "ratio", "%", 0.0, 1.0),
    Property("viscosity", "viscosity", "viscosity", "Pa*s", 1e-5, 1e7),
    Property("conductivity", "conductivity", "conductivity", "W/(m*K)", 1e-3, 3500.0),
    Property("thickness", "thickness", "length", "um", 1e-7, 0.1),
    Property("volatile_loss", "volatile loss", "ratio", "%", 0.0, 1.0),
    Property("fineness", "fineness of grind", "length", "um", 0.0, 1e-3),
)
PROPERTIES: Mapping[str, Property] = MappingProxyType({entry.key: entry for entry in _PROPERTIES})

_POWDER = ("d10", "d50", "d90", "top_cut", "density", "tap_density", "moisture", "specific_surface", "purity")
KINDS: Mapping[str, MaterialKind] = MappingProxyType(
    {
        kind.key: kind
        for kind in (
            MaterialKind("filler", "filler", _POWDER, ("powder",)),
            MaterialKind("carrier", "carrier fluid", ("density", "viscosity", "moisture", "purity")),
            MaterialKind("additive", "additive", ("density", "viscosity", "purity")),
            MaterialKind("coupling_agent", "coupling agent", ("density", "purity"), ("solvent", "cure")),
            MaterialKind("solvent", "solvent", ("density", "purity", "moisture"), ("solvent",)),
            MaterialKind("metal", "metal or alloy", ("density", "conductivity", "purity")),
            MaterialKind("sheet", "sheet", ("thickness", "density", "conductivity"), ("sharp",)),
        )
    }
)

# Words in a material's name that call for a caution whatever its kind (common practice, no source).
_NAMED_CAUTIONS = (("gallium", "gallium"), ("aluminium nitride", "aluminium_nitride"))


def kind_of(key: str) -> MaterialKind:
    """The entry of a kind of material; Invalid for one that there is none of."""
    if key not in KINDS:
        known = ", ".join(KINDS)
        raise Invalid(f"There is no kind of material '{key}'.", fields={"kind": [f"Expected one of: {known}."]})
    return KINDS[key]


def property_of(key: str) -> Property:
    """The entry of a property; Invalid for one that there is none of."""
    if key not in PROPERTIES:
        known = ", ".join(PROPERTIES)
        raise Invalid(f"There is no property '{key}'.", fields={"quantity": [f"Expected one of: {known}."]})
    return PROPERTIES[key]


def caution_keys(*, kind: str, name: str) -> list[str]:
    """The cautions (keys of lims.core.cautions) that a material of this kind and name calls for."""
    of_kind = KINDS[kind].cautions if kind in KINDS else ()
    named = tuple(caution for word, caution in _NAMED_CAUTIONS if word in name.lower())
    return list(dict.fromkeys(of_kind + named))
