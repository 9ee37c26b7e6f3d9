"""Whether a figure, or an advertised claim, can be: against what physics bounds, and against its own companions.

Three kinds of evidence. What a kind of material is made of bounds its conductivity. The composition bounds it more
closely. And impedance, gap and conductivity of one layer bound one another, for contacts only ever add:

    impedance = temperature rise / heat flux >= gap / conductivity        (1)

so the apparent conductivity, gap / impedance, is never above the conductivity of the material itself.

The figures of KINDS are common practice, no source, unless a source is given: they keep nonsense out, they do not judge
a material. The bounds of a composition are those of `analysis.materials.conductivity`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from types import MappingProxyType

from analysis.errors import OutOfRange
from analysis.materials.conductivity import bruggeman_differential, hashin_shtrikman, parallel, series
from analysis.materials.packing import FACE_CENTRED
from analysis.quantities import QUANTITIES
from analysis.units import shown, to_si


@dataclass(frozen=True, slots=True)
class Kind:
    """Conductivity of a kind of material [W/(m K)]: lowest apparent, up to what is usual, highest at all, and why."""

    low: float
    usual: float
    high: float
    why: str


WIDEST = (0.01, 100.0)
"""Apparent conductivity where the kind is not known: still air is 0.026 [1]; no layer that fits its faces passed 100.

1. CRC Handbook of Chemistry and Physics, thermal conductivity of gases (from memory).
"""
_FILLED = "filled oils and rubbers reach 1 to 6, those with silver or diamond 12 to 15"
_PADS = "round fillers reach 15, only aligned carbon or graphite more"
KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "paste": Kind(0.05, 10.0, 20.0, _FILLED),
        "grease": Kind(0.05, 10.0, 20.0, _FILLED),
        "gel": Kind(0.05, 12.0, 20.0, _FILLED),
        "putty": Kind(0.05, 15.0, 25.0, _FILLED),
        "adhesive": Kind(0.05, 15.0, 60.0, "filled polymers reach 15, only sintering silver more"),
        "phase_change": Kind(0.05, 10.0, 20.0, _FILLED),
        "pad": Kind(0.05, 15.0, 60.0, _PADS),
        "sheet": Kind(0.05, 90.0, 100.0, "across the layer; indium has 82, graphite less across than along"),
        "film": Kind(0.02, 10.0, 20.0, "polymer films, filled or not"),
        # gallium-rich alloys: 16 to 39 reported, J. Chem. Eng. Data 59 (2014) 757; of a layer of 1 um the contacts are
        # nearly all, so that its apparent conductivity is low
        "liquid_metal": Kind(0.03, 30.0, 45.0, "alloys of gallium have 16 to 39 as bulk metal"),
        "solder": Kind(0.5, 82.0, 90.0, "indium has 82, tin 67"),  # CRC Handbook, from memory
        "reference": Kind(0.01, 100.0, 100.0, "no layer that fits its faces has passed 100"),
    }
)
"""What a kind of material can reach."""

BEST_SOLID = 3500.0  # [W/(m K)] pure diamond at room temperature stays below, from memory
_EXACTLY = 1.0 + 1e-9  # 20 um over 1 mm2 K/W is 20 W/(m K), and in binary a little more
_ROUNDING = 0.05  # figures are stated with two or three digits
_CONTACTS = 0.9  # share of the impedance from which contacts, not the material, make the figure
_FLOOR = to_si(2.0, "mm^2*K/W", "impedance")  # what most rigs repeat to; common practice, no source


class Verdict(StrEnum):
    """From best to worst."""

    PLAUSIBLE = "plausible"
    DOUBTFUL = "doubtful"
    IMPOSSIBLE = "impossible"


_ORDER = tuple(Verdict)


@dataclass(frozen=True, slots=True)
class Claim:
    """What is claimed, or was measured, in SI units; None where it is not known.

    `conductivity` of the material [W/(m K)], `gap` [m], `impedance` [m2 K/W], `temperature_rise` [K] at `heat_flux`
    [W/m2], `kind` a key of KINDS; conductivities of `matrix` and `filler` [W/(m K)], `volume_fraction` of filler
    [1], `largest_particle` [m]; `rival_gap` [m] and `rival_conductivity` of a material to draw level with.
    """

    conductivity: float | None = None
    gap: float | None = None
    impedance: float | None = None
    temperature_rise: float | None = None
    heat_flux: float | None = None
    kind: str = ""
    matrix: float | None = None
    filler: float | None = None
    volume_fraction: float | None = None
    largest_particle: float | None = None
    rival_gap: float | None = None
    rival_conductivity: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found: its code, what it makes of the claim, and one sentence with the numbers."""

    code: str
    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """The worst verdict of all findings, its sentence, every finding, and what follows from the claim, in SI units."""

    verdict: Verdict
    sentence: str
    findings: tuple[Finding, ...]
    follows: Mapping[str, float]


