"""Every figure: its content, its table, and both drawers on it."""

import json
import math
from xml.etree import ElementTree

import numpy as np
import pytest

from analysis.comparing.level import Layer as OneRun
from analysis.comparing.level import build_of, draw_level
from analysis.comparing.matching import Conditions, Result
from analysis.comparing.ranking import Ranking, rank
from analysis.drawing import FigureSpec, axis_of
from analysis.figures import FIGURES
from analysis.figures.control import ControlPoint
from analysis.figures.gap_map import Layer
from analysis.figures.plotly import figure_json
from analysis.figures.svg import figure_svg
from analysis.figures.traces import thin
from analysis.materials.bond_line import bond_line
from analysis.materials.distribution import size_table
from analysis.materials.loading import loading_of
from analysis.quality.control import Phase
from analysis.results import BudgetLine, Measured, Settled
from analysis.units import to_si


def um(value: float, u: float = 1.0) -> Measured:
    return Measured(to_si(value, "um", "length"), to_si(u, "um", "length"))


def celsius(values: float | np.ndarray) -> np.ndarray:
    return to_si(np.asarray(values, dtype=float), "degC", "temperature")


def a_ranking(**changes: object) -> Ranking:
    values = {
        "S-1": [12.1, 12.4, 12.2],
        "S-2": [14.0, 14.3, 14.2],
        "S-3": [12.3, 12.2, 12.5],
        "S-4": [13.0],
        "S-5": [9.0, 9.3],
    }
    results = [
        Result(f"R-{sample}-{n}", sample, f"A-{n}", {"temperature_rise": Measured(value, 0.05)})
        for sample, several in values.items()
        for n, value in enumerate(several)
    ]
    return rank(results, conditions=Conditions(), **changes)  # type: ignore[arg-type]


POWDER = size_table([1e-6, 2e-6, 5e-6, 1e-5], [0.0, 20.0, 70.0, 100.0], form="below", basis="volume")
TIME = np.arange(0.0, 4000.0)
BUDGET = [BudgetLine(f"source {n}", 0.1, share, "B") for n, share in enumerate((0.5, 0.3, 0.15, 0.05))]

SERIES = {
    "results": [
        {
            "name": f"gap-{gap}.json",
            "used": True,
            "gap": {"value": gap, "u": 0.5, "dof": None, "k": 1.96, "unit": "um"},
            "thermal_impedance": {"value": 4.0 + gap / 2.5, "u": 0.2, "dof": 40.0, "k": 2.02, "unit": "mm^2*K/W"},
        }
        for gap in (50.0, 100.0, 200.0)
    ],
    "line": {"slope_mm2_K_per_W_per_um": 0.4, "intercept_mm2_K_per_W": 4.0},
}


WATCHED = [
    ControlPoint(f"R-{n:04d}", "2026-11-25", 12.0 + 0.3 * np.sin(n) + (2.0 if n == 24 else 0.0)) for n in range(1, 26)
]


def a_level():
    thick, thin = (
        build_of(name, [OneRun("A-1", um(gap), Measured(impedance, 1e-7))])
        for name, gap, impedance in (("S-1", 50.0, 1.5e-5), ("S-2", 30.0, 1.0e-5))
    )
    return draw_level(thick, thin, heat_flux=147e3)


def every_figure() -> dict[str, FigureSpec]:
    layers = [Layer("thin paste", um(20), Measured(2.2, 0.1)), Layer("pad", um(500, 5), Measured(6.0, 0.2))]
    channels = {
        "hot": ("hot_temperature", celsius(60 + np.sin(TIME / 300))),
        "gap": ("gap", to_si(20 + 60 * np.exp(-TIME / 300), "um", "length")),
    }
    return {
        "ranking": FIGURES["ranking"](a_ranking(reference="S-1")),
        "traces": FIGURES["traces"](channels, time=TIME, settled=Settled(True, 2000.0, 3900.0), pixels=300),
        "budget": FIGURES["budget"](BUDGET, figure="thermal_impedance", measured=Measured(1.2e-5, 2e-7, 30.0)),
        "gap_map": FIGURES["gap_map"](layers, heat_flux=150_000.0),
        "layer": FIGURES["layer"](
            gap=um(60),
            hot=Measured(338.0, 0.03),
            cold=Measured(326.0, 0.03),
            heat_flux=150_000.0,
            block_conductivity=390.0,
        ),
        "control": FIGURES["control"](WATCHED, axis=axis_of("thermal_impedance"), phase=Phase(12.0, 0.4, 20)),
        "loading": FIGURES["loading"](
            loading_of(
                [0.2, 30.0],
                fractions=[0.4, 0.6],
                fluid=[True, False],
                bond_line=bond_line(100.0, pressure=1e5, largest=2e-5),
            )
        ),
        "sizes": FIGURES["sizes"]({"our own": POWDER}),
        "study": FIGURES["study"](SERIES),
        "takes": FIGURES["takes"](a_level()),
    }


SPECS = every_figure()


def test_every_registered_figure_is_tried_here() -> None:
    assert set(SPECS) == set(FIGURES)


