"""Kinds of material, and the properties that are asked for a lot of each.

A new kind or property is one entry here, a laboratory's own property one in its PROPERTIES_FILE: forms, lists, the
programming interface, exports and limits are built from it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured

from lims.core.errors import Invalid
from lims.materials.configured import Added, Property, read_properties


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
_ADDED = read_properties(settings.PROPERTIES_FILE)
PROPERTIES: Mapping[str, Property] = MappingProxyType(
    {entry.key: entry for entry in (*(added.property for added in _ADDED), *_PROPERTIES)}
)

_POWDER = ("d10", "d50", "d90", "top_cut", "density", "tap_density", "moisture", "specific_surface", "purity")
_KINDS = (
    MaterialKind("filler", "filler", _POWDER, ("powder",)),
    MaterialKind("carrier", "carrier fluid", ("density", "viscosity", "moisture", "purity")),
    MaterialKind("additive", "additive", ("density", "viscosity", "purity")),
    MaterialKind("coupling_agent", "coupling agent", ("density", "purity"), ("solvent", "cure")),
    MaterialKind("solvent", "solvent", ("density", "purity", "moisture"), ("solvent",)),
    MaterialKind("metal", "metal or alloy", ("density", "conductivity", "purity")),
    MaterialKind("sheet", "sheet", ("thickness", "density", "conductivity"), ("sharp",)),
)


def with_added(kinds: Iterable[MaterialKind], added: Iterable[Added]) -> dict[str, MaterialKind]:
    """Kinds by their key, each with the laboratory's own properties; a kind there is none of is an error."""
    found = {kind.key: kind for kind in kinds}
    for one in added:
        if unknown := set(one.kinds) - found.keys():
            raise ImproperlyConfigured(f"property {one.property.key}: there is no kind {', '.join(sorted(unknown))}")
        if one.property.key in {own.key for own in _PROPERTIES}:
            raise ImproperlyConfigured(f"property {one.property.key}: this key is taken")
        for key in one.kinds:
            found[key] = replace(found[key], properties=(*found[key].properties, one.property.key))
    return found


KINDS: Mapping[str, MaterialKind] = MappingProxyType(with_added(_KINDS, _ADDED))

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
