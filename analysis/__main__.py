"""The science without the web: `python -m analysis reduce run.csv --setup bench-2.toml`.

Exit codes: 0 figures were obtained; 2 a file or a setup cannot be read, one line on standard error says why; 3 it was
read, but no figure is defensible. `claim` and `validate` answer 0 for yes and 1 for no.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import analysis
from analysis import answers, batch, commands, outcomes, studies, working
from analysis.comparing import output, reading
from analysis.errors import AnalysisError, BadSetup
from analysis.results import Outcome, Reduction

COMPARED = ("temperature_rise", "thermal_impedance", "apparent_conductivity", "gap")
FIGURES, UNREADABLE, NO_FIGURES = 0, 2, 3

_REDUCE = """examples:
  python -m analysis reduce run.csv --setup bench-2.toml --zero zero.csv
  python -m analysis reduce run.csv --setup bench-2.toml --zero zero.csv --json > run.json
  python -m analysis reduce run.csv --setup bench-2.toml --with coolant.csv --offset "2.5 s"
  python -m analysis reduce run.csv --setup bench-2.toml --working thermal_impedance
  python -m analysis reduce run.csv --setup bench-2.toml --monte-carlo --seed 7

Exit codes: 0 figures; 2 a file or the setup cannot be read; 3 read, but no figure is defensible."""
_BATCH = """example:
  python -m analysis batch week-12.csv --out week-12.jsonl --workers 4

The manifest, paths relative to it:
  run,setup,zero,zero_after
  run-1.csv,bench-2.toml,zero.csv,"""
_COMPARE = """example:
  python -m analysis compare run-*.json --figure thermal_impedance --reference S-0100

Results are grouped by `[run] sample` and `[run] application` of their setups."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    options = _parser().parse_args(arguments)
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        code: int = options.run_command(options)
    except AnalysisError as error:
        print(" ".join(str(error).split()), file=sys.stderr)
        return UNREADABLE
    except BrokenPipeError:  # whoever read the output has had enough
        sys.stderr.close()
        return FIGURES
    return code


def exit_code(reduction: Reduction) -> int:
    return FIGURES if reduction.figures else NO_FIGURES


def _reduce(options: argparse.Namespace) -> int:
    run, setup = _run_of(options)
    reduction = analysis.reduce(
        run,
        setup=setup,
        zero=options.zero,
        zero_after=options.zero_after,
        monte_carlo=commands.seed_of(options),
    )
    if options.working:
        shown = working.working_of(reduction, options.working)
        print(_json(working.to_dict(shown)) if options.json else working.to_text(shown))
        return FIGURES
    print(_json(reduction.to_dict()) if options.json else analysis.to_text(reduction))
    return exit_code(reduction)


def _run_of(options: argparse.Namespace) -> tuple[analysis.Run, analysis.Setup | None]:
    """The run, joined with what a second logger recorded where one is named, and its setup."""
    if options.other is None and options.offset is None:
        return options.run, options.setup
    if options.other is None:
        raise BadSetup("--offset is for a second file; name it by --with")
    return analysis.join(options.run, options.other, setup=options.setup, offset=options.offset)


def _batch(options: argparse.Namespace) -> int:
    batch.run(options.manifest, out=options.out, workers=options.workers, progress=_progress())
    return FIGURES


def _compare(options: argparse.Namespace) -> int:
    results = [studies.read_result(path) for path in options.results]
    asked = reading.Asked(figure=options.figure, reference=options.reference, required=options.required)
    if options.question:
        asked = reading.read_question(studies.read_result(options.question), name=options.question.name)
    ranking = reading.command(results, names=[path.name for path in options.results], **asked)
    print(_json(output.to_dict(ranking)) if options.json else output.to_text(ranking), end="")
    return NO_FIGURES if ranking.refusals else FIGURES


