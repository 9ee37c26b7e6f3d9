"""Figures by their key. Each makes a `FigureSpec`; `plotly.figure_json` and `svg.figure_svg` draw it."""

from collections.abc import Callable, Mapping
from types import MappingProxyType

from analysis.drawing import FigureSpec
from analysis.figures.budget import budget_figure
from analysis.figures.control import control_figure
from analysis.figures.gap_map import gap_map_figure
from analysis.figures.layer import layer_figure
from analysis.figures.loading import loading_figure
from analysis.figures.ranking import ranking_figure
from analysis.figures.sizes import sizes_figure
from analysis.figures.study import study_figure
from analysis.figures.takes import takes_figure
from analysis.figures.traces import traces_figure

FIGURES: Mapping[str, Callable[..., FigureSpec]] = MappingProxyType(
    {
        "ranking": ranking_figure,
        "traces": traces_figure,
        "budget": budget_figure,
        "control": control_figure,
        "gap_map": gap_map_figure,
        "layer": layer_figure,
        "loading": loading_figure,
        "sizes": sizes_figure,
        "study": study_figure,
        "takes": takes_figure,
    }
)
