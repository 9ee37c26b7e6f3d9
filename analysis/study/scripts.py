"""How the mean change of an ageing series is worked out from the specimens' own values."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.quantities import QUANTITIES
from analysis.study.specimens import Specimen
from analysis.units import from_si, shown
from analysis.worked import Script


def rate_script(specimens: Sequence[Specimen], key: str) -> Script:
    """The least-squares slope of each specimen's values over its first, then the mean in percent per 1000 h."""
    script = Script()
    for number, one in enumerate(specimens, start=1):
        rows = range(1, one.age.size + 1)
        _values(script, number, one, key, rows=rows, ages=True)
        ages = " + ".join(f"t{number}_{row}" for row in rows)
        script.step(f"tm{number}", f"Mean age, {one.name}", f"({ages}) / {one.age.size}", "h")
        above = " + ".join(f"(t{number}_{row} - tm{number}) * y{number}_{row}" for row in rows)
        below = " + ".join(f"(t{number}_{row} - tm{number})^2" for row in rows)
        formula = f"1000 * ({above}) / ({below}) / y{number}_1"
        script.step(f"s{number}", f"Change of {one.name} in 1000 h, as a share of its first value", formula, "1")
    return _mean(script, "s", len(specimens))


def change_script(specimens: Sequence[Specimen], key: str) -> Script:
    """The last value of each specimen over its first, less one; then the mean in percent."""
    script = Script()
    for number, one in enumerate(specimens, start=1):
        _values(script, number, one, key, rows=(1, one.age.size), ages=False)
        formula = f"y{number}_{one.age.size} / y{number}_1 - 1"
        script.step(f"c{number}", f"Change of {one.name} from first to last", formula, "1")
    return _mean(script, "c", len(specimens))


def _values(script: Script, number: int, one: Specimen, key: str, *, rows: Sequence[int], ages: bool) -> None:
    quantity = QUANTITIES[key]
    for row in rows:
        name = f"{one.name}, result {row}"
        if ages:
            script.given(f"t{number}_{row}", f"Age of {name}", from_si(float(one.age[row - 1]), "h", "time"), "h")
        value = shown(float(one.values[key][row - 1]), key)
        script.given(f"y{number}_{row}", f"{quantity.label} of {name}", value, quantity.shown)


def _mean(script: Script, letter: str, count: int) -> Script:
    total = " + ".join(f"{letter}{number}" for number in range(1, count + 1))
    script.step("mean", "Mean of the specimens, in percent", f"100 * ({total}) / {count}", "%")
    return script