def bounds(kind: str) -> tuple[float, float]:
    """Lowest and highest apparent conductivity [W/(m K)] of a kind; the widest where the kind is not known."""
    entry = kind_of(kind)
    return (entry.low, entry.high) if entry else WIDEST


def kind_of(kind: str) -> Kind | None:
    """The entry of a kind, by its key or as people write it ("liquid metal"); None where it is not known."""
    return KINDS.get(kind.strip().lower().replace(" ", "_").replace("-", "_"))


def assess(claim: Claim) -> Judgement:
    """Whether a claim can be, explained in one sentence with its numbers.

    Raises OutOfRange for a value that is not a finite number, a share outside 0..1, an unknown kind, or a claim that
    states nothing. A value below zero that only a wrong zero or a slip gives (gap, impedance) is judged, not refused.
    """
    _check(claim)
    follows = _follows(claim)
    findings = tuple(finding for find in _CHECKS for finding in find(claim, follows))
    worst = max((finding.verdict for finding in findings), key=_ORDER.index, default=Verdict.PLAUSIBLE)
    first = next(
        (finding.sentence for finding in findings if finding.verdict is worst), _nothing_against(claim, follows)
    )
    return Judgement(worst, first, findings, MappingProxyType(follows))


def _check(claim: Claim) -> None:
    numbers = {field.name: getattr(claim, field.name) for field in fields(claim) if field.name != "kind"}
    stated = {name: value for name, value in numbers.items() if value is not None}
    if not stated:
        raise OutOfRange("a claim states at least one figure, such as a conductivity or a gap")
    for name, value in stated.items():
        if not math.isfinite(value):
            raise OutOfRange(f"{name.replace('_', ' ')}: expected a finite number, found {value}")
    if claim.kind and kind_of(claim.kind) is None:
        raise OutOfRange(f"kind: expected one of {', '.join(KINDS)}, found '{claim.kind}'")
    if claim.volume_fraction is not None and not 0.0 <= claim.volume_fraction <= 1.0:
        raise OutOfRange(f"volume fraction: expected 0 to 1, found {claim.volume_fraction:g}")
    for name in ("heat_flux", "matrix", "filler", "largest_particle", "rival_gap", "rival_conductivity"):
        if name in stated and not stated[name] > 0.0:
            raise OutOfRange(f"{name.replace('_', ' ')}: expected above zero, found {stated[name]:g}")


def _follows(claim: Claim) -> dict[str, float]:
    """What the stated figures give: impedance, apparent conductivity, what the layer alone has, bounds."""
    found: dict[str, float] = {}
    if claim.temperature_rise is not None and claim.heat_flux is not None:
        found["thermal_impedance"] = claim.temperature_rise / claim.heat_flux
    if claim.impedance is not None:
        found["thermal_impedance"] = claim.impedance
    impedance = found.get("thermal_impedance")
    if claim.gap is not None and impedance:
        found["apparent_conductivity"] = claim.gap / impedance
    if claim.gap is not None and claim.conductivity:
        found["layer_impedance"] = claim.gap / claim.conductivity
        if claim.heat_flux is not None:
            found["least_rise"] = found["layer_impedance"] * claim.heat_flux
    if claim.gap is not None and claim.rival_gap is not None:
        found["level_factor"] = claim.gap / claim.rival_gap
        if claim.rival_conductivity is not None:
            found["level_conductivity"] = found["level_factor"] * claim.rival_conductivity
    if claim.matrix is not None and claim.filler is not None and claim.volume_fraction is not None:
        two = {"filler": claim.filler, "fraction": claim.volume_fraction}
        low, high = hashin_shtrikman(claim.matrix, **two)
        found |= {"series_bound": float(series(claim.matrix, **two)), "lower_bound": float(low)}
        found |= {"upper_bound": float(high), "parallel_bound": float(parallel(claim.matrix, **two))}
        found["expected"] = float(bruggeman_differential(claim.matrix, **two))
    return found


