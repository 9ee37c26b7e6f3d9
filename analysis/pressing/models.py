"""Models of the approach: Newtonian, power law, yield stress, and a plain power law to a rest; which comes closest."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.errors import OutOfRange
from analysis.materials.squeeze_flow import scott_factor, yield_gap, yield_stress_of
from analysis.pressing.approach import Approach
from analysis.results import Array, Measured
from analysis.statistics.curve import Fitted, fit_curve
from analysis.statistics.trend import independent_points

_EDGE = 0.97  # of the smallest gap: what a gap at rest starts from in the search
_SOON = 0.5  # of the time in which half of the way is gone: where the search for Stefan's time starts
_SHIFTS = 2  # parameters beside a model's own: of the zero, of the expansion
_NO_REST = 0.02  # of the last gap, below which a gap at rest is none
_INDEX = (0.05, 5.0)  # of the power law, outside of which it describes no paste; common practice, no source
_CLEARLY = 6.0  # of the criterion
_ROUNDING = 1e-6  # of a figure: what its small steps can tell at least
_LONG = 1e6  # [s] that stands for ever in a search

Course = Callable[[Array, Array], Array]


@dataclass(frozen=True, slots=True)
class Model:
    """A model: its course by time and parameters (logarithms), where its search starts, whether it comes to rest."""

    key: str
    label: str
    course: Course
    starts: Callable[[Approach], Sequence[Sequence[float]]]
    rests: bool


@dataclass(frozen=True, slots=True)
class Scatter:
    """How the readings lie about the closest course: standard deviation [m] of a point, and independent points."""

    size: float
    effective: float


@dataclass(frozen=True, slots=True)
class Found:
    """A model fitted to an approach, and the figures that follow; SI units.

    The last of the parameters are the shifts of the gaps, each in its own standard uncertainty.
    """

    model: Model
    fitted: Fitted
    figures: dict[str, Measured]
    shift: float  # [m] what the fit takes the last gap to be too large by
    criterion: float  # information criterion, corrected for few points; smaller is better
    left: float  # [m] root mean square of what the model leaves

    @property
    def shifts(self) -> Array:
        """The fitted shifts, each in its own standard uncertainty."""
        return self.fitted.parameters[-_SHIFTS:]

    def gap(self, time: Array) -> Array:
        """The fitted course of the true gap, the shifts taken out."""
        own = self.fitted.parameters[:-_SHIFTS]
        return self.model.course(np.asarray(time, dtype=np.float64), own)


def _newtonian(t: Array, p: Array) -> Array:
    """1/h^2 = 1/h0^2 (1 + t / tau)."""
    return np.asarray(np.exp(p[0]) / np.sqrt(1.0 + t * np.exp(-p[1])))


def _power_law(t: Array, p: Array) -> Array:
    """h^-m = h0^-m (1 + t / tau), m = 1 + 1 / n."""
    return np.asarray(np.exp(p[0]) * (1.0 + t * np.exp(-p[1])) ** (-1.0 / (1.0 + np.exp(p[2]))))


def _yield_limited(t: Array, p: Array) -> Array:
    start, rest = math.exp(min(p[0], 50.0)), math.exp(min(p[2], 50.0))
    if rest >= 0.999 * start:
        return np.full_like(t, np.inf)
    return yield_gap(t, start=start, tau=math.exp(min(p[1], 300.0)), rest=rest)


def _to_rest(t: Array, p: Array) -> Array:
    """h = rest + above (1 + t / tau)^-e: of no model of a paste, but as many approaches look."""
    return np.asarray(np.exp(p[3]) + np.exp(p[0]) * (1.0 + t * np.exp(-p[1])) ** -np.exp(p[2]))


def _early(approach: Approach) -> float:
    """Time in which half of the way that is seen is gone."""
    gone = approach.gap <= 0.5 * (approach.gap[0] + approach.gap[-1])
    return max(float(approach.time[int(np.argmax(gone))]), float(approach.time[0]))


def _starts(approach: Approach, extra: Sequence[Sequence[float]]) -> list[list[float]]:
    half, first = _early(approach), math.log(max(approach.gap[0], 1e-9))
    return [[first, math.log(half * scale), *more] for scale in (_SOON,) for more in extra]


def _rests(approach: Approach) -> list[list[float]]:
    least = max(float(approach.gap[-5:].mean()), 1e-9)
    return [[math.log(share * least)] for share in (0.6, _EDGE)]


def _rest_starts(approach: Approach) -> list[list[float]]:
    least = max(float(approach.gap[-5:].mean()), 1e-9)
    above = math.log(max(float(approach.gap[0]) - _EDGE * least, 1e-9))
    return [[above, math.log(_early(approach)), e, math.log(_EDGE * least)] for e in (0.0, 1.0)]


MODELS = (
    Model("newtonian", "Stefan, Newtonian", _newtonian, lambda a: _starts(a, [[]]), rests=False),
    Model("power_law", "Scott, power law", _power_law, lambda a: _starts(a, [[-0.5], [1.0]]), rests=False),
    Model("yield_stress", "yield stress, comes to rest", _yield_limited, lambda a: _starts(a, _rests(a)), rests=True),
    Model("empirical", "power law to a rest, no model of a paste", _to_rest, _rest_starts, rests=True),
)


def fit_models(approach: Approach, *, models: Sequence[Model] = MODELS) -> list[Found]:
    """Every model that can be fitted, the best first by the corrected information criterion. [1]

    The closest of all courses tells how the readings scatter and how many of them are independent. Each model is then
    fitted with a shift of all gaps beside it, held near zero by what zero, sensor and expansion are worth: a zero that
    is off by little would else pass for another kind of paste.

    1. C. M. Hurvich, C.-L. Tsai, Biometrika 76 (1989) 297.
    """
    rough = {model: fitted for model in models if (fitted := _rough(model, approach)) is not None}
    if not rough:
        return []
    scatter = min((_scatter(fitted, approach) for fitted in rough.values()), key=lambda one: one.size)
    found = [_found(model, fitted, approach, scatter) for model, fitted in rough.items()]
    return sorted((one for one in found if one is not None), key=_rank)


def _rank(one: Found) -> float:
    """The criterion; a course that is no model of a paste has to be clearly closer than one that is."""
    return one.criterion + (_CLEARLY if one.model.key == "empirical" else 0.0)


def _scatter(fitted: Fitted, approach: Approach) -> Scatter:
    n, count = approach.gap.size, fitted.parameters.size
    residuals = fitted.residuals * float(approach.gap.mean())
    effective = max(independent_points(residuals, fitted=count), count + 4.0)
    least = max(0.02 * approach.noise, np.finfo(float).eps * float(approach.gap.mean()))
    return Scatter(max(math.sqrt(float(residuals @ residuals) / max(n - count, 1)), least), effective)


def _rough(model: Model, approach: Approach) -> Fitted | None:
    """The closest of the fits from all starts, relative to the mean gap, the zero taken as right."""
    scale = float(approach.gap.mean())
    course = _safe(model, approach.time, lambda gap, _: gap / scale)
    fits = [fit_curve(course, y=approach.gap / scale, start=start) for start in model.starts(approach)]
    good = [fit for fit in fits if fit is not None]
    return min(good, key=lambda fit: fit.squares) if good else None


def _found(model: Model, rough: Fitted, approach: Approach, scatter: Scatter) -> Found | None:
    """A model with the shift of all gaps beside it, every point weighted by the scatter and its memory."""
    n, count = approach.gap.size, rough.parameters.size
    weight = math.sqrt(scatter.effective / n) / scatter.size
    course = _safe(
        model,
        approach.time,
        lambda gap, shifts: np.concatenate(((gap + approach.shifts @ shifts) * weight, shifts)),
        shifts=_SHIFTS,
    )
    y = np.concatenate((approach.gap * weight, np.zeros(_SHIFTS)))
    fitted = fit_curve(course, y=y, start=[*rough.parameters.tolist(), *np.zeros(_SHIFTS)])
    if fitted is None:
        return None
    dof = max(scatter.effective - count, 1.0)
    covariance = fitted.covariance(max(fitted.squares / dof, 1.0))
    return Found(
        model=model,
        fitted=fitted,
        figures=_figures(model, fitted.parameters, covariance, approach, dof),
        shift=float(approach.shifts[-1] @ fitted.parameters[-_SHIFTS:]),
        criterion=fitted.squares + 2.0 * count * scatter.effective / max(scatter.effective - count - 1.0, 1.0),
        left=float(np.sqrt(np.mean(fitted.residuals[:-_SHIFTS] ** 2))) / weight,
    )


def _safe(
    model: Model, time: Array, shape: Callable[[Array, Array], Array], *, shifts: int = 0
) -> Callable[[Array], Array]:
    """A model as a curve to fit: out of range is infinitely far away."""

    def course(p: Array) -> Array:
        own, shift = p[: p.size - shifts], p[p.size - shifts :]
        try:
            with np.errstate(all="ignore"):
                return shape(model.course(time, own), shift)
        except (OutOfRange, OverflowError, ZeroDivisionError):
            return shape(np.full_like(time, np.inf), shift)

    return course


def criteria(found: Sequence[Found]) -> list[float]:
    """How far each model's criterion is above the best."""
    least = min(one.criterion for one in found)
    return [one.criterion - least for one in found]


