"""Whole methods: a recording whose figures are known by hand goes in as a file would."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from analysis import runs, studies
from analysis.quantities import QUANTITIES
from analysis.results import Array, BudgetLine, Measured, Outcome, Reduction, Settled, Trials
from analysis.statistics import errors_in_both
from analysis.units import from_si, shown, shown_difference, to_si
from analysis.validation.case import Case, Check

_ROWS = 900
_OPEN = 60.0  # [s] before the force comes on
_GAP_SPREAD = 0.05  # [um] of a gap sensor
_SPREAD = 1e-3  # in the file's unit: loggers never repeat a value for long


def _steady() -> Iterator[Check]:
    """80.0 W through 25.4 mm x 25.4 mm, 6.40 K apart: R = 6.40 * 645.16 / 80.0; at 100 um, R and gap make lambda."""
    columns = {"hot [degC]": 56.40, "cold [degC]": 50.0, "power [W]": 80.0, "force [N]": 250.0, "gap [um]": 100.0}
    quantities = ("hot_temperature", "cold_temperature", "heater_power", "force", "gap")
    setup = _setup(columns, quantities, rig={"area": "645.16 mm^2"}) | {
        "nominal": {"heater_power": "80 W", "force": "250 N"},
        "gap": {"zero_reading": "0 um"},
    }
    found = runs.reduce(_recording(columns), setup=setup)
    yield _figure(found, "temperature_rise", 6.40, 2e-4)
    yield _figure(found, "thermal_impedance", 51.6128, 2e-3)
    yield _figure(found, "apparent_conductivity", 100.0 / 51.6128, 1e-4)
    yield _figure(found, "pressure", 387.50, 2e-2)


def _meter_bars() -> Iterator[Check]:
    """Bars of 167 W/(m K) with sensors at 4 and 14 mm: 83 500 W/m2, faces at 63.0 and 52.0 degC."""
    columns = {"h1 [degC]": 70.0, "h2 [degC]": 65.0, "c1 [degC]": 50.0, "c2 [degC]": 45.0, "force [N]": 250.0}
    quantities = ("hot_temperature", "hot_temperature", "cold_temperature", "cold_temperature", "force")
    rig = {"area": "645.16 mm^2", "heat_flow": "meter_bar", "block_conductivity": "167 W/(m*K)"}
    setup = _setup(columns, quantities, rig=rig, depths=("14 mm", "4 mm", "4 mm", "14 mm", ""))
    found = runs.reduce(_recording(columns), setup=setup)
    yield _figure(found, "heat_flow", 53.8709, 2e-2)
    yield _figure(found, "temperature_rise", 11.0, 1e-3)
    yield _figure(found, "thermal_impedance", 11.0 / 0.0835, 5e-2)


def _press() -> Iterator[Check]:
    """A paste of 3000 Pa s under 250 N between disks of 30 mm, from 500 um: 1/h^2 = 1/h0^2 + 4 F t / (3 pi mu R^4)."""
    columns = {"hot [degC]": 56.40, "cold [degC]": 50.0, "power [W]": 80.0, "force [N]": 250.0, "gap [um]": 0.0}
    quantities = ("hot_temperature", "cold_temperature", "heater_power", "force", "gap")
    setup = _setup(columns, quantities, rig={"area": "706.858347 mm^2"}) | {
        "nominal": {"heater_power": "80 W", "force": "250 N"},
        "gap": {"zero_reading": "0 um"},
    }
    recording = _recording(columns, spread=_GAP_SPREAD)
    since = np.maximum(recording["time [s]"] - _OPEN, 0.0)
    start, radius = to_si(500.0, "um", "length"), to_si(15.0, "mm", "length")
    gap = (start**-2.0 + 4.0 * 250.0 * since / (3.0 * math.pi * 3000.0 * radius**4)) ** -0.5
    recording["gap [um]"] = recording["gap [um]"] + from_si(gap, "um", "length")
    recording["force [N]"] = np.where(since > 0.0, recording["force [N]"], 0.0)
    found = studies.press(recording, setup=setup, face="circular")
    yield _figure(found, "viscosity", 3000.0, 3.0)


def _coolant() -> Iterator[Check]:
    """1.000 L/min of water warmed from 24.0 to 26.0 degC: 997.296 kg/m3 times 8362.7 J/kg over a minute, 139.00 W."""
    columns = {"hot [degC]": 60.0, "cold [degC]": 50.0, "in [degC]": 24.0, "out [degC]": 26.0, "flow [L/min]": 1.0}
    quantities = ("hot_temperature", "cold_temperature", "coolant_in", "coolant_out", "coolant_flow")
    rig = {"area": "900 mm^2", "heat_flow": "coolant"}
    found = runs.reduce(_recording(columns, spread=1e-4), setup=_setup(columns, quantities, rig=rig))
    yield _figure(found, "heat_flow", 139.001, 5e-3)
    yield _figure(found, "thermal_impedance", 10.0 * 900.0 / 139.001, 4e-3)


_ON, _PERIOD, _CYCLES, _LAG = 80.0, 120.0, 40, 4.0  # [s] of a power cycle, and the time constant of the blocks
_START, _GROWTH = 20.0, 0.004  # [mm2 K/W], and the share by which each cycle adds to the impedance


def _cycles() -> Iterator[Check]:
    """Heating on and off 40 times through 900 mm2 whose impedance grows by 0.4 % of the first in each cycle.

    The drift is 0.08 mm2 K/W a cycle; the mean of the last tenth of the cycles is 36 cycles after that of the first.
    """
    t = np.arange(_CYCLES * _PERIOD + 200.0)
    cycle = np.clip(np.floor((t - 100.0) / _PERIOD), 0.0, _CYCLES - 1.0)
    into = t - 100.0 - cycle * _PERIOD
    impedance = _START * (1.0 + _GROWTH * cycle)
    on = (into >= 0.0) & (into < _ON)
    level = 100.0 * impedance / 900.0
    warmed = level * (1.0 - np.exp(-np.clip(into, 0.0, _ON) / _LAG))
    rise = np.where(into <= 0.0, 0.0, np.where(on, warmed, level * np.exp(-np.clip(into - _ON, 0.0, None) / _LAG)))
    noise = np.random.default_rng(0).standard_normal((2, t.size)) * 2e-3
    recording = {
        "time [s]": t,
        "hot [degC]": 50.0 + rise + noise[0],
        "cold [degC]": 50.0 + noise[1],
        "power [W]": np.where(on, 100.0, 0.0),
    }
    columns = dict.fromkeys(("hot [degC]", "cold [degC]", "power [W]"), 0.0)
    quantities = ("hot_temperature", "cold_temperature", "heater_power")
    setup = _setup(columns, quantities, rig={"area": "900 mm^2"}, depths=("",) * 3)
    found = studies.cycles(recording, setup=setup)
    last = _START * (1.0 + _GROWTH * (_CYCLES - 1))
    yield _figure(found, "thermal_impedance", last, 0.02)
    yield _figure(found, "impedance_drift", _START * _GROWTH, 2e-3)
    yield _figure(found, "impedance_change", _START * _GROWTH * 36.0, 0.03)


def _ageing() -> Iterator[Check]:
    """Three specimens of unlike starts that gain 1 %, 2 % and 3 % in 1000 h: 2 %, u 1 % over the root of 3."""
    results = []
    for number, (start, gain) in enumerate(((10.0, 0.01), (20.0, 0.02), (40.0, 0.03)), start=1):
        for day, share in (("2030-01-01", 0.0), ("2030-02-11T16:00:00", 1.0)):
            one = _result(100.0, start * (1.0 + gain * share))
            run = {"file": f"{number}-{day}", "application": f"A-{number}", "start": _instant(day)}
            results.append(replace(one, run=run))
    found = studies.ageing(results)
    yield _figure(found, "change_per_1000_h", 2.0, 1e-9)
    yield _figure(found, "relative_change", 2.0, 1e-9)
    u = shown_difference(found.figures["change_per_1000_h"].u, "change_per_1000_h")
    yield Check("its standard uncertainty", 1.0 / math.sqrt(3.0), u, 1e-9, "%")


def _instant(day: str) -> str:
    return f"{day}{'' if 'T' in day else 'T00:00:00'}+00:00"


def _thinning() -> Iterator[Check]:
    """A layer of 3.0 W/(m K) with contacts of 5.0 mm2 K/W that thins from 200 to 60 um within half an hour of heat."""
    t = np.arange(2400.0)
    since = np.clip(t - 300.0, 0.0, None)
    gap = 60.0 + 140.0 * np.exp(-since / 600.0)
    impedance = 5.0 + gap / 3.0
    warm = np.where(t < 60.0, 0.0, 1.0 - np.exp(-np.clip(t - 60.0, 0.0, None) / 5.0))
    rise = 100.0 * impedance / 900.0 * warm
    noise = np.random.default_rng(0).standard_normal((4, t.size))
    recording = {
        "time [s]": t,
        "hot [degC]": 50.0 + rise + 2e-3 * noise[0],
        "cold [degC]": 50.0 + 2e-3 * noise[1],
        "power [W]": np.where(t < 60.0, 0.0, 100.0),
        "force [N]": 250.0 + 0.01 * noise[2],
        "gap [um]": gap + 0.02 * noise[3],
    }
    columns = dict.fromkeys(list(recording)[1:], 0.0)
    quantities = ("hot_temperature", "cold_temperature", "heater_power", "force", "gap")
    setup = _setup(columns, quantities, rig={"area": "900 mm^2"}) | {"gap": {"zero_reading": "0 um"}}
    found = studies.thinning(recording, setup=setup)
    yield _figure(found, "conductivity", 3.0, 0.03)
    yield _figure(found, "contact_impedance", 5.0, 0.1)


def _difference() -> Iterator[Check]:
    """Two results that share an error of 0.30 and have 0.04 each of their own: u is 0.04 times the root of two."""
    one, other = (_shared_result(value) for value in (20.0, 22.0))
    found = studies.difference(one, other, monte_carlo=Trials(digits=1))
    yield _figure(found, "impedance_change", 2.0, 1e-9)
    unit = QUANTITIES["impedance_change"].shown
    u = shown_difference(found.figures["impedance_change"].u, "impedance_change")
    yield Check("its standard uncertainty", 0.04 * math.sqrt(2.0), u, 1e-9, unit)
    drawn = shown_difference(found.monte_carlo["impedance_change"].u, "impedance_change")
    yield Check("by Monte Carlo, within 2 %", 0.04 * math.sqrt(2.0), drawn, 0.02 * 0.04 * math.sqrt(2.0), unit)


def _shared_result(impedance: float) -> Reduction:
    lines = tuple(
        BudgetLine(source, to_si(u, "mm^2*K/W", "impedance"), 1.0, "B", common=common)
        for source, u, common in (("area", 0.30, "bench: area"), ("scatter of the readings", 0.04, ""))
    )
    made = _result(100.0, impedance)
    figure = replace(made.figures["thermal_impedance"], u=math.hypot(*(line.u for line in lines)))
    figures = {**made.figures, "thermal_impedance": figure}
    return replace(made, figures=figures, budget={**made.budget, "thermal_impedance": lines})


def _series() -> Iterator[Check]:
    """Points on the line of 3.2 W/(m K) with contacts of 6.0 mm2 K/W, at one pressure."""
    gaps, impedances = (50.0, 100.0, 200.0, 300.0, 500.0), (21.625, 37.25, 68.5, 99.75, 162.25)
    found = studies.series([_result(*point) for point in zip(gaps, impedances, strict=True)])
    yield _figure(found, "conductivity", 3.2, 1e-6)
    yield _figure(found, "contact_impedance", 6.0, 1e-6)


def _york() -> Iterator[Check]:
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    by_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0]) ** -0.5
    by_y = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5
    fit = errors_in_both.fit_both(x, y=y, u_x=by_x, u_y=by_y)
    yield Check("intercept", 5.47991022, fit.intercept, 1e-7)
    yield Check("slope", -0.480533407, fit.slope, 1e-8)


def _setup(
    columns: Mapping[str, float],
    quantities: tuple[str, ...],
    *,
    rig: Mapping[str, object],
    depths: tuple[str, ...] = ("",) * 5,
) -> dict[str, object]:
    channels = []
    for header, quantity, depth in zip(columns, quantities, depths, strict=True):
        channel: dict[str, object] = {"column": header.split(" [")[0], "quantity": quantity, "u": 0.01}
        channels.append(channel | ({"depth": depth} if depth else {}))
    return {"rig": {"name": "by hand", **rig}, "channel": channels}


def _recording(columns: Mapping[str, float], *, spread: float = _SPREAD) -> dict[str, Array]:
    """Fifteen minutes of each value, with a scatter that averages to nothing."""
    noise = np.random.default_rng(0).standard_normal((len(columns), _ROWS))
    noise = (noise - noise.mean(axis=1, keepdims=True)) * spread
    found = {"time [s]": np.arange(_ROWS, dtype=np.float64)}
    for (header, value), scatter in zip(columns.items(), noise, strict=True):
        found[header] = value + scatter
    return found


def _result(gap: float, impedance: float) -> Reduction:
    """A result at `gap` [um] with `impedance` [mm2 K/W]."""
    values = {"gap": to_si(gap, "um", "length"), "thermal_impedance": to_si(impedance, "mm^2*K/W", "impedance")}
    us = {"gap": to_si(0.1, "um", "length"), "thermal_impedance": to_si(0.05, "mm^2*K/W", "impedance")}
    figures = {name: Measured(value, us[name], 100.0) for name, value in values.items()}
    figures["pressure"] = Measured(to_si(250.0, "kPa", "pressure"), to_si(0.5, "kPa", "pressure"))
    budget = {name: (BudgetLine("scatter of the readings", u, 1.0, "A", 100.0),) for name, u in us.items()}
    return Reduction("steady", "1", {"file": f"gap-{gap:.0f}"}, Settled(True), figures, budget)


def _figure(found: Reduction | Outcome, name: str, expected: float, tolerance: float) -> Check:
    obtained = shown(found.figures[name].value, name) if name in found.figures else math.nan
    return Check(QUANTITIES[name].label, expected, obtained, tolerance, QUANTITIES[name].shown)


CASES = (
    Case("steady", "steady state, heater power", "reduce", "definition of ASTM D5470, by hand", _steady),
    Case("meter-bars", "steady state, meter bars", "reduce", "extrapolation of ASTM D5470, by hand", _meter_bars),
    Case("press", "squeeze-out", "press", "Stefan's law of 1874, by hand", _press),
    Case("coolant", "steady state, heat of the coolant", "reduce", "IAPWS-95 and the first law, by hand", _coolant),
    Case("cycles", "power cycles", "cycles", "course of known drift, by hand", _cycles),
    Case("ageing-series", "ageing series", "ageing", "courses of known change; mean and scatter by hand", _ageing),
    Case("thinning", "thinning layer", "thinning", "layer of known conductivity and contacts, by hand", _thinning),
    Case(
        "difference",
        "difference on one rig",
        "difference",
        "JCGM 100:2008, 5.2 and F.1.2.3, by hand; JCGM 101:2008",
        _difference,
    ),
    Case("series", "thickness series", "series", "line of known slope and intercept, by hand", _series),
    Case(
        "york",
        "line with errors in both",
        "errors_in_both.fit_both",
        "data of Pearson 1901 with weights of York 1966; result of Neri et al., J. Phys. E 22 (1989) 215",
        _york,
    ),
)
