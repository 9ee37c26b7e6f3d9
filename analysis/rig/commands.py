"""`python -m analysis rig WHAT FILES`: the figures of a rig."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from analysis.output import from_dict
from analysis.results import Outcome, Trace
from analysis.rig import frame_compliance, gap_expansion, loss_conductance, repeatability, sensor_offset
from analysis.runs import prepare
from analysis.setup import RigSetup
from analysis.studies import read_result

_OF_RUNS: Mapping[str, Callable[[Sequence[Trace], RigSetup], Outcome]] = {
    "loss": loss_conductance,
    "expansion": gap_expansion,
    "offset": sensor_offset,
    "compliance": frame_compliance,
}

_MORE = """what:
  loss        heat-loss conductance of the heater block, from balance runs at several temperatures
  expansion   growth of the gap reading with the blocks' warmth, from bare heated runs
  offset      hot less cold reading on blocks of one temperature, from isothermal runs without power
  compliance  change of the gap reading with force, from a ramp of the force on bare closed blocks
  floor       repeatability between applications of a reference, from results of `reduce --json`

examples:
  python -m analysis rig loss balance-1.csv balance-2.csv --setup bench-2.toml
  python -m analysis rig compliance ramp.csv --setup bench-2.toml --json
  python -m analysis rig floor reference-*.json
  python -m analysis rig floor reference-*.json --working repeatability

Exit code 3: read, but the data do not bear a figure; the flags say why and what would do."""


def add_rig(commands: Any) -> None:
    """Add the command; it sets `find`, which gives the outcome of its options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "rig",
        help="figures of a rig from runs made for it",
        description="Figures of a rig from runs made for it.",
        epilog=_MORE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("what", choices=(*_OF_RUNS, "floor"), help="which figure")
    parser.add_argument("files", type=Path, nargs="+", help="run files, or for floor result files")
    parser.add_argument("--setup", type=Path, help="setup file (TOML), or a result that carries its setup")
    parser.add_argument("--working", metavar="FIGURE", help="show how the figure is worked out")
    parser.add_argument("--json", action="store_true", help="print the result object")
    parser.set_defaults(find=_find)


def _find(options: argparse.Namespace) -> Outcome:
    if options.what == "floor":
        return repeatability([from_dict(read_result(path), name=path.name) for path in options.files])
    prepared = [prepare(path, setup=options.setup) for path in options.files]
    return _OF_RUNS[options.what]([trace for trace, _, _ in prepared], prepared[0][1])
