"""The commands of the methods that go beyond one reduction, for `python -m analysis`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from analysis import studies
from analysis.results import Outcome

Commands = Any  # argparse does not name the type of what add_subparsers returns


def add_commands(commands: Commands) -> None:
    """Add one command for each method; each sets `find`, which gives the outcome of its options."""
    _add_series(commands)


def _command(commands: Commands, name: str, *, words: str, more: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=words,
        description=f"{words[0].upper()}{words[1:]}.",
        epilog=more,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
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

With --json: figures (conductivity, contact_impedance), budget, results (each with its distance from the line, or why it
was left out), line (slope, intercept, correlation, zero_offset where the intercept is below zero), tests (probabilities
of lack of fit and of curvature), flags. Exit code 3: read, but no line is defensible; the flags say why.""",
    )
    parser.add_argument("results", type=Path, nargs="+", help="results that `reduce --json` printed")
    parser.set_defaults(find=_series)


def _series(options: argparse.Namespace) -> Outcome:
    return studies.series(options.results)