def _find(options: argparse.Namespace) -> int:
    """A command of `analysis.commands`."""
    outcome: Outcome = options.find(options)
    if options.working:
        shown = working.working_of(outcome, options.working)
        print(_json(working.to_dict(shown)) if options.json else working.to_text(shown))
        return FIGURES
    print(_json(outcome.to_dict()) if options.json else outcomes.to_text(outcome))
    return FIGURES if outcome.figures else NO_FIGURES


def _answer(options: argparse.Namespace) -> int:
    """A command of `analysis.answers`."""
    answer: answers.Answer = options.answer(options)
    print(_json(answer.data) if options.json else answer.text)
    return answer.code


def _json(data: object) -> str:
    return json.dumps(data, indent=2, allow_nan=False)


def _progress() -> batch.Progress | None:
    return _bar if sys.stderr.isatty() else None


def _bar(done: int, total: int, failed: int) -> None:
    """A bar on the terminal, drawn over itself."""
    filled = 40 * done // max(total, 1)
    end = "\n" if done == total else ""
    print(f"\r[{'#' * filled:<40}] {done} of {total}, {failed} unreadable", end=end, file=sys.stderr, flush=True)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m analysis", description="Reduce and compare runs, without the web.")
    parser.add_argument("--version", action="version", version=analysis.__version__)
    found = parser.add_subparsers(required=True, metavar="command")

    one = _command(found, "reduce", "reduce one run to its figures", _REDUCE)
    one.add_argument("run", type=Path, help="run file: CSV, XLSX, Parquet or TDMS")
    one.add_argument("--setup", type=Path, help="setup file (TOML), or a result to repeat")
    one.add_argument("--zero", type=Path, help="zero run on closed blocks, before the run")
    one.add_argument("--zero-after", type=Path, help="zero run on closed blocks, after the run")
    one.add_argument("--with", dest="other", type=Path, metavar="OTHER", help="a second file of the same run")
    one.add_argument("--offset", help="how much later OTHER began than the run, such as '2.5 s'; else by their clocks")
    one.add_argument("--working", metavar="FIGURE", help="show how one figure is worked out, such as thermal_impedance")
    commands.add_monte_carlo(one)
    one.add_argument("--json", action="store_true", help="print the result object")
    one.set_defaults(run_command=_reduce)

    many = _command(found, "batch", "reduce many runs, listed in a manifest", _BATCH)
    many.add_argument("manifest", type=Path, help="CSV with the columns run, setup, zero, zero_after")
    many.add_argument(
        "--out", type=Path, required=True, help="results, one JSON object a line, in the manifest's order"
    )
    many.add_argument("--workers", type=_workers, default=1, help="processes to share the work (1)")
    many.set_defaults(run_command=_batch)

    ranking = _command(found, "compare", "rank samples under matched conditions", _COMPARE)
    ranking.add_argument("results", type=Path, nargs="+", help="results that `reduce --json` printed")
    ranking.add_argument("--figure", default="temperature_rise", choices=COMPARED)
    ranking.add_argument("--reference", help="the sample the others are set against as well")
    ranking.add_argument("--required", type=int, default=3, help="applications a sample needs to be ranked (3)")
    ranking.add_argument(
        "--question", type=Path, help="question.json of a data package: figure, reference, repeats, conditions"
    )
    ranking.add_argument("--json", action="store_true", help="print the ranking as JSON")
    ranking.set_defaults(run_command=_compare)
    commands.add_commands(found)
    answers.add_commands(found)
    for command in found.choices.values():
        for name, run_command in (("find", _find), ("answer", _answer)):
            if command.get_default(name) is not None:
                command.set_defaults(run_command=run_command)
    return parser


def _command(commands: Any, name: str, words: str, more: str) -> argparse.ArgumentParser:
    """One command with its help, an example at its end."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=words,
        description=f"{words[0].upper()}{words[1:]}.",
        epilog=more,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    return parser


def _workers(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 256:
        raise argparse.ArgumentTypeError(f"expected a number of processes from 1 to 256, found '{text}'")
    return int(text)


if __name__ == "__main__":
    sys.exit(main())
