"""Thermocouples of the types K, T, E, J and N: the reference functions of ITS-90 and their limits of error. [1], [2]

1. NIST Monograph 175 (1993), NIST ITS-90 thermocouple database (SRD 60); the same functions stand in IEC 60584-1.
2. IEC 60584-1:2013, limits of error; the figures stand here from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.results import Array
from analysis.sensors.curve import Curve


@dataclass(frozen=True, slots=True)
class Piece:
    """The emf [mV] from `lowest` to `highest` [degC]: a polynomial of degrees Celsius, lowest power first.

    Type K has a term a exp(b (t - c)^2) besides, the `bell` (a [mV], b [1/K^2], c [degC]).
    """

    lowest: float
    highest: float
    powers: tuple[float, ...]
    bell: tuple[float, float, float] | None = None

    def value(self, t: Array) -> Array:
        emf = np.polynomial.polynomial.polyval(t, self.powers)
        return np.asarray(emf if self.bell is None else emf + self._bell(t))

    def slope(self, t: Array) -> Array:
        slope = np.polynomial.polynomial.polyval(t, np.polynomial.polynomial.polyder(self.powers))
        return np.asarray(
            slope if self.bell is None else slope + 2.0 * self.bell[1] * (t - self.bell[2]) * self._bell(t)
        )

    def _bell(self, t: Array) -> Array:
        if self.bell is None:
            return np.zeros_like(t)
        size, width, middle = self.bell
        return np.asarray(size * np.exp(width * (t - middle) ** 2))


_PIECES: dict[str, tuple[Piece, Piece]] = {
    "K": (
        Piece(
            -270,
            0,
            (
                0,
                0.039450128025,
                2.3622373598e-05,
                -3.2858906784e-07,
                -4.9904828777e-09,
                -6.7509059173e-11,
                -5.7410327428e-13,
                -3.1088872894e-15,
                -1.0451609365e-17,
                -1.9889266878e-20,
                -1.6322697486e-23,
            ),
        ),
        Piece(
            0,
            1372,
            (
                -0.017600413686,
                0.038921204975,
                1.8558770032e-05,
                -9.9457592874e-08,
                3.1840945719e-10,
                -5.6072844889e-13,
                5.6075059059e-16,
                -3.2020720003e-19,
                9.7151147152e-23,
                -1.2104721275e-26,
            ),
            bell=(0.1185976, -0.0001183432, 126.9686),
        ),
    ),
    "T": (
        Piece(
            -270,
            0,
            (
                0,
                0.038748106364,
                4.4194434347e-05,
                1.1844323105e-07,
                2.0032973554e-08,
                9.0138019559e-10,
                2.2651156593e-11,
                3.6071154205e-13,
                3.8493939883e-15,
                2.8213521925e-17,
                1.4251594779e-19,
                4.8768662286e-22,
                1.079553927e-24,
                1.3945027062e-27,
                7.9795153927e-31,
            ),
        ),
        Piece(
            0,
            400,
            (
                0,
                0.038748106364,
                3.329222788e-05,
                2.0618243404e-07,
                -2.1882256846e-09,
                1.0996880928e-11,
                -3.0815758772e-14,
                4.547913529e-17,
                -2.7512901673e-20,
            ),
        ),
    ),
    "E": (
        Piece(
            -270,
            0,
            (
                0,
                0.058665508708,
                4.5410977124e-05,
                -7.7998048686e-07,
                -2.5800160843e-08,
                -5.9452583057e-10,
                -9.3214058667e-12,
                -1.0287605534e-13,
                -8.0370123621e-16,
                -4.3979497391e-18,
                -1.6414776355e-20,
                -3.9673619516e-23,
                -5.5827328721e-26,
                -3.4657842013e-29,
            ),
        ),
        Piece(
            0,
            1000,
            (
                0,
                0.05866550871,
                4.5032275582e-05,
                2.8908407212e-08,
                -3.3056896652e-10,
                6.502440327e-13,
                -1.9197495504e-16,
                -1.2536600497e-18,
                2.1489217569e-21,
                -1.4388041782e-24,
                3.5960899481e-28,
            ),
        ),
    ),
    "J": (
        Piece(
            -210,
            760,
            (
                0,
                0.050381187815,
                3.047583693e-05,
                -8.568106572e-08,
                1.3228195295e-10,
                -1.7052958337e-13,
                2.0948090697e-16,
                -1.2538395336e-19,
                1.5631725697e-23,
            ),
        ),
        Piece(
            760,
            1200,
            (
                296.45625681,
                -1.4976127786,
                0.0031787103924,
                -3.1847686701e-06,
                1.5720819004e-09,
                -3.0691369056e-13,
            ),
        ),
    ),
    "N": (
        Piece(
            -270,
            0,
            (
                0,
                0.026159105962,
                1.0957484228e-05,
                -9.3841111554e-08,
                -4.6412039759e-11,
                -2.6303357716e-12,
                -2.2653438003e-14,
                -7.6089300791e-17,
                -9.3419667835e-20,
            ),
        ),
        Piece(
            0,
            1300,
            (
                0,
                0.025929394601,
                1.571014188e-05,
                4.3825627237e-08,
                -2.5261169794e-10,
                6.4311819339e-13,
                -1.0063471519e-15,
                9.9745338992e-19,
                -6.0863245607e-22,
                2.0849229339e-25,
                -3.0682196151e-29,
            ),
        ),
    ),
}

_USED = {
    "K": (-200.0, 1372.0),
    "T": (-200.0, 400.0),
    "E": (-200.0, 1000.0),
    "J": (-210.0, 1200.0),
    "N": (-200.0, 1300.0),
}
"""[degC]; below, the functions go on but hardly rise, so that no temperature can be told from an emf."""


def _class(constant: float, share: float) -> Callable[[float], float]:
    """Whichever is larger of a constant [K] and a share of the degrees Celsius away from zero."""
    return lambda away: max(constant, share * away)


_CLASSES = {
    "K": {"1": _class(1.5, 0.004), "2": _class(2.5, 0.0075)},
    "T": {"1": _class(0.5, 0.004), "2": _class(1.0, 0.0075)},
    "E": {"1": _class(1.5, 0.004), "2": _class(2.5, 0.0075)},
    "J": {"1": _class(1.5, 0.004), "2": _class(2.5, 0.0075)},
    "N": {"1": _class(1.5, 0.004), "2": _class(2.5, 0.0075)},
}


def thermocouple(letter: str) -> Curve:
    """The emf of a thermocouple of type `letter` whose cold junction is at 0 degC."""
    below, above = _PIECES[letter]

    def emf(t: Array) -> Array:
        split = below.highest
        return np.where(t < split, below.value(np.minimum(t, split)), above.value(np.maximum(t, split)))

    def slope(t: Array) -> Array:
        split = below.highest
        return np.where(t < split, below.slope(np.minimum(t, split)), above.slope(np.maximum(t, split)))

    return Curve(
        name=f"thermocouple {letter}",
        dimension="voltage",
        unit="mV",
        lowest=_USED[letter][0],
        highest=_USED[letter][1],
        function=emf,
        derivative=slope,
        tolerances=_CLASSES[letter],
    )
