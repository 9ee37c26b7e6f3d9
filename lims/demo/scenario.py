"""The demonstration laboratory: who works there, what it buys and makes, and the truth its rigs will measure.

Invented from end to end. Masses in g, times as days before today, layers in SI.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from lims.accounts.roles import Role

LABORATORY = "Fennel Yard Laboratory"
WEEKS = 10

PEOPLE: dict[str, tuple[str, tuple[Role, ...]]] = {
    "chemist": ("Ada", (Role.CHEMIST,)),
    "chemist2": ("Ben", (Role.CHEMIST,)),
    "operator": ("Cleo", (Role.OPERATOR,)),
    "keeper": ("Dov", (Role.OPERATOR, Role.RIG_KEEPER)),
    "keeper2": ("Jorn", (Role.OPERATOR, Role.RIG_KEEPER)),
    "quality": ("Edda", (Role.QUALITY,)),
    "quality2": ("Finn", (Role.QUALITY,)),
    "manager": ("Gil", (Role.MANAGER,)),
    "admin": ("Hana", (Role.ADMINISTRATOR,)),
    "auditor": ("Ilse", (Role.AUDITOR,)),
}

# code, kind, name, type, serial number, resolution [g], where, certificate: all invented
EQUIPMENT = (
    ("BAL-01", "balance", "mixing bench balance", "top pan, 2 kg", "TB-2204", "0.01", "mixing room", "DL-24-1187"),
    ("BAL-02", "balance", "fine balance", "analytical, 200 g", "AB-0319", "0.0001", "mixing room", "DL-24-1188"),
    ("MIX-01", "mixer", "planetary vacuum mixer", "planetary, 1 l", "PM-0071", "", "mixing room", "DL-24-0902"),
)

SUPPLIERS = {"Tarn Minerals": True, "Quill & Sedge Fluids": True, "Holm Trading": False}
HANDBOOK = "handbook value near 300 K, from memory; filler powder is lower"


@dataclass(frozen=True, slots=True)
class MaterialPlan:
    """A material to name: its kind, density [kg/m3], conductivity [W/(m K)], shape, hazards, supplier."""

    name: str
    kind: str
    density: float
    conductivity: float | None
    supplier: str
    shape: str = ""
    hazards: tuple[tuple[str, str], ...] = ()
    d50: float | None = None  # [um]


MATERIALS = (
    MaterialPlan("alumina, round, 5 um", "filler", 3980, 30, "Tarn Minerals", "round", d50=5.0),
    MaterialPlan("alumina, round, 40 um", "filler", 3980, 30, "Tarn Minerals", "round", d50=40.0),
    MaterialPlan(
        "zinc oxide, fine",
        "filler",
        5610,
        30,
        "Tarn Minerals",
        "irregular",
        (("H410", "Very toxic to aquatic life with long lasting effects"),),
        d50=0.8,
    ),
    MaterialPlan(
        "aluminium, flake", "filler", 2700, 237, "Tarn Minerals", "flake", (("H228", "Flammable solid"),), d50=12.0
    ),
    MaterialPlan("boron nitride, platelet", "filler", 2250, 60, "Tarn Minerals", "platelet", d50=9.0),
    MaterialPlan(
        "aluminium nitride, round",
        "filler",
        3260,
        160,
        "Tarn Minerals",
        "round",
        (("EUH029", "Contact with water liberates toxic gas"),),
        d50=3.0,
    ),
    MaterialPlan("silicone fluid, 500 mPa s", "carrier", 970, 0.15, "Quill & Sedge Fluids"),
    MaterialPlan("ester fluid", "carrier", 950, 0.16, "Quill & Sedge Fluids"),
    MaterialPlan("vinyl silicone, curing", "carrier", 980, 0.17, "Quill & Sedge Fluids"),
    MaterialPlan(
        "treating agent",
        "coupling_agent",
        1010,
        None,
        "Quill & Sedge Fluids",
        hazards=(("H226", "Flammable liquid and vapour"), ("H318", "Causes serious eye damage")),
    ),
    MaterialPlan("thickener", "additive", 2200, None, "Quill & Sedge Fluids"),
    MaterialPlan(
        "gallium-indium-tin alloy",
        "metal",
        6440,
        24,
        "Quill & Sedge Fluids",
        hazards=(("H290", "May be corrosive to metals"),),
    ),
)
# material: D50 from and to [um], moisture at most [%]; all invented; quality wrote it down before the first lot
FILLERS = {
    "zinc oxide, fine": (0.65, 0.95, 0.20),
    "alumina, round, 5 um": (4.4, 5.6, 0.15),
    "alumina, round, 40 um": (35.0, 45.0, 0.15),
    "aluminium, flake": (10.5, 13.5, 0.20),
    "boron nitride, platelet": (7.8, 10.2, 0.25),
    "aluminium nitride, round": (2.6, 3.4, 0.10),
}
COARSE = ("zinc oxide, fine", 3)  # the third lot of this material has a coarse tail


@dataclass(frozen=True, slots=True)
class Truth:
    """What a layer of it really is on the rigs: conductivity [W/(m K)], contact [mm2 K/W], end gap [um]."""

    conductivity: float
    contact: float
    gap: float
    pressing: float = 30.0  # [s]


@dataclass(frozen=True, slots=True)
class FormulationPlan:
    """A formulation: its lines as percent by mass, and what its layers are."""

    name: str
    kind: str
    lines: tuple[tuple[str, str], ...]
    truth: Truth
    purpose: str = ""
    batches: int = 2
    applications: int = 4  # for each sample of a batch
    steps: tuple[tuple[str, float, float, float | None], ...] = field(
        default=(
            ("Wet the filler under the mixer", 60.0, 10.0, None),
            ("Mix", 800.0, 20.0, None),
            ("Take the air out under vacuum", 300.0, 15.0, 5.0),
        )
    )


FORMULATIONS = (
    FormulationPlan(
        "Fine zinc oxide paste",
        "paste",
        (("zinc oxide, fine", "78"), ("silicone fluid, 500 mPa s", "20.5"), ("treating agent", "1.5")),
        Truth(1.9, 2.6, 15.0),
        "thin line before high conductivity",
        batches=3,
    ),
    FormulationPlan(
        "Coarse alumina paste",
        "paste",
        (
            ("alumina, round, 40 um", "62"),
            ("alumina, round, 5 um", "27"),
            ("silicone fluid, 500 mPa s", "10"),
            ("treating agent", "1"),
        ),
        Truth(4.3, 4.0, 78.0),
        "high loading for high conductivity",
        batches=3,
    ),
    FormulationPlan(
        "Two-size alumina paste",
        "paste",
        (
            ("alumina, round, 5 um", "80"),
            ("zinc oxide, fine", "8"),
            ("ester fluid", "11"),
            ("treating agent", "1"),
        ),
        Truth(2.9, 3.0, 28.0),
        "a middle way",
        batches=3,
    ),
    FormulationPlan(
        "Two-size alumina paste, ester rich",
        "paste",
        (
            ("alumina, round, 5 um", "78"),
            ("zinc oxide, fine", "8"),
            ("ester fluid", "13"),
            ("treating agent", "1"),
        ),
        Truth(2.75, 3.0, 26.8),
        "easier to dispense",
    ),
    FormulationPlan(
        "Aluminium flake paste",
        "paste",
        (("aluminium, flake", "68"), ("silicone fluid, 500 mPa s", "30.5"), ("treating agent", "1.5")),
        Truth(3.4, 3.6, 36.0),
    ),
    FormulationPlan(
        "Boron nitride paste",
        "paste",
        (("boron nitride, platelet", "48"), ("silicone fluid, 500 mPa s", "51"), ("treating agent", "1")),
        Truth(2.2, 5.0, 41.0),
        "no electrical conduction",
    ),
    FormulationPlan(
        "Aluminium nitride paste",
        "paste",
        (
            ("aluminium nitride, round", "70"),
            ("zinc oxide, fine", "10"),
            ("ester fluid", "18.5"),
            ("treating agent", "1.5"),
        ),
        Truth(3.1, 2.8, 22.0),
    ),
    FormulationPlan(
        "Gap putty",
        "putty",
        (
            ("alumina, round, 40 um", "60"),
            ("alumina, round, 5 um", "29"),
            ("silicone fluid, 500 mPa s", "8"),
            ("thickener", "3"),
        ),
        Truth(4.9, 6.0, 240.0, pressing=90.0),
        applications=3,
    ),
    FormulationPlan(
        "Curing gel",
        "gel",
        (
            ("alumina, round, 5 um", "84"),
            ("vinyl silicone, curing", "15"),
            ("treating agent", "1"),
        ),
        Truth(2.6, 4.5, 95.0, pressing=60.0),
        applications=3,
    ),
    FormulationPlan(
        "Alloy film",
        "liquid_metal",
        (("gallium-indium-tin alloy", "99.5"), ("zinc oxide, fine", "0.5")),
        Truth(22.0, 1.5, 18.0, pressing=10.0),
        "the floor: what a joint can reach",
        batches=2,
        applications=3,
    ),
)
COARSE_GAP = 2.1  # a batch with the coarse lot has a layer this many times as thick


@dataclass(frozen=True, slots=True)
class OutsidePlan:
    """A sample received from outside."""

    name: str
    kind: str
    truth: Truth
    reference: bool = False
    applications: int = 3


OUTSIDE = (
    OutsidePlan("reference paste R", "paste", Truth(2.4, 3.0, 32.0), reference=True, applications=8),
    OutsidePlan("soft pad, 0.5 mm", "pad", Truth(3.4, 9.0, 470.0, pressing=20.0)),
    OutsidePlan("soft pad, 1.0 mm", "pad", Truth(3.4, 9.0, 930.0, pressing=20.0)),
    OutsidePlan("soft pad, 1.5 mm", "pad", Truth(3.4, 9.0, 1400.0, pressing=20.0)),
    OutsidePlan("indium sheet, 0.2 mm", "sheet", Truth(78.0, 4.0, 190.0, pressing=5.0), applications=2),
)
