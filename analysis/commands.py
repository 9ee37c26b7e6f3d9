"""The commands of the methods that go beyond one reduction, for `python -m analysis`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from analysis import studies
from analysis.comparing.difference import CHANGES
from analysis.errors import OutOfRange
from analysis.results import Outcome
from analysis.rig.commands import add_rig

Commands = Any  # argparse does not name the type of what add_subparsers returns


def add_commands(commands: Commands) -> None:
    """Add one command for each method; each sets `find`, which gives the outcome of its options."""
    _add_series(commands)
    _add_difference(commands)
    _add_cycles(commands)
    _add_ageing(commands)
    _add_press(commands)
    add_rig(commands)
    _add_thinning(commands)


def add_monte_carlo(parser: argparse.ArgumentParser) -> None:
    """The options by which figures are propagated by Monte Carlo as well."""
    parser.add_argument(
        "--monte-carlo", action="store_true", help="propagate by Monte Carlo as well and tell whether both agree"
    )
    parser.add_argument("--seed", type=_seed, metavar="N", help="seed of the Monte Carlo trials (1)")


def seed_of(options: argparse.Namespace) -> int | None:
    """The seed of the Monte Carlo trials; None where none are asked for."""
    if options.seed is None:
        return 1 if options.monte_carlo else None
    if not options.monte_carlo:
        raise OutOfRange("--seed is for Monte Carlo trials; ask for them by --monte-carlo")
    seed: int = options.seed
    return seed


def _seed(text: str) -> int:
    if not text.isdecimal() or int(text) >= 2**32:
        raise argparse.ArgumentTypeError(f"expected a whole number from 0 to {2**32 - 1}, found '{text}'")
    return int(text)


def _command(commands: Commands, name: str, *, words: str, more: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=words,
        description=f"{words[0].upper()}{words[1:]}.",
        epilog=more,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--working", metavar="FIGURE", help="show how one figure is worked out")
    parser.add_argument("--json", action="store_true", help="print the result object")
    return parser


def _add_series(commands: Commands) -> None:
    parser = _command(
        commands,
        "series",
        words="bulk conductivity and contact impedance from results at three or more gaps",
        more="""example:
  python -m analysis reduce run-050.csv --setup bench-2.toml --zero zero.csv --json > gap-050.json
  ... the same for two or more other gaps, then
  python -m analysis series gap-050.json gap-100.json gap-200.json
  python -m analysis series gap-*.json --monte-carlo --seed 7

With --json: figures (conductivity, contact_impedance), budget, results (each with its distance from the line, or why it
was left out), line (slope, intercept, correlation, zero_offset where the intercept is below zero), tests (probabilities
of lack of fit and of curvature), flags. Exit code 3: read, but no line is defensible; the flags say why.""",
    )
    parser.add_argument("results", type=Path, nargs="+", help="results that `reduce --json` printed")
    add_monte_carlo(parser)
    parser.set_defaults(find=_series)


def _series(options: argparse.Namespace) -> Outcome:
    return studies.series(options.results, monte_carlo=seed_of(options))


def _add_difference(commands: Commands) -> None:
    parser = _command(
        commands,
        "difference",
        words="difference of two results, what they share (one rig, one zero) cancelled as far as it is alike",
        more="""example:
  python -m analysis difference grey.json white.json --figure thermal_impedance --monte-carlo

The second less the first. With --json: figures (the difference), budget, root_sum (the uncertainty that independent
results would have), shared (the sources both have), monte_carlo where asked for.""",
    )
    parser.add_argument("one", type=Path, help="result that `reduce --json` printed")
    parser.add_argument("other", type=Path, help="result that `reduce --json` printed, from which ONE is taken")
    parser.add_argument("--figure", default="thermal_impedance", choices=tuple(CHANGES))
    add_monte_carlo(parser)
    parser.set_defaults(find=_difference)


def _difference(options: argparse.Namespace) -> Outcome:
    return studies.difference(options.one, options.other, figure=options.figure, monte_carlo=seed_of(options))


def _with_run(parser: argparse.ArgumentParser) -> None:
    """The files of one run."""
    parser.add_argument("run", type=Path, help="run file: CSV, XLSX, Parquet or TDMS")
    parser.add_argument("--setup", type=Path, help="setup file (TOML), or a result that carries its setup")
    parser.add_argument("--zero", type=Path, help="zero run on closed blocks, before the run")


def _add_cycles(commands: Commands) -> None:
    parser = _command(
        commands,
        "cycles",
        words="figures at each soak of a power or temperature cycled run, their drift, cycles to a limit",
        more="""example:
  python -m analysis cycles cycled.csv --setup bench-2.toml --zero zero.csv --limit "25 mm^2*K/W"

