"""Effective conductivity of a matrix filled with particles: bounds, models, and where each may be used.

Every function takes the matrix conductivity first, then by name `filler`, its conductivity, and `fraction`, the volume
(not mass) fraction of filler. Both conductivities are in one unit, W/(m K), and the result is in the same; the matrix
is above zero, the filler zero (a void) or above, infinity included. Numbers or arrays that broadcast; nan stays nan;
OutOfRange outside. One conductivity stands for the filler: platelets and fibres need that of the direction asked for.

1. O. Wiener, Abh. Math.-Phys. Kl. Koenigl. Saechs. Ges. 32 (1912) 509: series and parallel.
2. Z. Hashin, S. Shtrikman, J. Appl. Phys. 33 (1962) 3125: bounds of isotropic mixtures.
3. J. C. Maxwell, A Treatise on Electricity and Magnetism (1873), article 314; A. Eucken (1940) for heat.
4. D. A. G. Bruggeman, Ann. Phys. 416 (1935) 636: symmetric and differential schemes.
5. L. E. Nielsen, Ind. Eng. Chem. Fundam. 13 (1974) 17; T. B. Lewis, L. E. Nielsen, J. Appl. Polym. Sci. 14 (1970) 1449.
6. D. P. H. Hasselman, L. F. Johnson, J. Compos. Mater. 21 (1987) 508: spheres with an interface.
7. C.-W. Nan, R. Birringer, D. R. Clarke, H. Gleiter, J. Appl. Phys. 81 (1997) 6692: the same by another way.
8. A. G. Every, Y. Tzou, D. P. H. Hasselman, R. Raj, Acta Metall. Mater. 40 (1992) 123: differential with an interface.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from analysis.errors import OutOfRange
from analysis.materials.values import Numbers, above_zero, not_negative, plain
from analysis.materials.values import fraction as checked_fraction
from analysis.results import Array

SPHERES = 1.5
"""Lewis and Nielsen's shape factor A of spheres; 3 to 5 for irregular grains and clusters. [5]"""
RANDOM_CLOSE = 0.637
"""Largest fraction of equal spheres, poured and shaken. [5]"""
_ROUNDS = 200  # of bisection and of Newton's method; both end far sooner


def series(matrix: ArrayLike, *, filler: ArrayLike, fraction: ArrayLike) -> Numbers:
    """Layers across the heat flow, the lowest a mixture can have: 1/k = phi/k_f + (1 - phi)/k_m. [1]"""
    a, b, phi, km = _scaled(matrix, filler, fraction)
    with np.errstate(divide="ignore", invalid="ignore"):
        k = np.where(phi == 0.0, km, a * km / (phi * b + (1.0 - phi) * a))
    return plain(k)


