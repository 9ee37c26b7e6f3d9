"""Squeeze flow: how a paste between two faces gives way to a force, and where it stops.

Valid for a gap much smaller than the face, no slip, faces always full, one temperature, no jamming of particles: the
continuum formulas go below the size of a particle without noticing. SI units throughout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.errors import OutOfRange
from analysis.materials.values import Numbers, above_zero, not_negative, plain
from analysis.results import Array

_TERMS = np.arange(1.0, 80.0, 2.0)
_SMALL = 1e-3  # ratio of rest to gap below which a series replaces the logarithm
_POINTS = 1500  # of the table that inverts the yield-limited course


@dataclass(frozen=True, slots=True)
class Face:
    """A face: a disk of `length` (diameter) where `width` is 0, else a rectangle of `length` by `width` [m]."""

    length: float
    width: float = 0.0

    def __post_init__(self) -> None:
        if not self.length > 0.0 or not self.width >= 0.0:
            raise OutOfRange(f"a face needs sides above zero, not {self.length:g} m by {self.width:g} m")

    @property
    def circular(self) -> bool:
        return self.width == 0.0

    @property
    def area(self) -> float:
        """Area [m2]."""
        return 0.25 * math.pi * self.length**2 if self.circular else self.length * self.width

    @property
    def viscous(self) -> float:
        """C [m4] in F = C mu V / h^3 of a Newtonian paste that fills the face. [1]

        Disk of radius R: 3 pi R^4 / 2. Rectangle a by b, a the shorter: a^3 b (1 - 192 a / (pi^5 b) * sum over odd n
        of tanh(n pi b / (2 a)) / n^5), from the pressure that solves Poisson's equation.

        1. J. Stefan, Sitzungsber. Akad. Wiss. Wien 69 (1874) 713; the series is that of laminar flow in a duct.
        """
        if self.circular:
            return 1.5 * math.pi * (0.5 * self.length) ** 4
        a, b = sorted((self.length, self.width))
        series = float(np.sum(np.tanh(_TERMS * math.pi * b / (2.0 * a)) / _TERMS**5))
        return a**3 * b * (1.0 - 192.0 * a / (math.pi**5 * b) * series)

    @property
    def roof(self) -> float:
        """Volume [m3] under the roof of unit slope on the face: F h = 2 tau_y * roof where a yield stress holds. [1]

        Disk: pi R^3 / 3. Rectangle a by b, a the shorter: a^2 (3 b - a) / 12.

        1. J. R. Scott (1931); G. H. Covey, B. R. Stanmore, J. Non-Newtonian Fluid Mech. 8 (1981) 249; the rectangle by
           the sand-heap analogy of plasticity.
        """
        if self.circular:
            return math.pi * (0.5 * self.length) ** 3 / 3.0
        a, b = sorted((self.length, self.width))
        return a**2 * (3.0 * b - a) / 12.0


def square_of(area: float) -> Face:
    """A square face of `area` [m2]."""
    return Face(math.sqrt(area), math.sqrt(area))


def disk_of(area: float) -> Face:
    """A circular face of `area` [m2]."""
    return Face(2.0 * math.sqrt(area / math.pi))


def stefan_gap(time: Array, *, start: float, viscosity: float, force: float, face: Face) -> Array:
    """Gap [m] of a Newtonian paste at `time` [s] after it stood at `start` [m]: 1/h^2 = 1/h0^2 + 2 F t / (C mu)."""
    _above_zero(start=start, viscosity=viscosity, force=force)
    return start / np.sqrt(1.0 + np.asarray(time) / stefan_time(start, viscosity=viscosity, force=force, face=face))


def stefan_time(start: float, *, viscosity: float, force: float, face: Face) -> float:
    """Time [s] in which 1/h^2 of a Newtonian paste doubles from `start` [m]: C mu / (2 F h0^2)."""
    return face.viscous * viscosity / (2.0 * force * start**2)


def stefan_force(speed: ArrayLike, *, gap: ArrayLike, viscosity: ArrayLike, face: Face) -> Numbers:
    """Force [N] that closes a Newtonian paste at `speed` [m/s] at `gap` [m]: C mu V / h^3. Numbers or arrays."""
    return plain(face.viscous * above_zero("viscosity", viscosity) * np.asarray(speed) / above_zero("gap", gap) ** 3)


def scott_force(speed: ArrayLike, *, gap: ArrayLike, consistency: ArrayLike, index: float, face: Face) -> Numbers:
    """Force [N] that closes a power-law paste, tau = m * rate^n, between disks. [1]

    Parameters: `speed` [m/s] zero or above and `gap` [m], `consistency` m [Pa s^n], numbers or arrays; `index` n.
    Formula: 2 pi m R^(n+3) / (n+3) * ((2n+1)/n)^n * V^n / h^(2n+1).

    1. J. R. Scott, Trans. Inst. Rubber Ind. 7 (1931) 169.
    """
    speeds, gaps = not_negative("speed", speed), above_zero("gap", gap)
    factor = scott_factor(index, face=face) * above_zero("consistency", consistency)
    return plain(factor * speeds**index / gaps ** (2.0 * index + 1.0))


def scott_factor(index: float, *, face: Face) -> float:
    """K / m in F = K V^n / h^(2n+1); a rectangle counts as the disk of its area, set right for a Newtonian paste."""
    _above_zero(index=index)
    n, disk = index, face if face.circular else disk_of(face.area)
    radius = 0.5 * disk.length
    factor = 2.0 * math.pi * radius ** (n + 3.0) / (n + 3.0) * ((2.0 * n + 1.0) / n) ** n
    return float(factor * face.viscous / disk.viscous)


def scott_gap(time: Array, *, start: float, consistency: float, index: float, force: float, face: Face) -> Array:
    """Gap [m] of a power-law paste under constant force: h^-m = h0^-m + m (F/K)^(1/n) t, m = (n + 1) / n."""
    _above_zero(start=start, consistency=consistency, force=force)
    m = (index + 1.0) / index
    k = scott_factor(index, face=face) * consistency
    gap: Array = (start**-m + m * (force / k) ** (1.0 / index) * np.asarray(time)) ** (-1.0 / m)
    return gap


def rest_gap(yield_stress: ArrayLike, *, force: ArrayLike, face: Face) -> Numbers:
    """Gap [m] at which a yield stress [Pa] carries the force [N]: 2 tau_y * roof / F; for a disk 2 tau_y R / (3 p).

    The same for a Bingham and a Herschel-Bulkley paste: where the flow stops, only the yield stress is left. Numbers or
    arrays; nan stays nan; OutOfRange where a force is not above zero or a yield stress is below zero.
    """
    return plain(2.0 * not_negative("yield stress", yield_stress) * face.roof / above_zero("force", force))


def yield_stress_of(gap: ArrayLike, *, force: ArrayLike, face: Face) -> Numbers:
    """Yield stress [Pa] that would carry the force [N] at `gap` [m]; numbers or arrays."""
    return plain(np.asarray(force, dtype=np.float64) * np.asarray(gap, dtype=np.float64) / (2.0 * face.roof))


def blob_force(speed: ArrayLike, *, gap: ArrayLike, viscosity: ArrayLike, volume: ArrayLike) -> Numbers:
    """Force [N] that closes a round Newtonian blob of constant volume [m3]: 3 mu Vol^2 V / (2 pi h^5).

    Parameters: `speed` [m/s], `gap` [m], `viscosity` [Pa s]; numbers or arrays. Stefan's law with R^2 = Vol / (pi h),
    so it holds until the blob reaches the edge of the face.
    """
    mu, vol = above_zero("viscosity", viscosity), above_zero("volume", volume)
    return plain(1.5 * mu * vol**2 * np.asarray(speed) / (math.pi * above_zero("gap", gap) ** 5))


def blob_gap(time: ArrayLike, *, start: float, viscosity: float, force: float, volume: float) -> Numbers:
    """Gap [m] of a round Newtonian blob of constant volume [m3] at `time` [s] under constant force [N].

    Formula: 1/h^4 = 1/h0^4 + 8 pi F t / (3 mu Vol^2), until the blob reaches the edge of the face.
    """
    _above_zero(start=start, viscosity=viscosity, force=force, volume=volume)
    pace = 8.0 * math.pi * force / (3.0 * viscosity * volume**2)
    return plain((start**-4.0 + pace * np.asarray(time, dtype=np.float64)) ** -0.25)


def blob_rest_gap(yield_stress: ArrayLike, *, force: ArrayLike, volume: ArrayLike) -> Numbers:
    """Gap [m] at which a round blob of constant volume [m3], not yet at the edge, carries the force [N].

    Formula: h^(5/2) = 2 pi tau_y (Vol / pi)^(3/2) / (3 F). Numbers or arrays.
    """
    tau, vol = not_negative("yield stress", yield_stress), above_zero("volume", volume)
    return plain((2.0 * math.pi * tau * (vol / math.pi) ** 1.5 / (3.0 * above_zero("force", force))) ** 0.4)


def yield_gap(time: Array, *, start: float, tau: float, rest: float) -> Array:
    """Gap [m] of a paste with a yield stress: fast as Stefan's far from `rest` [m], and coming to rest there.

    Parameters: `time` [s], `start` gap [m], `tau` Stefan's time at the start [s], see `stefan_time`. The force left to
    drive the flow is what the yield stress does not carry: -dh/dt = F h^3 (1 - rest / h) / (C mu). Formula:
    t = 2 tau h0^2 (G(h0) - G(h)), G(h) = ln(1 - rest/h) / rest^2 + 1 / (rest h). Both ends of the course are exact
    (Stefan far from rest, Covey and Stanmore's rest); between them it is an interpolation.
    """
    _above_zero(start=start, tau=tau)
    t = np.asarray(time, dtype=np.float64)
    if rest <= 0.0:
        return np.asarray(start / np.sqrt(1.0 + t / tau))
    if rest >= start:
        raise OutOfRange("the gap at rest must be smaller than the gap at the start")
    above = (start - rest) * np.geomspace(1.0, 1e-12, _POINTS)
    at = 2.0 * start**2 * (_course(np.array([start]), rest)[0] - _course(rest + above, rest))
    course: Array = rest + np.exp(np.interp(np.log1p(t / tau), np.log1p(at), np.log(above)))
    return course


def _course(gap: Array, rest: float) -> Array:
    x = rest / gap
    near = np.log1p(-np.minimum(x, 1.0 - 1e-15)) / rest**2 + 1.0 / (rest * gap)
    far = -(0.5 + x / 3.0 + x**2 / 4.0 + x**3 / 5.0) / gap**2
    return np.where(x < _SMALL, far, near)


def _above_zero(**values: float) -> None:
    for name, value in values.items():
        if not value > 0.0:
            raise OutOfRange(f"{name.replace('_', ' ')}: expected a value above zero, found {value:g}")