def _signs(claim: Claim, _: Mapping[str, float]) -> Iterator[Finding]:
    """Figures that cannot be zero or less."""
    if claim.gap is not None and not claim.gap > 0.0:
        sentence = f"A gap of {_text(claim.gap, 'gap')} cannot be: the zero of the gap is likely wrong."
        yield Finding("gap_not_positive", Verdict.IMPOSSIBLE, sentence)
    for name in ("conductivity", "thermal_impedance", "temperature_rise"):
        value = getattr(claim, "impedance" if name == "thermal_impedance" else name)
        if value is not None and not value > 0.0:
            label = QUANTITIES[name].label.lower()
            sentence = f"A {label} of {_text(value, name)} cannot be: heat flows from hot to cold only."
            yield Finding(f"{name}_not_positive", Verdict.IMPOSSIBLE, sentence)


def _of_kind(claim: Claim, follows: Mapping[str, float]) -> Iterator[Finding]:
    """Conductivity, claimed and apparent, against what the kind of material can reach."""
    for name, what in (("conductivity", "A conductivity"), ("apparent_conductivity", "An apparent conductivity")):
        value = claim.conductivity if name == "conductivity" else follows.get(name)
        if value is None or not value > 0.0:
            continue
        said = f"{what} of {_text(value, name)}{_where_from(claim, follows) if name != 'conductivity' else ''}"
        entry, kind = kind_of(claim.kind), claim.kind or "any material"
        high = entry.high if entry else BEST_SOLID if name == "conductivity" else WIDEST[1]
        if value > high * _EXACTLY:
            why = (
                entry.why if entry else "no solid conducts better than diamond, no layer that fits its faces passed 100"
            )
            yield Finding(
                f"{name}_beyond_kind",
                Verdict.IMPOSSIBLE,
                f"{said} is beyond {high:g} W/(m*K), the most that {kind} can reach: {why}.",
            )
        elif entry and value > entry.usual * _EXACTLY:
            yield Finding(
                f"{name}_unusual",
                Verdict.DOUBTFUL,
                f"{said} is above {entry.usual:g} W/(m*K), which is unusual for {kind}: {entry.why}.",
            )
        elif value < (entry.low if entry else WIDEST[0]):
            yield Finding(
                f"{name}_below_kind",
                Verdict.DOUBTFUL,
                f"{said} is below {entry.low if entry else WIDEST[0]:g} W/(m*K), hardly more than air between the "
                "faces: the gap, the scale or the coverage is likely wrong.",
            )


def _composition(claim: Claim, follows: Mapping[str, float]) -> Iterator[Finding]:
    """Conductivity against the bounds of the composition, and the filler against what packs."""
    if claim.volume_fraction is not None and claim.volume_fraction > FACE_CENTRED:
        yield Finding(
            "packed_too_full",
            Verdict.DOUBTFUL,
            f"A filler share of {_text(claim.volume_fraction, 'volume_fraction')} by volume is above "
            f"{_text(FACE_CENTRED, 'volume_fraction')}, the most that spheres of one size fill: it needs sizes that "
            "fill one another's gaps, or is a share by mass.",
        )
    for name, what in (("conductivity", "A conductivity"), ("apparent_conductivity", "An apparent conductivity")):
        value = claim.conductivity if name == "conductivity" else follows.get(name)
        if value is not None and value > 0.0:
            yield from _against_bounds(f"{what} of {_text(value, name)}", name, value, claim, follows)