@pytest.mark.parametrize("kind", FIGURES)
def test_a_figure_has_titled_axes_a_table_and_says_what_it_shows(kind: str) -> None:
    spec = SPECS[kind]
    assert spec.kind == kind
    assert all(axis.title for axis in (spec.x, *spec.panels))
    assert spec.notes
    assert spec.table.rows
    assert all(len(row) == len(spec.table.header) for row in spec.table.rows)
    assert all(len(one.x) == len(one.y) for one in spec.series)


@pytest.mark.parametrize("dark", [True, False, None])
@pytest.mark.parametrize("kind", FIGURES)
def test_plotly_gets_plain_json_that_its_own_library_accepts(kind: str, dark: bool | None) -> None:
    import plotly.graph_objects as go

    drawn = figure_json(SPECS[kind], dark=dark)
    again = json.loads(json.dumps(drawn, allow_nan=False))
    assert again == drawn
    figure = go.Figure(data=drawn["data"], layout=drawn["layout"])  # refuses unknown properties and bad values
    assert len(figure.data) == len(SPECS[kind].series)


@pytest.mark.parametrize("kind", FIGURES)
def test_print_gives_the_same_svg_every_time(kind: str) -> None:
    once = figure_svg(SPECS[kind])
    assert ElementTree.fromstring(once).tag.endswith("svg")
    assert figure_svg(SPECS[kind]) == once


def test_ranking_lists_samples_best_first_with_intervals_and_letters() -> None:
    spec = SPECS["ranking"]
    assert spec.panels[0].categories == ("S-1", "S-3", "S-2", "S-5", "S-4")
    mean = next(one for one in spec.series if one.name == "mean")
    assert mean.labels == ("a", "a", "b")
    item = a_ranking().ranked.items[0]
    assert item.interval is not None
    assert mean.half is not None
    assert (float(np.asarray(mean.x)[0]), float(mean.half[0])) == pytest.approx(
        (item.mean, item.interval[1] - item.mean)
    )
    assert spec.title.endswith("12 of 12 runs used; 0 left out")


def test_a_sample_with_one_application_has_a_hollow_dot_without_a_bar_and_says_so() -> None:
    spec = SPECS["ranking"]
    hollow = next(one for one in spec.series if one.style == "hollow")
    assert hollow.half is not None
    assert math.isnan(hollow.half[hollow.y.index("S-4")])
    assert any("no interval from own data" in cell for row in spec.table.rows for cell in row)


def test_lines_of_the_map_are_of_equal_impedance() -> None:
    for line in (one for one in SPECS["gap_map"].series if one.style == "dashes"):
        x, y = np.asarray(line.x, dtype=float), np.asarray(line.y, dtype=float)
        assert x / y == pytest.approx(np.full(2, float(line.name.split(" / ")[0])))  # um / (W/(m K)) = mm2 K/W


def test_map_names_a_layer_it_cannot_place() -> None:
    spec = FIGURES["gap_map"](
        [Layer("squeezed out", um(-1), Measured(2.0, 0.1)), Layer("pad", um(500), Measured(6.0, 0.2))]
    )
    assert "squeezed out" in spec.notes[1]


def test_thinning_keeps_every_extreme_and_the_budget_of_points() -> None:
    rng = np.random.default_rng(0)
    time, values = np.arange(1_000_000.0), rng.normal(size=1_000_000)
    values[123_456], values[654_321] = 40.0, -40.0
    x, y = thin(time, values, pixels=1000)
    assert x.size <= 2000
    assert (40.0 in y, -40.0 in y) == (True, True)
    assert np.all(np.diff(x) > 0)


def test_thinning_of_missing_readings_keeps_the_known_ones() -> None:
    values = np.full(10_000, np.nan)
    values[5000] = 3.0
    _, y = thin(np.arange(10_000.0), values, pixels=100)
    assert 3.0 in y


def test_a_zoom_shows_its_part_in_full_detail() -> None:
    channels = {"gap": ("gap", to_si(np.sin(TIME), "um", "length"))}
    spec = FIGURES["traces"](channels, time=TIME, between=(1000.0, 1050.0), pixels=300)
    assert np.asarray(spec.series[0].x) == pytest.approx(np.arange(999.0, 1052.0))
    assert np.asarray(spec.series[0].y) == pytest.approx(np.sin(TIME[999:1052]))


def test_budget_bars_are_sorted_and_sum_to_all() -> None:
    shares = np.asarray(SPECS["budget"].series[0].x)
    assert list(shares) == sorted(shares, reverse=True)
    assert shares.sum() == pytest.approx(100.0)


def test_many_small_contributions_are_gathered_in_one_bar() -> None:
    lines = [BudgetLine(f"source {n}", 0.1, 0.05, "B") for n in range(20)]
    spec = FIGURES["budget"](lines, figure="gap", measured=um(20))
    assert spec.panels[0].categories[-1] == "8 smaller"
    assert np.asarray(spec.series[0].x).sum() == pytest.approx(100.0)
    assert len(spec.table.rows) == 20


def test_dark_and_light_differ_and_neither_leaves_the_published_palette() -> None:
    # Okabe and Ito 2008, with white for black on a dark ground
    published = {"#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7", "#000000", "#FFFFFF"}
    colours = {
        dark: [trace["line"]["color"] for trace in figure_json(SPECS["traces"], dark=dark)["data"]]
        for dark in (True, False)
    }
    assert colours[True] != colours[False]
    assert set(colours[True] + colours[False]) <= published
