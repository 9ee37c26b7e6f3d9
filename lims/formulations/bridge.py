"""From recipes to `analysis` and back: volume fractions and theoretical density."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from analysis.errors import AnalysisError
from analysis.figures.loading import loading_figure
from analysis.figures.plotly import figure_json
from analysis.materials.bond_line import BondLine, bond_line
from analysis.materials.composing import Typed, bounds, composed_masses
from analysis.materials.conductivity import MODELS, expect
from analysis.materials.line_reading import read_lines as read_lines
from analysis.materials.line_reading import table_text
from analysis.materials.loading import Loading, loading_of
from analysis.materials.mixture import mixture
from lims.core.errors import Invalid
from lims.core.quantities import from_si
from lims.materials.models import Material


@dataclass(frozen=True, slots=True)
class Volumes:
    """Volume fraction of each material by its primary key, and the density; or in `why` the reason for none."""

    fractions: dict[int, float] = field(default_factory=dict)
    density: float | None = None
    why: str = ""


def volumes_of(parts: Iterable[tuple[Material, Decimal]]) -> Volumes:
    """Volume fractions of a composition; never a partial number: one density missing, and there is none."""
    masses: dict[int, float] = {}
    names: dict[int, Material] = {}
    for material, fraction in parts:
        masses[material.pk] = masses.get(material.pk, 0.0) + float(fraction)
        names[material.pk] = material
    lacking = [m.name for m in names.values() if not m.density]
    if lacking:
        return Volumes(why=f"not computed: density of {', '.join(lacking)} missing")
    try:
        found = mixture(
            {str(pk): w for pk, w in masses.items()}, densities={str(pk): m.density or 0.0 for pk, m in names.items()}
        )
    except AnalysisError as error:
        return Volumes(why=f"not computed: {error.message}")
    return Volumes({int(pk): phi for pk, phi in found.volume_fractions.items()}, found.density)


def text_of_upload(content: Any, name: str) -> str:
    """The table of an open file, CSV or XLSX, as text; Invalid for what is neither."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table"
        with path.open("wb") as copy:
            shutil.copyfileobj(content, copy)
        try:
            return table_text(path, file=name)
        except AnalysisError as error:
            raise Invalid(f"{error}.", code="bad-table", fields={"file": [f"{error}."]}) from error


PLACES = Decimal("0.00000001")
HUNDRED = Decimal(100)
WHOLE = Decimal("0.0001")
CENTS = Decimal("0.01")


def mass_fractions_of(typed: Sequence[tuple[Material, str, Decimal]]) -> list[Decimal]:
    """Mass fractions of lines typed as (material, basis, amount); a fraction typed by mass stays as it was typed.

    Amounts are percent by mass or volume, or parts per hundred of the fluids. What rounding leaves goes to a line that
    was not typed by mass.
    """
    if all(basis == "mass" for _, basis, _ in typed):
        return [amount / HUNDRED for _, _, amount in typed]
    lines = [
        Typed(m.name, basis, float(amount if basis == "parts" else amount / HUNDRED), m.density, m.kind == "carrier")
        for m, basis, amount in typed
    ]
    try:
        found = [Decimal(repr(float(w))).quantize(PLACES) for w in composed_masses(lines)]
    except AnalysisError as error:
        words = f"Not computed: {error.message}."
        raise Invalid(words, code=error.code, fields={"lines": [words]}) from error
    for i, (_, basis, amount) in enumerate(typed):
        if basis == "mass":
            found[i] = amount / HUNDRED
    left = 1 - sum(found, Decimal(0))
    if abs(left) <= PLACES * len(found):
        free = [i for i, (_, basis, _) in enumerate(typed) if basis != "mass"]
        found[max(free, key=lambda i: found[i])] += left
    return found


@dataclass(frozen=True, slots=True)
class Cost:
    """Cost of the materials of one kg in `currency`; or in `why` the reason for none."""

    per_kg: Decimal | None = None
    currency: str = ""
    why: str = ""


def cost_of(parts: Iterable[tuple[Material, Decimal]]) -> Cost:
    """What the materials of one kg cost; never a partial number: one price missing, and there is none."""
    kept = [(material, fraction) for material, fraction in parts if fraction > 0]
    lacking = list(dict.fromkeys(material.name for material, _ in kept if material.price is None))
    total = sum((fraction for _, fraction in kept), Decimal(0))
    if not kept or abs(total - 1) > WHOLE:
        return Cost(why="not computed: the lines do not make 100 %")
    if lacking:
        return Cost(why=f"not computed: price of {', '.join(lacking)} missing")
    currencies = sorted({material.currency for material, _ in kept})
    if len(currencies) > 1:
        return Cost(why=f"not computed: prices in {' and '.join(currencies)}; one currency is expected")
    cost = sum((fraction * (material.price or 0) for material, fraction in kept), Decimal(0))
    return Cost((cost / total).quantize(CENTS), currencies[0])


