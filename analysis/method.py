"""What a method is: what it takes, what it needs and what it gives. Forms, tables and limits are built from this."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from analysis.errors import OutOfRange
from analysis.option import Option


@dataclass(frozen=True, slots=True)
class Method:
    """One method: its `function`, what it `takes` (one run or several results), and what comes of it.

    `needs` are channel quantities of a run, or figures of each result, without which it cannot work; `gives` are the
    figures it may give, keys of `analysis.quantities`. `reduces` tells that it makes a Reduction of a run, which is
    what a run's page shows; the others make an Outcome. `options` are what may be asked of it beside its data.
    """

    label: str
    takes: Literal["run", "results"]
    needs: tuple[str, ...]
    gives: tuple[str, ...]
    function: Callable[..., Any]
    reduces: bool = False
    options: tuple[Option, ...] = ()

    def __call__(self, *arguments: Any, **options: Any) -> Any:
        """Call the function; OutOfRange where readings or a setup are too large or too small to compute with."""
        with np.errstate(all="ignore"):
            try:
                return self.function(*arguments, **options)
            except (OverflowError, ZeroDivisionError) as error:
                message = "the readings or the setup hold numbers too large or too small to compute with"
                raise OutOfRange(message) from error