def parallel(matrix: ArrayLike, *, filler: ArrayLike, fraction: ArrayLike) -> Numbers:
    """Layers along the heat flow, the highest a mixture can have: k = phi k_f + (1 - phi) k_m. [1]"""
    _, _, phi, km = _scaled(matrix, filler, fraction)
    kf = np.asarray(filler, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        k = np.where(phi == 0.0, km, phi * kf + (1.0 - phi) * km)
    return plain(k)


def hashin_shtrikman(matrix: ArrayLike, *, filler: ArrayLike, fraction: ArrayLike) -> tuple[Numbers, Numbers]:
    """Lowest and highest conductivity of an isotropic mixture, whatever its structure. [2]

    With the poorer phase 1 and the better phase 2: k_1 + phi_2 / (1/(k_2 - k_1) + phi_1/(3 k_1)) and
    k_2 + phi_1 / (1/(k_1 - k_2) + phi_2/(3 k_2)). A layer that is not isotropic can lie outside, up to the parallel
    value.
    """
    one = np.asarray(maxwell(matrix, filler=filler, fraction=fraction))
    other = np.asarray(_inverted(matrix, filler, fraction))
    return plain(np.minimum(one, other)), plain(np.maximum(one, other))


def maxwell(matrix: ArrayLike, *, filler: ArrayLike, fraction: ArrayLike) -> Numbers:
    """Spheres far from one another: k_m (k_f + 2 k_m + 2 phi (k_f - k_m)) / (k_f + 2 k_m - phi (k_f - k_m)). [3]

    Good to a fraction of about 0.25; the lower (upper) bound of Hashin and Shtrikman for a better (poorer) filler.
    """
    a, b, phi, km = _scaled(matrix, filler, fraction)
    with np.errstate(divide="ignore"):
        k = km * (a + 2.0 * b + 2.0 * phi * (a - b)) / (a + 2.0 * b - phi * (a - b))
    return plain(k)


def bruggeman_symmetric(matrix: ArrayLike, *, filler: ArrayLike, fraction: ArrayLike) -> Numbers:
    """Grains of both phases on equal terms: phi (k_f - k)/(k_f + 2k) + (1 - phi)(k_m - k)/(k_m + 2k) = 0. [4]

    The filler makes through-going paths from 1/3 on, which pastes do not: too high for them.
    """
    a, b, phi, km = _scaled(matrix, filler, fraction)
    h = (3.0 * phi - 1.0) * a + (2.0 - 3.0 * phi) * b
    root = np.sqrt(h * h + 8.0 * a * b)
    with np.errstate(divide="ignore", invalid="ignore"):
        # two forms of one root, each where nothing cancels
        k = np.where(h > 0.0, km * (h + root) / (4.0 * b), km * 2.0 * a / (root - h))
    return plain(k)


def bruggeman_differential(matrix: ArrayLike, *, filler: ArrayLike, fraction: ArrayLike) -> Numbers:
    """Spheres of many sizes, stirred in little by little: 1 - phi = (k_f - k)/(k_f - k_m) (k_m/k)^(1/3). [4]

    Good to a fraction of about 0.6. An infinite filler gives k_m (1 - phi)^-3. Solved for x = (k/k_m)^(1/3), the one
    positive root of k_m x^3 + (1 - phi)(k_f - k_m) x - k_f, by Newton's method from above, where the cubic is convex.
    """
    a, b, phi, km = _scaled(matrix, filler, fraction)
    p = (1.0 - phi) * (a - b)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.where(b > 0.0, np.maximum(np.cbrt(a / np.where(b > 0.0, b, 1.0)), 1.0), a / p)
        for _ in range(_ROUNDS):
            step = np.where(b > 0.0, (b * x**3 + p * x - a) / (3.0 * b * x**2 + p), 0.0)
            x = x - step
            if not np.any(np.abs(step) > 1e-15 * x):
                break
    return plain(km * x**3)


def lewis_nielsen(
    matrix: ArrayLike,
    *,
    filler: ArrayLike,
    fraction: ArrayLike,
    shape: ArrayLike = SPHERES,
    packing: ArrayLike = RANDOM_CLOSE,
) -> Numbers:
    """Grains of a given shape that pack to a given limit: k_m (1 + A B phi)/(1 - B psi phi). [5]

    Parameters: `shape` A above zero; `packing` the largest fraction phi_m, in 0..1. B = (k_f/k_m - 1)/(k_f/k_m + A),
    psi = 1 + phi (1 - phi_m)/phi_m^2. Returns nan from phi_m on, where the formula diverges.
    Below a fraction of about 0.2 it falls below the Hashin-Shtrikman bound for A = 1.5, which no mixture can;
    A = 2 with phi_m = 1 is Maxwell's formula.
    """
    a, b, phi, km = _scaled(matrix, filler, fraction)
    factor, limit = above_zero("shape factor", shape), checked_fraction("packing limit", above_zero("packing", packing))
    slope = (a - b) / (a + factor * b)
    crowding = 1.0 + phi * (1.0 - limit) / limit**2
    below = 1.0 - slope * crowding * phi
    beyond = ((phi >= limit) & (limit < 1.0)) | (below < 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        k = np.where(beyond, np.nan, km * (1.0 + factor * slope * phi) / below)
    return plain(k)


def hasselman_johnson(
    matrix: ArrayLike, *, filler: ArrayLike, fraction: ArrayLike, radius: ArrayLike, conductance: ArrayLike
) -> Numbers:
    """Spheres with a thermal boundary: Maxwell's formula with the filler k_f / (1 + k_f / (a h)). [6], [7]

    Parameters: `radius` a [m] of the spheres, above zero; `conductance` h [W/(m2 K)] of the boundary, above zero; both
    conductivities in W/(m K). With x = k_f / (a h): k_m (2 (k_f/k_m - x - 1) phi + k_f/k_m + 2x + 2) / ((1 - k_f/k_m
    + x) phi + k_f/k_m + 2x + 2). Good to a fraction of about 0.25, as Maxwell's.
    """
    a, h = above_zero("radius", radius), above_zero("conductance", conductance)
    kf = not_negative("filler conductivity", filler)
    with np.errstate(divide="ignore", invalid="ignore"):
        held = np.where(np.isinf(h), kf, np.where(np.isinf(kf), a * h, kf / (1.0 + kf / (a * h))))
    return maxwell(matrix, filler=held, fraction=fraction)


def kapitza_radius(matrix: ArrayLike, *, conductance: ArrayLike) -> Numbers:
    """Radius k_m / h [m] of a perfectly conducting sphere that its boundary makes as poor as the matrix. [8]"""
    return plain(above_zero("matrix conductivity", matrix) / above_zero("conductance", conductance))


def neutral_radius(matrix: ArrayLike, *, filler: ArrayLike, conductance: ArrayLike) -> Numbers:
    """Radius [m] at which filler neither helps nor hurts: k_f / (h (k_f/k_m - 1)). [6] nan where k_f <= k_m."""
    km, kf = above_zero("matrix conductivity", matrix), above_zero("filler conductivity", filler)
    h = above_zero("conductance", conductance)
    with np.errstate(divide="ignore", invalid="ignore"):
        return plain(np.where(kf > km, 1.0 / (h * (1.0 / km - 1.0 / kf)), np.nan))


def every(matrix: ArrayLike, *, filler: ArrayLike, fraction: ArrayLike, share: ArrayLike) -> Numbers:
    """The differential scheme for spheres with a thermal boundary. [8]

    Parameters: `share` al, Kapitza radius over particle radius, zero or above. With s = k_f (1 - al) the conductivity
    goes from k_m towards s as 3k (s - k) / ((1 - phi)(k_f (1 + 2 al) + 2k)) dphi; al = 0 is `bruggeman_differential`,
    and an infinite filler gives k_m (1 - phi)^(-3 (1 - al)/(1 + 2 al)). Solved on the integrated form by bisection of
    ln k.
    """
    a, b, phi, km = _scaled(matrix, filler, fraction)
    al = not_negative("share of the Kapitza radius", share)
    a, b, phi, km, al = np.broadcast_arrays(a, b, phi, km, al)
    end = a * (1.0 - al)  # where the course ends, on the scale of the better phase
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        perfect = km * (1.0 - phi) ** (-3.0 * (1.0 - al) / (1.0 + 2.0 * al))
        k = np.where(b == 0.0, perfect, km * _course(a, b, phi, al, end) / np.where(b == 0.0, 1.0, b))
    return plain(np.where(phi == 0.0, km, k))


def _course(a: Array, b: Array, phi: Array, al: Array, end: Array) -> Array:
    """The conductivity, on the scale of the better phase, after the fraction phi has been stirred in."""
    down = end < b
    near, far = np.log(b), np.log(np.where(end > 0.0, end, b * np.exp(-700.0)))
    wanted = -np.log1p(-phi)
    for _ in range(_ROUNDS):
        middle = 0.5 * (near + far)
        short = _stirred(np.exp(middle), a, b, al, end) < wanted
        near, far = np.where(short, middle, near), np.where(short, far, middle)
    found: Array = np.where(np.isnan(phi + al + a + b + down), np.nan, np.exp(0.5 * (near + far)))
    return found


def _stirred(k: Array, a: Array, b: Array, al: Array, end: Array) -> Array:
    """-ln(1 - phi) at which the conductivity reaches k: the integral of (a (1 + 2 al) + 2k) / (3k (end - k)) dk."""
    flat = np.abs(1.0 - al) < 1e-9
    gap = np.where(flat, 1.0, 1.0 - al)
    usual = ((1.0 + 2.0 * al) / 3.0 * np.log(k / b) - np.log((end - k) / (end - b))) / gap
    at_one = a * (1.0 / k - 1.0 / b) - 2.0 / 3.0 * np.log(k / b)  # end = 0
    return np.where(flat, at_one, usual)


@dataclass(frozen=True, slots=True)
class Model:
    """One model: its name, formula, the highest fraction it is good for, the number of its source above, a remark."""

    name: str
    formula: Callable[..., Numbers]
    highest: float
    source: str
    remark: str
    needs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Expected:
    """What a model expects [W/(m K)], and in sentences what speaks against trusting it."""

    value: float
    cautions: tuple[str, ...] = ()


MODELS: Mapping[str, Model] = MappingProxyType(
    {
        "series": Model("Series", series, 1.0, "Wiener 1912", "lower bound of any mixture"),
        "parallel": Model("Parallel", parallel, 1.0, "Wiener 1912", "upper bound of any mixture"),
        "maxwell": Model("Maxwell", maxwell, 0.25, "Maxwell 1873", "spheres far from one another"),
        "bruggeman_symmetric": Model(
            "Bruggeman, symmetric", bruggeman_symmetric, 0.33, "Bruggeman 1935", "too high for pastes from 1/3 on"
        ),
        "bruggeman_differential": Model(
            "Bruggeman, differential", bruggeman_differential, 0.6, "Bruggeman 1935", "spheres of many sizes"
        ),
        "lewis_nielsen": Model(
            "Lewis-Nielsen", lewis_nielsen, 0.6, "Nielsen 1974", "up to its own packing limit", ("shape", "packing")
        ),
        "hasselman_johnson": Model(
            "Hasselman-Johnson",
            hasselman_johnson,
            0.25,
            "Hasselman and Johnson 1987",
            "spheres with a thermal boundary",
            ("radius", "conductance"),
        ),
        "every": Model(
            "Every", every, 0.6, "Every et al. 1992", "spheres of many sizes with a thermal boundary", ("share",)
        ),
    }
)
"""Every model that gives one conductivity, by key."""


def expect(model: str, matrix: float, *, filler: float, fraction: float, **more: float) -> Expected:
    """What a model of MODELS expects, with a caution where it is used beyond its range or contradicts the bounds.

    Parameters: `model` a key of MODELS; conductivities [W/(m K)], volume fraction; `more` what the model needs besides.
    Raises OutOfRange for an unknown model, or for a value outside the formula's range.
    """
    if model not in MODELS:
        raise OutOfRange(f"model: expected one of {', '.join(MODELS)}, found '{model}'")
    entry = MODELS[model]
    unknown = sorted(set(more) - set(entry.needs))
    if unknown:
        raise OutOfRange(f"{entry.name} takes {', '.join(entry.needs) or 'nothing more'}, not {', '.join(unknown)}")
    value = float(entry.formula(matrix, filler=filler, fraction=fraction, **more))
    return Expected(value, tuple(_cautions(entry, value, matrix=matrix, filler=filler, fraction=fraction)))


def _cautions(entry: Model, value: float, *, matrix: float, filler: float, fraction: float) -> list[str]:
    found = []
    if np.isnan(value):
        return [f"{entry.name} has no value here: the fraction {fraction:.3g} reaches the packing limit"]
    if fraction > entry.highest:
        found.append(f"{entry.name} is good to a fraction of {entry.highest:g}, not {fraction:.3g}")
    bounded = entry.formula in (maxwell, bruggeman_symmetric, bruggeman_differential, lewis_nielsen)
    low, high = (float(end) for end in hashin_shtrikman(matrix, filler=filler, fraction=fraction))
    if bounded and not low * (1.0 - 1e-9) <= value <= high * (1.0 + 1e-9):
        found.append(
            f"{entry.name} gives {value:.4g}, outside the bounds {low:.4g} to {high:.4g} that hold for every isotropic "
            "mixture"
        )
    return found


def _scaled(matrix: ArrayLike, filler: ArrayLike, fraction: ArrayLike) -> tuple[Array, Array, Array, Array]:
    """Filler and matrix over the better of the two, so that voids and perfect fillers need no case of their own."""
    km, kf = above_zero("matrix conductivity", matrix), not_negative("filler conductivity", filler)
    phi = checked_fraction("volume fraction", fraction)
    if np.any(np.isinf(km)):
        raise OutOfRange("matrix conductivity: expected a finite number")
    perfect = np.isinf(kf)
    top = np.maximum(np.where(perfect, km, kf), km)
    with np.errstate(invalid="ignore"):
        a, b = np.where(perfect, 1.0, kf / top), np.where(perfect, 0.0, km / top)
    return a, b, phi, km


def _inverted(matrix: ArrayLike, filler: ArrayLike, fraction: ArrayLike) -> Numbers:
    """Maxwell's formula with the filler as the matrix: k_f (b + 2a + 2 (1-phi)(b - a)) / (b + 2a - (1-phi)(b - a))."""
    a, b, phi, km = _scaled(matrix, filler, fraction)
    kf = np.asarray(filler, dtype=np.float64)
    share = (b + 2.0 * a + 2.0 * (1.0 - phi) * (b - a)) / (b + 2.0 * a - (1.0 - phi) * (b - a))
    with np.errstate(invalid="ignore"):
        return plain(np.where(phi == 0.0, km, kf * share))