def _against_bounds(
    said: str, name: str, value: float, claim: Claim, follows: Mapping[str, float]
) -> Iterator[Finding]:
    best = max(claim.filler, claim.matrix or 0.0) if claim.filler is not None else math.inf
    of = f"{_text(claim.volume_fraction, 'volume_fraction')} by volume" if claim.volume_fraction is not None else ""
    if value > follows.get("parallel_bound", best):
        highest = follows.get("parallel_bound", best)
        mix = f"{of} of a filler with {claim.filler:g} W/(m*K)" if of else f"a filler with {claim.filler:g} W/(m*K)"
        yield Finding(
            f"{name}_above_parallel",
            Verdict.IMPOSSIBLE,
            f"{said} is more than {highest:.4g} W/(m*K), the most that {mix} can give in any structure.",
        )
    elif value > follows.get("upper_bound", math.inf):
        yield Finding(
            f"{name}_above_bound",
            Verdict.IMPOSSIBLE,
            f"{said} is more than {follows['upper_bound']:.4g} W/(m*K), the most that {of} of a filler with "
            f"{claim.filler:g} W/(m*K) can give (Hashin and Shtrikman), unless the filler is aligned across the layer.",
        )
    elif value > 3.0 * follows.get("expected", math.inf):
        yield Finding(
            f"{name}_above_expected",
            Verdict.DOUBTFUL,
            f"{said} is {value / follows['expected']:.2g} times the {follows['expected']:.3g} W/(m*K) that {of} of "
            f"round filler gives in a matrix of {claim.matrix:g} W/(m*K) (Bruggeman).",
        )
    elif name == "conductivity" and value < follows.get("series_bound", 0.0):
        yield Finding(
            "conductivity_below_series",
            Verdict.DOUBTFUL,
            f"{said} is less than {follows['series_bound']:.4g} W/(m*K), the least that {of} of the filler can give "
            "without voids.",
        )


def _companions(claim: Claim, follows: Mapping[str, float]) -> Iterator[Finding]:
    """Impedance, gap, conductivity, rise and flux of one layer against one another, by equation 1."""
    impedance, layer = follows.get("thermal_impedance"), follows.get("layer_impedance")
    yield from _two_impedances(claim)
    if impedance is None or impedance <= 0.0:
        return
    if layer is not None and layer > 0.0:
        yield from _layer_within(claim, impedance, layer)
    if claim.gap is not None and claim.filler is not None and 0.0 < impedance < claim.gap / claim.filler:
        yield Finding(
            "impedance_below_filler",
            Verdict.IMPOSSIBLE,
            f"An impedance of {_text(impedance, 'thermal_impedance')} is less than {_text(claim.gap, 'gap')} of solid "
            f"filler would have, {_text(claim.gap / claim.filler, 'thermal_impedance')}.",
        )
    if impedance < _FLOOR:
        yield Finding(
            "impedance_below_floor",
            Verdict.DOUBTFUL,
            f"An impedance of {_text(impedance, 'thermal_impedance')} is below "
            f"{_text(_FLOOR, 'thermal_impedance')}, what most rigs can tell from nought.",
        )


def _two_impedances(claim: Claim) -> Iterator[Finding]:
    if claim.impedance is None or claim.temperature_rise is None or claim.heat_flux is None:
        return
    given = claim.temperature_rise / claim.heat_flux
    if abs(given - claim.impedance) > _ROUNDING * max(abs(given), abs(claim.impedance)):
        yield Finding(
            "impedance_and_rise_differ",
            Verdict.IMPOSSIBLE,
            f"A rise of {_text(claim.temperature_rise, 'temperature_rise')} at {_text(claim.heat_flux, 'heat_flux')} "
            f"is {_text(given, 'thermal_impedance')}, not the {_text(claim.impedance, 'thermal_impedance')} stated.",
        )


def _layer_within(claim: Claim, impedance: float, layer: float) -> Iterator[Finding]:
    if claim.gap is None or claim.conductivity is None:
        return
    said = f"{_text(claim.gap, 'gap')} at {_text(claim.conductivity, 'conductivity')}"
    if impedance < layer * (1.0 - _ROUNDING):
        yield Finding(
            "impedance_below_layer",
            Verdict.IMPOSSIBLE,
            f"{said} has {_text(layer, 'thermal_impedance')} before any contact, more than the "
            f"{_text(impedance, 'thermal_impedance')} {_source(claim)}: the material would need "
            f"{_text(claim.gap / impedance, 'conductivity')} or more.",
        )
    elif impedance - layer > _CONTACTS * impedance:
        yield Finding(
            "mostly_contacts",
            Verdict.DOUBTFUL,
            f"{said} has {_text(layer, 'thermal_impedance')}, {shown(layer / impedance, 'heat_balance'):.2g} % of the "
            f"{_text(impedance, 'thermal_impedance')} {_source(claim)}: the layer shows an apparent "
            f"{_text(claim.gap / impedance, 'apparent_conductivity')}, so contacts and roughness make the "
            "figure, or the conductivity is less.",
        )