@dataclass(frozen=True, slots=True)
class Conducting:
    """Bounds and models of the conductivity [W/(m K)]: (name, source, value, cautions); or why there are none."""

    low: float | None = None
    high: float | None = None
    models: tuple[tuple[str, str, float, tuple[str, ...]], ...] = ()
    why: str = ""
    models_why: str = ""


def conducting_of(parts: Iterable[tuple[Material, Decimal]]) -> Conducting:
    """What a composition can conduct; never a partial number: one property missing, and there is none."""
    kept = [(material, fraction) for material, fraction in parts if fraction > 0]
    volumes = volumes_of(kept)
    if volumes.why:
        return Conducting(why=volumes.why)
    known = {material.pk: material for material, _ in kept}
    lacking = [material.name for material in known.values() if not material.conductivity]
    if lacking:
        return Conducting(why=f"not computed: conductivity of {', '.join(lacking)} missing")
    if abs(sum((fraction for _, fraction in kept), Decimal(0)) - 1) > WHOLE:
        return Conducting(why="not computed: the lines do not make 100 %")
    pairs = [(known[pk], phi) for pk, phi in volumes.fractions.items()]
    low, high = bounds([m.conductivity or 0.0 for m, _ in pairs], fractions=[phi for _, phi in pairs])
    fluids = [pair for pair in pairs if pair[0].kind == "carrier"]
    if len(pairs) != 2 or len(fluids) != 1:
        return Conducting(low, high, models_why="The models take one filler in one fluid; the bounds hold for all.")
    (matrix, _), (filler, phi) = fluids[0], next(pair for pair in pairs if pair[0].kind != "carrier")
    return Conducting(low, high, _models(matrix, filler, phi))


@dataclass(frozen=True, slots=True)
class Explored:
    """The loading of a composition and its plot; the size that stands for the coarsest grains; or why there is none."""

    loading: Loading | None = None
    coarsest: tuple[float, str] | None = None
    why: str = ""

    @property
    def over(self) -> bool:
        """Whether more filler is in than one size of round grains can pack."""
        return self.loading is not None and self.loading.present > self.loading.limit

    @property
    def shown(self) -> dict[str, float]:
        """Present loading and limit in percent, and the bond line in um where there is one."""
        if self.loading is None:
            return {}
        line = self.loading.bond_line
        gap = {} if line is None else {"gap": from_si(line.gap, unit="um", of="length")}
        return {"present": 100 * self.loading.present, "limit": 100 * self.loading.limit, **gap}

    @property
    def plot(self) -> dict[str, Any]:
        """The plot, ready for JSON; empty where there is none."""
        return {} if self.loading is None else figure_json(loading_figure(self.loading), dark=None)


def explored(
    parts: Sequence[tuple[Material, Decimal]],
    *,
    coarsest: tuple[float, str] | None,
    yield_stress: float | None = None,
    pressure: float | None = None,
) -> Explored:
    """Bounds, bond line and impedance against loading, with yield stress and pressure [Pa] where they are known."""
    conducting = conducting_of(parts)
    if conducting.why:
        return Explored(why=conducting.why)
    volumes = volumes_of(parts).fractions
    known = {material.pk: material for material, _ in parts if volumes.get(material.pk)}
    try:
        found = loading_of(
            [m.conductivity or 0.0 for m in known.values()],
            fractions=[volumes[pk] for pk in known],
            fluid=[m.kind == "carrier" for m in known.values()],
            bond_line=_bond_line(coarsest, yield_stress, pressure),
        )
    except AnalysisError as error:
        return Explored(why=f"not computed: {error.message}")
    return Explored(found, coarsest)


def _bond_line(coarsest: tuple[float, str] | None, stress: float | None, pressure: float | None) -> BondLine | None:
    largest = coarsest[0] if coarsest else 0.0
    if stress and pressure:
        return bond_line(stress, pressure=pressure, largest=largest)
    return BondLine(largest, "particles", largest, 0.0) if largest else None


def _models(matrix: Material, filler: Material, phi: float) -> tuple[tuple[str, str, float, tuple[str, ...]], ...]:
    found = []
    for key in ("maxwell", "bruggeman_differential", "lewis_nielsen"):
        got = expect(key, matrix.conductivity or 0.0, filler=filler.conductivity or 0.0, fraction=phi)
        found.append((MODELS[key].name, f"{MODELS[key].source}, {MODELS[key].remark}", got.value, got.cautions))
    return tuple(found)