def _figures(model: Model, p: Array, covariance: Array, approach: Approach, dof: float) -> dict[str, Measured]:
    """What the parameters say about the paste, each with the part of fit and zero, and that of force and area."""
    figures = {}
    if model.key == "power_law" and not _INDEX[0] < math.exp(-p[2]) < _INDEX[1]:
        return {}  # no paste has such an index: the course is no power law
    paste = _paste(model, p, approach)
    if paste.get("rest_gap", math.inf) < _NO_REST * approach.end.value:  # the rest is not told from none
        paste = {key: value for key, value in paste.items() if key == "viscosity"}
    for key, value in paste.items():
        own = max(_own(model, p, covariance, approach, key), _ROUNDING * abs(value))
        u = math.hypot(own, _SCALES[key](approach) * value)
        figures[key] = Measured(value, u, math.inf if own == 0.0 else dof * (u / own) ** 4)
    return figures


def _own(model: Model, p: Array, covariance: Array, approach: Approach, key: str) -> float:
    """The fit's part of a figure's uncertainty, by small steps of the parameters."""
    step = 1e-5
    ends = [[_paste(model, p + sign * move, approach)[key] for sign in (1.0, -1.0)] for move in step * np.eye(p.size)]
    slopes = np.array([(above - below) / (2.0 * step) for above, below in ends])
    return math.sqrt(max(float(slopes @ covariance @ slopes), 0.0))


