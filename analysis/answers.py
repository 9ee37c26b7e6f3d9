"""Commands that answer a question without a run, for `python -m analysis`: claim and validate."""

from __future__ import annotations

import argparse
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from analysis.errors import OutOfRange
from analysis.quantities import QUANTITIES
from analysis.units import from_si, parse_quantity

if TYPE_CHECKING:
    from analysis.plausibility import Judgement

_FOLLOWING = {
    "layer_impedance": ("thermal_impedance", "impedance of the layer alone"),
    "thermal_impedance": ("thermal_impedance", "impedance"),
    "apparent_conductivity": ("apparent_conductivity", "apparent conductivity"),
    "least_rise": ("temperature_rise", "least rise at this flux"),
    "series_bound": ("conductivity", "series bound of the composition"),
    "lower_bound": ("conductivity", "Hashin-Shtrikman lower bound"),
    "expected": ("conductivity", "Bruggeman's differential model"),
    "upper_bound": ("conductivity", "Hashin-Shtrikman upper bound"),
    "parallel_bound": ("conductivity", "parallel bound of the composition"),
    "level_factor": ("", "conductivity over the rival's, to draw level"),
    "level_conductivity": ("conductivity", "conductivity to draw level with the rival"),
}


@dataclass(frozen=True, slots=True)
class Answer:
    """What a command found: a mapping ready for JSON, the same in lines of text, the exit code."""

    data: dict[str, Any]
    text: str
    code: int


def add_commands(commands: Any) -> None:
    """Add the commands; each sets `answer`, which gives the Answer to its options."""
    _add_claim(commands)
    _add_validate(commands)


def _add_claim(commands: Any) -> None:
    parser = commands.add_parser(
        "claim",
        help="whether an advertised figure can be, in one sentence",
        description="Whether an advertised figure can be, in one sentence.",
        epilog="""example:
  python -m analysis claim --conductivity "9 W/(m*K)" --gap "50 um" --impedance "8 mm^2*K/W" --kind paste
  python -m analysis claim --rise "6.44 K" --power "240 W" --area "900 mm^2" --gap "12.6 um" --kind paste
  python -m analysis claim --gap "20 um" --rival-gap "12 um" --rival-conductivity "3 W/(m*K)"

Values carry their unit. Exit code 0: plausible; 1: doubtful or impossible; 2: a value cannot be read.
With --json: verdict (plausible, doubtful, impossible), sentence, findings, follows (what the figures give).""",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    for option, words in (
        ("--conductivity", "of the material, claimed"),
        ("--gap", "thickness of the layer"),
        ("--impedance", "of the layer with its contacts"),
        ("--rise", "temperature rise across the layer"),
        ("--flux", "heat flux the rise belongs to"),
        ("--power", "heat flow, with --area instead of --flux"),
        ("--area", "of the faces"),
        ("--matrix", "conductivity of the matrix"),
        ("--filler", "conductivity of the filler"),
        ("--volume-fraction", "share of filler by volume, such as '60 %%'"),
        ("--mass-fraction", "share of filler by mass, with both densities"),
        ("--matrix-density", "density of the matrix"),
        ("--filler-density", "density of the filler"),
        ("--largest-particle", "size of the largest particle"),
        ("--rival-gap", "thickness of a rival's layer, to draw level with"),
        ("--rival-conductivity", "of that rival"),
    ):
        parser.add_argument(option, help=words)
    parser.add_argument("--kind", default="", help="kind of material, such as paste, pad or liquid_metal")
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")
    parser.set_defaults(answer=claim)


def claim(options: argparse.Namespace) -> Answer:
    """The answer to `claim`."""
    from analysis.plausibility import Claim, Verdict, assess

    judged = assess(
        Claim(
            conductivity=_value(options, "conductivity", "conductivity"),
            gap=_value(options, "gap", "length"),
            impedance=_value(options, "impedance", "impedance"),
            temperature_rise=_value(options, "rise", "temperature_difference"),
            heat_flux=_flux(options),
            kind=options.kind,
            matrix=_value(options, "matrix", "conductivity"),
            filler=_value(options, "filler", "conductivity"),
            volume_fraction=_share(options),
            largest_particle=_value(options, "largest_particle", "length"),
            rival_gap=_value(options, "rival_gap", "length"),
            rival_conductivity=_value(options, "rival_conductivity", "conductivity"),
        )
    )
    code = 0 if judged.verdict is Verdict.PLAUSIBLE else 1
    return Answer(claim_data(judged), _claim_text(judged), code)


def _value(options: argparse.Namespace, name: str, dimension: str) -> float | None:
    text = getattr(options, name)
    return None if text is None else parse_quantity(text, dimension)


def _flux(options: argparse.Namespace) -> float | None:
    power, area = _value(options, "power", "power"), _value(options, "area", "area")
    flux = _value(options, "flux", "heat_flux")
    if power is None and area is None:
        return flux
    if power is None or area is None or flux is not None:
        raise OutOfRange("expected either --flux, or --power and --area together")
    if not area > 0.0:
        raise OutOfRange(f"area: expected above zero, found {area:g}")
    return power / area


def _share(options: argparse.Namespace) -> float | None:
    from analysis.materials.mixture import volume_fractions

    volume, mass = _value(options, "volume_fraction", "ratio"), _value(options, "mass_fraction", "ratio")
    if mass is None:
        return volume
    densities = [_value(options, name, "density") for name in ("filler_density", "matrix_density")]
    if volume is not None or None in densities:
        raise OutOfRange("expected either --volume-fraction, or --mass-fraction with both densities")
    return float(volume_fractions([mass, 1.0 - mass], densities=[one or 0.0 for one in densities])[0])


def claim_data(judged: Judgement) -> dict[str, Any]:
    """What was found of a claim, ready for JSON: verdict, sentence, findings, and what follows in shown units."""
    follows = {}
    for name, value in judged.follows.items():
        key, label = _FOLLOWING[name]
        shown, unit = (from_si(value, QUANTITIES[key].shown, key), QUANTITIES[key].shown) if key else (value, "1")
        follows[name] = {"value": shown, "unit": unit, "label": label}
    findings = [asdict(finding) for finding in judged.findings]
    return {"verdict": judged.verdict, "sentence": judged.sentence, "findings": findings, "follows": follows}


def _claim_text(judged: Judgement) -> str:
    lines = [f"{judged.verdict}: {judged.sentence}"]
    lines += [f"  also {one.verdict}: {one.sentence}" for one in judged.findings if one.sentence != judged.sentence]
    for entry in claim_data(judged)["follows"].values():
        lines.append(
            f"  {entry['label']}: {entry['value']:.4g} {'' if entry['unit'] == '1' else entry['unit']}".rstrip()
        )
    return "\n".join(lines)


def _add_validate(commands: Any) -> None:
    parser = commands.add_parser(
        "validate",
        help="compare what is computed here with what was published, case by case",
        description="Compare what is computed here with what was published, case by case.",
        epilog="""example:
  python -m analysis validate --json > validation.json

Each case names its method, its function and its source; each number is computed anew.
Exit code 0: all agree; 1: not all.""",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--json", action="store_true", help="print the report as JSON")
    parser.set_defaults(answer=validate)


def validate(_: argparse.Namespace) -> Answer:
    """The answer to `validate`."""
    from analysis import validation  # loads every part of the analysis

    report = validation.validate()
    return Answer(validation.to_dict(report), validation.to_text(report), 0 if report.agrees else 1)
