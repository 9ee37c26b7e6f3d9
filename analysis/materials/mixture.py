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

from analysis.errors import AnalysisError


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