def _of_force_and_area(exponent: float) -> Callable[[Approach], float]:
    def scale(approach: Approach) -> float:
        force = approach.force.u / approach.force.value
        return math.hypot(force, exponent * approach.area.u / approach.area.value)

    return scale


_SCALES: dict[str, Callable[[Approach], float]] = {
    "viscosity": _of_force_and_area(2.0),
    "consistency": _of_force_and_area(2.0),
    "flow_index": lambda approach: 0.0,
    "rest_gap": lambda approach: 0.0,
    "yield_stress": _of_force_and_area(1.5),
    "gap_to_go": lambda approach: 0.0,
}


def _paste(model: Model, p: Array, approach: Approach) -> dict[str, float]:
    """The figures of one set of parameters."""
    force, face = approach.force.value, approach.face
    if model.key == "empirical":
        return _rest(float(np.exp(p[3])), model, p, approach)
    start, tau = math.exp(p[0]), math.exp(p[1])
    if model.key == "power_law":
        m = 1.0 + math.exp(p[2])
        index = 1.0 / (m - 1.0)
        k = force * (tau * m * start**m) ** index
        return {"consistency": k / scott_factor(index, face=face), "flow_index": index}
    found = {"viscosity": 2.0 * force * tau * start**2 / face.viscous}
    if model.key == "yield_stress":
        rest = math.exp(p[2])
        found |= _rest(rest, model, p, approach) | {
            "yield_stress": float(yield_stress_of(rest, force=force, face=face))
        }
    return found


def parameters_of(found: Found) -> dict[str, float]:
    """What a fitted course is described by, in SI: `start`, `tau`, and where it has one `rest` and the `last` gap."""
    p = found.fitted.parameters
    named = {"start": math.exp(p[0]), "tau": math.exp(p[1])}
    rest, to_go = found.figures.get("rest_gap"), found.figures.get("gap_to_go")
    return named if rest is None or to_go is None else named | {"rest": rest.value, "last": rest.value + to_go.value}


def _rest(rest: float, model: Model, p: Array, approach: Approach) -> dict[str, float]:
    last = float(model.course(np.array([approach.seconds]), p[:-_SHIFTS])[0])
    return {"rest_gap": rest, "gap_to_go": last - rest}


def time_to(found: Found, gap: float, *, after: float) -> float:
    """Seconds after `after` [s] until the fitted course is down to `gap` [m]; inf where it never is."""
    low, high = after, after + _LONG
    if float(found.gap(np.array([low]))[0]) <= gap:
        return 0.0
    if float(found.gap(np.array([high]))[0]) > gap:
        return math.inf
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if float(found.gap(np.array([middle]))[0]) > gap else (low, middle)
    return high - after