def _particles(claim: Claim, _: Mapping[str, float]) -> Iterator[Finding]:
    """A gap smaller than the largest particle."""
    if claim.gap is not None and claim.largest_particle is not None and 0.0 < claim.gap < claim.largest_particle:
        yield Finding(
            "gap_below_particle",
            Verdict.DOUBTFUL,
            f"A gap of {_text(claim.gap, 'gap')} is smaller than the largest particle, "
            f"{_text(claim.largest_particle, 'gap')}: it cannot be reached unless particles break or leave.",
        )


_CHECKS = (_signs, _of_kind, _composition, _companions, _particles)


def _nothing_against(claim: Claim, follows: Mapping[str, float]) -> str:
    """What is said of a claim that stands: the numbers it leads to."""
    said = []
    if claim.kind and claim.conductivity is not None:
        entry = kind_of(claim.kind)
        said.append(f"up to {entry.usual if entry else WIDEST[1]:g} W/(m*K) is usual for {claim.kind}")
    if "upper_bound" in follows:
        said.append(f"the composition allows {follows['lower_bound']:.3g} to {follows['upper_bound']:.3g} W/(m*K)")
    if "apparent_conductivity" in follows:
        said.append(
            f"{_text(claim.gap or 0.0, 'gap')} and {_text(follows['thermal_impedance'], 'thermal_impedance')} make an "
            f"apparent {_text(follows['apparent_conductivity'], 'apparent_conductivity')}"
        )
    if "layer_impedance" in follows:
        said.append(f"the layer alone has {_text(follows['layer_impedance'], 'thermal_impedance')}")
    said += _thin_metal(claim, follows)
    if "level_factor" in follows:
        said.append(_level(claim, follows))
    if "least_rise" in follows and claim.temperature_rise is None:
        said.append(f"a rise of at least {_text(follows['least_rise'], 'temperature_rise')} at this flux")
    return f"Nothing speaks against it: {'; '.join(said)}." if said else "Nothing speaks against it."


def _thin_metal(claim: Claim, follows: Mapping[str, float]) -> list[str]:
    """How little of an impedance the layer itself makes, where its kind could conduct so much better than it shows."""
    entry, impedance = kind_of(claim.kind), follows.get("thermal_impedance")
    if entry is None or claim.gap is None or impedance is None or claim.conductivity is not None:
        return []
    alone = claim.gap / entry.usual
    if not 0.0 < alone < (1.0 - _CONTACTS) * impedance:
        return []
    return [
        f"at {entry.usual:g} W/(m*K) the layer alone would have {_text(alone, 'thermal_impedance')}, so contacts, "
        "coverage or the rig's own floor can make nearly all of it"
    ]


def _level(claim: Claim, follows: Mapping[str, float]) -> str:
    gaps = f"{_text(claim.gap or 0.0, 'gap')} against {_text(claim.rival_gap or 0.0, 'gap')}"
    level = f"{gaps} draws level at {follows['level_factor']:.3g} times the conductivity"
    if "level_conductivity" not in follows:
        return f"{level}, contacts alike"
    return f"{level}, {_text(follows['level_conductivity'], 'conductivity')}, contacts alike"


def _where_from(claim: Claim, follows: Mapping[str, float]) -> str:
    return f" ({_text(claim.gap or 0.0, 'gap')} over {_text(follows['thermal_impedance'], 'thermal_impedance')})"


def _source(claim: Claim) -> str:
    if claim.impedance is not None or claim.temperature_rise is None or claim.heat_flux is None:
        return "stated"
    rise, flux = _text(claim.temperature_rise, "temperature_rise"), _text(claim.heat_flux, "heat_flux")
    return f"that {rise} at {flux} makes"


def _text(value: float, quantity: str) -> str:
    """An SI value in the unit its quantity is shown in, four digits."""
    return f"{shown(value, quantity):.4g} {QUANTITIES[quantity].shown}"