With --json: run, figures (of the last soak, and impedance_change, relative_change, impedance_drift, gap_change),
budget, cycles (kind, count, period_s, uneven, soaks), drift (for each figure: per_cycle and its 95 % interval, change,
p_no_trend, shapes), limit (cycles and their 95 % prediction interval, or the reason why none is given), flags.
Exit code 3: read, but nothing is cycled; the flags say why.""",
    )
    _with_run(parser)
    parser.add_argument("--limit", help="impedance asked for, with its unit; without it, one fifth above the start")
    parser.set_defaults(find=_cycles)


def _cycles(options: argparse.Namespace) -> Outcome:
    return studies.cycles(options.run, setup=options.setup, zero=options.zero, limit=options.limit)


def _add_ageing(commands: Commands) -> None:
    parser = _command(
        commands,
        "ageing",
        words="change of several specimens over time, each against its own start",
        more="""example:
  python -m analysis ageing week-00/*.json week-04/*.json week-12/*.json

Results are grouped by their application (else their sample) and ordered by the time they were taken.
With --json: figures (change_per_1000_h, relative_change), budget, specimens, left_out, unpaired, flags.
Exit code 3: read, but fewer than two specimens have a start and a later result; the flags say why.""",
    )
    parser.add_argument("results", type=Path, nargs="+", help="results that `reduce --json` printed")
    parser.add_argument(
        "--figure", default="thermal_impedance", choices=("thermal_impedance", "gap", "temperature_rise")
    )
    parser.set_defaults(find=_ageing)


def _ageing(options: argparse.Namespace) -> Outcome:
    return studies.ageing(options.results, figure=options.figure)


def _add_press(commands: Commands) -> None:
    parser = _command(
        commands,
        "press",
        words="approach of a layer to its final gap, viscosity or yield stress, and whether it still moves",
        more="""example:
  python -m analysis press run.csv --setup bench-2.toml --zero zero.csv --face circular

With --json: run, figures (gap, and by the closest model rest_gap, gap_to_go, viscosity, yield_stress), budget, approach
(times, gaps, the model's gaps), models (each with its figures and its information criterion above the best), flags.
Exit code 3: read, but there is no approach to fit; the flags say why.""",
    )
    _with_run(parser)
    parser.add_argument("--face", default="", help="circular, square, or sides such as '30 mm x 40 mm'")
    parser.set_defaults(find=_press)


def _press(options: argparse.Namespace) -> Outcome:
    return studies.press(options.run, setup=options.setup, zero=options.zero, face=options.face)


def _add_thinning(commands: Commands) -> None:
    parser = _command(
        commands,
        "thinning",
        words="conductivity and contact impedance from one run whose layer thins under power",
        more="""example:
  python -m analysis thinning run.csv --setup bench-2.toml --zero zero.csv --series series.json

With --json: run, figures (conductivity, contact_impedance), budget, points (the quasi-steady blocks, the line, how many
independent points they are worth), comparison (with the series: normalised_error at most 1 where they agree), flags.
Exit code 3: read, but the gap does not move enough under steady heat; the flags say by how much it would have to.""",
    )
    _with_run(parser)
    parser.add_argument("--series", type=Path, help="outcome that `series --json` printed, to compare with")
    parser.set_defaults(find=_thinning)


def _thinning(options: argparse.Namespace) -> Outcome:
    return studies.thinning(options.run, setup=options.setup, zero=options.zero, series=options.series)
