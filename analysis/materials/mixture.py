"""Mixtures: from mass fractions and densities to volume fractions and the density without voids.

For ingredients i with mass fraction w_i and density rho_i:

    phi_i = (w_i / rho_i) / sum_j (w_j / rho_j)        (1)
    rho = sum_j w_j / sum_j (w_j / rho_j)              (2)

Both follow from the definitions of mass fraction and volume fraction (ISO 80000-9, from memory) when the volumes of the
ingredients add up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.errors import AnalysisError, OutOfRange
from analysis.materials.values import Numbers, above_zero, fraction, not_negative, plain
from analysis.results import Array


@dataclass(frozen=True, slots=True)
class Mixture:
    """What a composition makes: volume fraction of each ingredient [1], density without voids [kg/m3]."""

    volume_fractions: Mapping[str, float]
    density: float


def mixture(mass_fractions: Mapping[str, float], *, densities: Mapping[str, float]) -> Mixture:
    """Volume fractions and density of a mixture.

    Parameters: mass fractions [1] by ingredient, not negative and not all zero (their sum need not be 1);
    densities [kg/m3] by ingredient, all known and positive.
    Returns: Mixture. Raises: AnalysisError naming the ingredients whose density is missing or not positive.
    Valid where volumes add up: powders in fluids without voids and without mixing contraction.
    """
    missing = [name for name in mass_fractions if not densities.get(name, 0.0) > 0.0]
    if missing:
        raise AnalysisError(f"density of {', '.join(missing)} missing", code="density-missing")
    if any(w < 0.0 for w in mass_fractions.values()) or not sum(mass_fractions.values()) > 0.0:
        raise AnalysisError("mass fractions must be positive", code="out-of-range")
    volumes = {name: w / densities[name] for name, w in mass_fractions.items()}
    total = sum(volumes.values())
    fractions = {name: volume / total for name, volume in volumes.items()}
    return Mixture(fractions, sum(mass_fractions.values()) / total)


def volume_fractions(mass_fractions: ArrayLike, *, densities: ArrayLike) -> Array:
    """Volume fractions [1] from mass fractions [1] and densities [kg/m3], ingredients along the last axis, by (1).

    Each composition's fractions may have any sum above zero; the result's add up to one. nan stays nan.
    """
    w, rho = not_negative("mass fraction", mass_fractions), above_zero("density", densities)
    return _shares(w / rho, "mass fractions")


def mass_fractions(volume_fractions: ArrayLike, *, densities: ArrayLike) -> Array:
    """Mass fractions [1] from volume fractions [1] and densities [kg/m3], ingredients along the last axis.

    The way back of `volume_fractions`: w_i = phi_i rho_i / sum_j phi_j rho_j.
    """
    phi, rho = not_negative("volume fraction", volume_fractions), above_zero("density", densities)
    return _shares(phi * rho, "volume fractions")


def mixture_density(mass_fractions: ArrayLike, *, densities: ArrayLike) -> Numbers:
    """Density [kg/m3] without voids from mass fractions [1] and densities [kg/m3] along the last axis, by (2)."""
    w, rho = not_negative("mass fraction", mass_fractions), above_zero("density", densities)
    total = np.sum(np.broadcast_arrays(w, rho)[0], axis=-1)
    if np.any(total == 0.0):
        raise OutOfRange("mass fractions: expected a sum above zero, found 0")
    return plain(total / np.sum(w / rho, axis=-1))


def void_fraction(measured: ArrayLike, *, dense: ArrayLike) -> Numbers:
    """Share of the volume that is void [1]: 1 - measured density / density without voids, both in one unit.

    Below zero where the measured density is above the one without voids: a wrong density or composition, told and not
    clipped.
    """
    return plain(1.0 - above_zero("measured density", measured) / above_zero("density without voids", dense))


def loading(volume_fraction: ArrayLike, *, packing: ArrayLike) -> Numbers:
    """Filler over the most that packs [1]: phi / phi_m. From 1 on the mixture cannot be made without voids."""
    limit = fraction("packing limit", above_zero("packing limit", packing))
    return plain(fraction("volume fraction", volume_fraction) / limit)


def _shares(parts: Array, name: str) -> Array:
    total = np.sum(parts, axis=-1, keepdims=True)
    if np.any(total == 0.0):
        raise OutOfRange(f"{name}: expected a sum above zero, found 0")
    shares: Array = parts / total
    shares.flags.writeable = False
    return shares
