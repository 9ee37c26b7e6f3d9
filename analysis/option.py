"""What may be asked of a method beside its data. Form fields and parameters are built from this."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from analysis.errors import BadSetup, UnitError, Where
from analysis.quantities import QUANTITIES
from analysis.results import Trials
from analysis.units import parse_quantity, split_quantity

MOST_SEED = 2**32 - 1


@dataclass(frozen=True, slots=True)
class Option:
    """One option of a method: `key` is what its function calls it, `label` and `words` what people read.

    `kind`: a `quantity` (with `of`, a key of the quantities), a `choice` of `choices`, `words`, the `seed` of Monte
    Carlo trials, or the `outcome` of another method (`of` says which).
    """

    key: str
    label: str
    kind: Literal["quantity", "choice", "words", "seed", "outcome"]
    words: str = ""
    of: str = ""
    choices: tuple[str, ...] = ()
    example: str = ""

    @property
    def unit(self) -> str:
        """The unit in which people see a quantity."""
        return QUANTITIES[self.of].shown if self.kind == "quantity" else ""

    def read(self, text: str) -> Any:
        """What the method's function takes for a text; BadSetup names the option and what is expected.

        A quantity is a number with its unit, or a number alone in the unit in which people see it.
        """
        if self.kind == "quantity":
            return self._quantity(text)
        if self.kind == "seed":
            return Trials(seed=self._seed(text))
        if self.kind == "choice" and text not in self.choices:
            raise self._wrong(f"'{text}' is not known; expected one of: {', '.join(self.choices)}")
        return text

    def _quantity(self, text: str) -> float:
        try:
            unit = split_quantity(text)[1]
            value = parse_quantity(text if unit else f"{text} {self.unit}", self.of)
        except UnitError as error:
            raise self._wrong(error.message) from error
        if value <= 0.0:
            raise self._wrong("expected a value above zero")
        return value

    def _seed(self, text: str) -> int:
        if not text.isascii() or not text.isdigit() or int(text) > MOST_SEED:
            raise self._wrong(f"'{text}' is no seed; expected a whole number up to {MOST_SEED}")
        return int(text)

    def _wrong(self, message: str) -> BadSetup:
        return BadSetup(message, where=Where(key=self.key))


def read_options(options: tuple[Option, ...], texts: Mapping[str, str]) -> dict[str, Any]:
    """What a method's function takes, from texts by key; empty texts are left out, unknown keys are BadSetup."""
    known = {option.key: option for option in options}
    for key in texts:
        if key not in known:
            raise BadSetup(f"is no option here; there are: {', '.join(known) or 'none'}", where=Where(key=key))
    return {key: known[key].read(text.strip()) for key, text in texts.items() if text.strip()}
