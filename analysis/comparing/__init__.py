"""Comparing samples: who may be compared, in what order they stand, and what it would take to change it."""

from analysis.comparing.changes import changes
from analysis.comparing.matching import Condition, Conditions, LeftOut, Reason, Result, match
from analysis.comparing.output import to_dict, to_text
from analysis.comparing.ranking import Ranking, rank
from analysis.comparing.reading import command, read_result
from analysis.comparing.sentences import Summary, summarize
from analysis.comparing.standings import Neighbours, Order, Spread, Standing
from analysis.comparing.takes import Takes, needed_conductivity, what_it_takes

__all__ = [
    "Condition",
    "Conditions",
    "LeftOut",
    "Neighbours",
    "Order",
    "Ranking",
    "Reason",
    "Result",
    "Spread",
    "Standing",
    "Summary",
    "Takes",
    "changes",
    "command",
    "match",
    "needed_conductivity",
    "rank",
    "read_result",
    "summarize",
    "to_dict",
    "to_text",
    "what_it_takes",
]
