"""Rheology: flow curves of pastes with a yield stress, and viscosity from filler loading.

A yield stress depends on how it was found (a flow curve carried back to nought, creep, oscillation): twofold to
fivefold is usual, so the way of finding it belongs beside it. Pastes slip on smooth walls and break at the edge.

1. W. H. Herschel, R. Bulkley, Kolloid-Z. 39 (1926) 291.       2. N. Casson (1959), in Rheology of Disperse Systems.
3. I. M. Krieger, T. J. Dougherty, Trans. Soc. Rheol. 3 (1959) 137.
4. S. H. Maron, P. E. Pierce, J. Colloid Sci. 11 (1956) 80.
5. JCGM 100:2008, H.3, for a curve: covariance s^2 (J^T J)^-1 of the weighted residuals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize

from analysis.errors import OutOfRange
from analysis.materials.values import Numbers, above_zero, fraction, not_negative, plain, row
from analysis.results import Array, Measured

EINSTEIN = 2.5
"""Intrinsic viscosity of spheres."""
_INDEX_RANGE = (0.05, 1.5)
_INDEX_STEPS = 30
_LEAST_POINTS = 4


def herschel_bulkley(rate: ArrayLike, *, yield_stress: ArrayLike, consistency: ArrayLike, index: ArrayLike) -> Numbers:
    """Shear stress [Pa] at a shear rate [1/s]: tau_y + K rate^n. [1] n = 1 is Bingham's paste.

    Parameters: `rate` zero or above, `yield_stress` [Pa] zero or above, `consistency` K [Pa s^n] and `index` n above
    zero. nan stays nan; OutOfRange outside.
    """
    shear = not_negative("shear rate", rate)
    k, n = above_zero("consistency", consistency), above_zero("index", index)
    return plain(not_negative("yield stress", yield_stress) + k * shear**n)


def casson(rate: ArrayLike, *, yield_stress: ArrayLike, viscosity: ArrayLike) -> Numbers:
    """Shear stress [Pa] at a shear rate [1/s]: (sqrt(tau_c) + sqrt(eta_c rate))^2. [2]

    Parameters: `yield_stress` tau_c [Pa] zero or above, `viscosity` eta_c [Pa s] above zero.
    """
    shear, eta = not_negative("shear rate", rate), above_zero("viscosity", viscosity)
    return plain((np.sqrt(not_negative("yield stress", yield_stress)) + np.sqrt(eta * shear)) ** 2)


@dataclass(frozen=True, slots=True)
class FlowCurve:
    """A fitted flow curve: its model, parameters with uncertainty, the rates it rests on, cautions in sentences."""

    model: str
    parameters: dict[str, Measured]
    rates: tuple[float, float]
    scatter: float  # standard deviation of the relative residuals
    cautions: tuple[str, ...] = ()


def fit_herschel_bulkley(rates: ArrayLike, *, stresses: ArrayLike) -> FlowCurve:
    """Yield stress, consistency and index from a flow curve. [1], [5]

    Parameters: `rates` [1/s] above zero and `stresses` [Pa] above zero, shape (n,), n >= 4, four or more different
    rates. Least squares on relative residuals, for rates are spread over decades: yield stress and
    consistency, neither below zero, are closest for each index in one step, and the index is sought within 0.05 to 1.5.
    Uncertainties from the scatter, n - 3 degrees of freedom.
    Raises OutOfRange for too few points. A caution tells where the rates cannot tell yield stress from index.
    """
    x, y = _curve(rates, stresses, least=_LEAST_POINTS)
    tempo = float(np.sqrt(x.min() * x.max()))  # rates count from their middle, where K and n are told apart best
    scaled = x / tempo

    def squares(n: float) -> float:
        return _with_index(n, scaled, y)[2]

    grid = np.linspace(*_INDEX_RANGE, _INDEX_STEPS)
    best = int(np.argmin([squares(float(n)) for n in grid]))
    ends = (float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)]))
    n = float(optimize.minimize_scalar(squares, bounds=ends, method="bounded", options={"xatol": 1e-12}).x)
    tau, k, _ = _with_index(n, scaled, y)
    power = scaled**n
    slopes = np.stack([1.0 / y, power / y, k * power * np.log(scaled) / y], axis=1)
    consistency = k / tempo**n
    to_own = np.array([[1.0, 0.0, 0.0], [0.0, tempo**-n, -consistency * math.log(tempo)], [0.0, 0.0, 1.0]])
    values = {"yield_stress": tau, "consistency": consistency, "index": n}
    return _fitted("Herschel-Bulkley", values, slopes, (tau + k * power) / y - 1.0, to_own, x)


def _with_index(n: float, rate: Array, stress: Array) -> tuple[float, float, float]:
    """Yield stress, factor of rate^n and squares of the relative residuals, closest for one index; neither negative."""
    one, power = 1.0 / stress, rate**n / stress
    a, b, c = float(one @ one), float(one @ power), float(power @ power)
    d, e = float(one.sum()), float(power.sum())
    determinant = a * c - b * b
    tau = (d * c - e * b) / determinant if determinant > 1e-14 * a * c else 0.0
    k = (e - b * max(tau, 0.0)) / c
    if k < 0.0:
        tau, k = d / a, 0.0
    tau = max(tau, 0.0)
    left = tau * one + k * power - 1.0
    return tau, k, float(left @ left)


def fit_casson(rates: ArrayLike, *, stresses: ArrayLike) -> FlowCurve:
    """Yield stress and viscosity from a flow curve by Casson's law. [2], [5]

    Parameters as for `fit_herschel_bulkley`, n >= 3. sqrt(stress) is a line in sqrt(rate); relative residuals of the
    stress are twice those of its root, so the line is fitted with weights 1/stress.
    """
    x, y = _curve(rates, stresses, least=_LEAST_POINTS - 1)
    root = np.sqrt(y)
    design = np.stack([1.0 / root, np.sqrt(x) / root], axis=1)
    (a, b), *_ = np.linalg.lstsq(design, np.ones_like(root), rcond=None)
    a, b = max(float(a), 0.0), max(float(b), 0.0)
    fit = (a + b * np.sqrt(x)) ** 2
    slopes = np.stack([2.0 * np.sqrt(fit) / y, 2.0 * np.sqrt(fit * x) / y], axis=1)
    values = {"yield_stress": a**2, "viscosity": b**2}
    return _fitted("Casson", values, slopes, fit / y - 1.0, np.diag([2.0 * a, 2.0 * b]), x)


def krieger_dougherty(volume_fraction: ArrayLike, *, packing: ArrayLike, intrinsic: ArrayLike = EINSTEIN) -> Numbers:
    """Viscosity over that of the fluid [1]: (1 - phi / phi_m)^(-[eta] phi_m). [3]

    Parameters: `volume_fraction` phi in 0..1, `packing` phi_m above zero to 1, `intrinsic` [eta] above zero. Returns
    nan above the packing limit, infinity at it. For small fractions 1 + [eta] phi.
    """
    phi, limit = fraction("volume fraction", volume_fraction), fraction("packing", above_zero("packing", packing))
    return _crowded(phi, limit, above_zero("intrinsic viscosity", intrinsic) * limit)


def maron_pierce(volume_fraction: ArrayLike, *, packing: ArrayLike) -> Numbers:
    """Viscosity over that of the fluid [1]: (1 - phi / phi_m)^-2; nan above the packing limit. [4]"""
    phi, limit = fraction("volume fraction", volume_fraction), fraction("packing", above_zero("packing", packing))
    return _crowded(phi, limit, np.asarray(2.0))


def _crowded(phi: Array, limit: Array, power: Array) -> Numbers:
    room = 1.0 - phi / limit
    with np.errstate(divide="ignore"):
        return plain(np.where(room < 0.0, np.nan, np.maximum(room, 0.0) ** -power))


def _curve(rates: ArrayLike, stresses: ArrayLike, *, least: int) -> tuple[Array, Array]:
    x = above_zero("shear rates", row("shear rates", rates, least=least))
    y = above_zero("stresses", row("stresses", stresses, least=least))
    if x.shape != y.shape:
        raise OutOfRange(f"rates and stresses: expected as many of each, found {x.size} and {y.size}")
    if np.unique(x).size < least:
        raise OutOfRange(f"shear rates: expected at least {least} different ones, found {np.unique(x).size}")
    return x, y


def _fitted(
    model: str, values: dict[str, float], slopes: Array, residuals: Array, jacobian: Array, rates: Array
) -> FlowCurve:
    """Parameters with the covariance of the fit, carried to their own units by `jacobian`."""
    dof = residuals.size - len(values)
    scatter = math.sqrt(float(residuals @ residuals) / dof) if dof > 0 else math.nan
    covariance = jacobian @ np.linalg.pinv(slopes.T @ slopes) @ jacobian.T * scatter**2
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    parameters = {
        name: Measured(value, float(spread), float(max(dof, 0)))
        for (name, value), spread in zip(values.items(), u, strict=True)
    }
    span = (float(rates.min()), float(rates.max()))
    return FlowCurve(model, parameters, span, scatter, tuple(_doubts(parameters, span)))


def _doubts(parameters: dict[str, Measured], span: tuple[float, float]) -> list[str]:
    doubts = []
    stress = parameters["yield_stress"]
    if span[0] > 1.0:
        doubts.append(f"the slowest rate is {span[0]:.3g} 1/s: without rates below 1 1/s the yield stress is a guess")
    if stress.value == 0.0 or not stress.expanded < stress.value:
        doubts.append("the yield stress is not told from nought")
    return doubts
