"""What the demonstration keeps beside the lots: places, sheets, what must not meet, a dried lot, whole size curves.

Invented from end to end; what materials do to each other is common practice, no source, and says so.
"""

from __future__ import annotations

from decimal import Decimal

import numpy as np

from lims.demo.building import Laboratory
from lims.demo.clock import clock_at
from lims.demo.scenario import COARSE
from lims.materials.models import Lot
from lims.materials.services import (
    Part,
    add_safety_sheet,
    add_size_distribution,
    create_place,
    move_lot,
    set_incompatible,
    treat_lot,
)

PLACES = (("Store A, dry cabinet", "dry, 15 to 25 °C"), ("Store B, solvents", "ventilated, below 25 °C"))
SOURCE = "common practice, no source"
# material, what it must not meet in words, what happens
MUST_NOT_MEET = (
    ("gallium-indium-tin alloy", "aluminium", "creeps between the grains of aluminium and makes it brittle"),
    ("aluminium nitride, round", "water", "gives off ammonia with water, faster when warm"),
)
WIDTH = 0.55  # of the fine powder, ln of the geometric standard deviation
TAIL = (0.12, 9.0)  # of the coarse lot: the share of volume that lies about this many times the median


def add_desk(lab: Laboratory) -> None:
    """Places, sheets, what must not meet, one dried lot, and the whole size distributions of the fine powder."""
    chemist = lab.people["chemist"]
    with clock_at(lab.day(3, 9)):
        for name, condition in PLACES:
            create_place(actor=chemist, name=name, condition=condition)
        for name, surface, effect in MUST_NOT_MEET:
            set_incompatible(lab.materials[name], actor=chemist, surface=surface, effect=effect, source=SOURCE)
        alloy, flake = lab.materials["gallium-indium-tin alloy"], lab.materials["aluminium, flake"]
        set_incompatible(alloy, actor=chemist, other=flake, effect="eats up the flake and warms", source=SOURCE)
    with clock_at(lab.day(26, 11)):
        _add_sheet(lab, lab.lots["treating agent"][0])
        move_lot(lab.lots["treating agent"][0], actor=chemist, location=PLACES[1][0])
        for number, lot in enumerate(lab.lots[COARSE[0]], start=1):
            _add_sizes(lab, lot, coarse=number == COARSE[1])
        _dry(lab, lab.lots["aluminium nitride, round"][0])


def _add_sheet(lab: Laboratory, lot: Lot) -> None:
    hazards = [*lot.material.hazards, {"code": "P280", "text": "Wear protective gloves and eye protection"}]
    add_safety_sheet(
        lot.material,
        actor=lab.people["chemist"],
        source="invented sheet 114, revision 2",
        statements=hazards,
        supplier=lot.supplier,
        signal="danger",
        pictograms=("GHS02", "GHS05"),
        lot=lot,
    )


def _add_sizes(lab: Laboratory, lot: Lot, *, coarse: bool) -> None:
    """Our own curve of a fine powder; the coarse lot has a second, small hump that single sizes hardly show."""
    sizes = np.geomspace(0.08, 40.0, 32)
    below = _log_normal(sizes, 0.8)
    if coarse:
        share, times = TAIL
        below = (1 - share) * below + share * _log_normal(sizes, 0.8 * times)
    below[-1] = 1.0
    rows = "\n".join(f"{size:.4g};{100 * part:.3f}" for size, part in zip(sizes, below, strict=True))
    add_size_distribution(
        lot, actor=lab.people["chemist"], method="laser diffraction, wet", table=f"size [um];below [%]\n{rows}"
    )


def _log_normal(sizes: np.ndarray, median: float) -> np.ndarray:
    """Share below each size of a log-normal powder, by its logistic likeness: near enough for invented data."""
    return np.asarray(1.0 / (1.0 + (median / sizes) ** (1.702 / WIDTH)))


def _dry(lab: Laboratory, lot: Lot) -> None:
    treat_lot(
        [Part(lot, Decimal("0.5"))],
        actor=lab.people["chemist2"],
        how="dried at 120 °C under vacuum for 4 h, closed at once",
        yielded=Decimal("0.497"),
    )
