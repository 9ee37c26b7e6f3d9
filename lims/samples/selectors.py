"""Read samples: what is left, who has them, what they were made from, what they can hurt."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from typing import Any

from django.db.models import DecimalField, Exists, F, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce
from django.utils import timezone

from lims.accounts.acts import require
from lims.accounts.models import User
from lims.cases.models import Hold
from lims.core.codes import expect_kind
from lims.core.errors import Invalid, NotFound, Refusal
from lims.core.finding import by_code
from lims.core.labels import USUAL, Layout
from lims.core.quantities import from_si
from lims.formulations.models import Batch
from lims.materials.kinds import caution_keys
from lims.materials.models import Lot, Material
from lims.materials.selectors import Meeting, warnings_between
from lims.samples.models import BlindIdentity, CustodyEvent, LabelFormat, Sample
from lims.samples.states import SampleState

READ = "laboratory.read"
MASS: DecimalField[Any, Any] = DecimalField(max_digits=14, decimal_places=9)
LIQUID_METAL = "liquid_metal"
ORIGINS = Sample.Origin.choices
KINDS = (
    ("", "not known"),
    ("paste", "paste"),
    ("gel", "gel"),
    ("putty", "putty"),
    ("pad", "pad"),
    ("sheet", "sheet"),
    (LIQUID_METAL, "liquid metal"),
)


def samples_with_rest() -> QuerySet[Any]:
    """Samples with `left` [kg] and `on_hold`."""
    gone = CustodyEvent.objects.filter(sample=OuterRef("pk")).order_by().values("sample").annotate(total=Sum("amount"))
    holds = Hold.objects.filter(subject_kind="sample", subject_code=OuterRef("code"), lifted_at=None)
    left = F("amount") + Coalesce(Subquery(gone.values("total")), Decimal(0), output_field=MASS)
    return Sample.objects.annotate(left=left, on_hold=Exists(holds)).select_related("batch", "lot", "taken_by")


def get_sample_for(user: User, code: str) -> Any:
    """One sample by its code, where this person may see it; with `left` and `on_hold`."""
    require(user, READ)
    return by_code(samples_with_rest().select_related("batch", "lot__material", "parent", "taken_by"), code, "sample")


def identity_of(user: User, sample: Sample) -> BlindIdentity | None:
    """What a blind sample is, for those who may see it and for the person who registered it; None for all others."""
    if not sample.is_blind:
        return None
    identity = sample.identity
    return identity if user.may("sample.see_identity") or identity.kept_by_id == user.pk else None


def lifted_of(sample: Sample) -> BlindIdentity | None:
    """Who revealed a sample that was blind, when and why; None where it never was or still is."""
    return BlindIdentity.objects.filter(sample=sample, revealed_at__isnull=False).select_related("revealed_by").first()


def sheets_of(sample: Sample) -> QuerySet[Sample]:
    """The sheets cut together with one, by their thickness."""
    if not sample.series:
        return Sample.objects.none()
    return Sample.objects.filter(series=sample.series).order_by("nominal_thickness", "id")


def series_of_sheets(user: User, series: str) -> QuerySet[Sample]:
    """The sheets of one series, by their thickness: what a study of several thicknesses picks."""
    require(user, READ)
    return Sample.objects.filter(series=series).exclude(series="").order_by("nominal_thickness", "id")


def samples_for(user: User, *, text: str = "", state: str = "", origin: str = "", series: str = "") -> QuerySet[Any]:
    """The samples this person may see, newest first, narrowed by code or name, state, origin and series."""
    require(user, READ)
    rows = samples_with_rest()
    if text:
        rows = rows.filter(_matching(text))
    if state in SampleState.values:
        rows = rows.filter(state=state)
    if origin in Sample.Origin.values:
        rows = rows.filter(origin=origin)
    if series:
        rows = rows.filter(series=series)
    return rows.order_by("-id")


def _matching(text: str) -> Q:
    for kind, field in (("sample", "code"), ("batch", "batch__code"), ("lot", "lot__code")):
        try:
            return Q(**{field: expect_kind(text, kind)})
        except Refusal:
            continue
    return Q(name__icontains=text)


def get_source_for(user: User, kind: str, code: str) -> Batch | Lot | None:
    """The batch or the lot a sample is taken from, where this person may see it; None for one from outside."""
    require(user, READ)
    if kind == "batch":
        return by_code(Batch.objects.all(), code, "batch")
    return by_code(Lot.objects.select_related("material"), code, "lot") if kind == "lot" else None


def left(sample: Sample) -> Decimal:
    """How much of a sample is left [kg]: what was registered, less what went."""
    gone = sample.custody.aggregate(total=Sum("amount"))["total"]
    return Decimal(sample.amount) + Decimal(gone or 0)


def last_event(sample: Sample) -> CustodyEvent | None:
    """The newest event of a sample's chain."""
    return sample.custody.select_related("holder").order_by("-position").first()


@dataclass(frozen=True, slots=True)
class CustodyLink:
    """One event of a chain, and what does not fit between it and the one before; "" where it does."""

    event: CustodyEvent
    gap: str = ""

    @property
    def excursion(self) -> str:
        """How far and how long outside its condition, in words; "" for other events."""
        return Excursion(self.event, "").words if self.event.kind == CustodyEvent.Kind.EXCURSION else ""


def custody_of(sample: Sample) -> list[CustodyLink]:
    """The chain of a sample, oldest first; somebody at work who was not handed the sample shows as a gap."""
    links: list[CustodyLink] = []
    before: CustodyEvent | None = None
    for event in sample.custody.select_related("holder", "by").order_by("position"):
        links.append(CustodyLink(event, _gap(before, event)))
        before = event
    return links


def _gap(before: CustodyEvent | None, event: CustodyEvent) -> str:
    if before is None or event.by_id in (before.holder_id, before.by_id):
        return ""
    return f"{event.by} had it in hand; it was last with {before.holder}, and no handing over is recorded."


def over_hold(sample: Sample, at: Any = None) -> timedelta | None:
    """By how long the hold time before test is exceeded at `at` (now, unless said); None where it is not."""
    if sample.hold_limit_hours is None:
        return None
    over = (at or timezone.now()) - sample.taken_at - timedelta(hours=sample.hold_limit_hours)
    return over if over > timedelta(0) else None


def held_hours(sample: Sample, at: Any) -> tuple[float, float | None]:
    """How long a sample was kept before `at`, and by how much that exceeds its limit (None: it does not), in hours."""
    over = over_hold(sample, at)
    hour = timedelta(hours=1)
    return (at - sample.taken_at) / hour, None if over is None else over / hour


@dataclass(frozen=True, slots=True)
class Excursion:
    """One time a sample, or what it was split from, was outside its storage condition."""

    event: CustodyEvent
    sample: str

    @property
    def words(self) -> str:
        """How far and how long, in the units people read."""
        celsius = from_si(self.event.temperature or 0.0, unit="degC", of="temperature")
        hours = from_si(self.event.duration or 0.0, unit="h", of="time")
        return f"kept at {celsius:.3g} °C for {hours:.3g} h outside its storage condition"


def excursions_of(sample: Sample, at: Any = None) -> list[Excursion]:
    """The excursions of a sample that began before `at` (now, unless said), also those of what it was split from."""
    moment, found = at or timezone.now(), list[Excursion]()
    one: Sample | None = sample
    while one is not None:
        rows = one.custody.filter(kind=CustodyEvent.Kind.EXCURSION, since__lte=moment).order_by("-since")
        found += [Excursion(row, one.code) for row in rows]
        moment = min(moment, one.created_at)
        one = one.parent
    return found[::-1]


def why_not_applicable(sample: Sample, at: Any = None) -> list[str]:
    """What speaks against a test of a sample, though a reason can overrule it: its expiry, its hold time."""
    found = []
    if sample.expired and sample.expires_on:
        found.append(f"expired on {sample.expires_on.isoformat()}")
    over = over_hold(sample, at)
    if over is not None:
        found.append(f"hold time exceeded by {over / timedelta(hours=1):.0f} h")
    found += [excursion.words for excursion in excursions_of(sample, at)]
    return found


# What a sample is made of


def materials_of(sample: Sample) -> list[Material]:
    """The materials in a sample, through its lot, or its batch and the batches that one was reworked from."""
    found: dict[int, Material] = {}
    # what can hurt is looked for behind a blind code as well; who asks never learns which material it was
    source = sample.identity if sample.is_blind else sample
    if source.lot is not None:
        found[source.lot.material_id] = source.lot.material
    batch = source.batch
    while batch is not None:
        found |= {m.pk: m for m in _materials_of_batch(batch)}
        batch = batch.parent
    return list(found.values())


def _materials_of_batch(batch: Batch) -> Iterable[Material]:
    lines = batch.lines.select_related("material")
    return [line.material for line in lines]


def attacks(sample: Sample, metal: str) -> bool:
    """Whether something in a sample attacks a metal: gallium and aluminium, or materials recorded as incompatible."""
    plain = metal.lower().replace("aluminum", "aluminium")
    materials = materials_of(sample)
    gallium = sample.material_kind == LIQUID_METAL or any("gallium" in material.name.lower() for material in materials)
    if gallium and "aluminium" in plain:
        return True
    return any(meeting.on_surface for meeting in warnings_between(materials, surfaces=[metal]))


def meetings_of(sample: Sample, surfaces: Iterable[str], *, named: bool) -> list[Meeting]:
    """What is recorded against a sample meeting these metals; without `named` it tells no ingredient."""
    found = warnings_between(materials_of(sample), surfaces=surfaces)
    on_surface = [meeting for meeting in found if meeting.on_surface]
    if named and not sample.is_blind:
        return on_surface
    something, effect = f"something in {sample.code}", "they must not meet; ask a chemist before you go on"
    metals = dict.fromkeys(meeting.second for meeting in on_surface)
    return [Meeting(something, metal, effect, "the laboratory's record", True) for metal in metals]


def cautions_of(sample: Sample) -> list[str]:
    """The cautions (keys of lims.core.cautions) a sample calls for while it is applied."""
    keys = [key for m in materials_of(sample) for key in caution_keys(kind=m.kind, name=m.name) if key != "powder"]
    if sample.material_kind == LIQUID_METAL:
        keys.append("gallium")
    if sample.material_kind == "sheet":
        keys.append("sharp")
    return list(dict.fromkeys(keys))


def holders() -> QuerySet[User]:
    """Those a sample can be handed to: people with an account that stands."""
    return User.objects.filter(is_active=True, is_service=False).order_by("first_name", "username")


def hazards_of(sample: Sample) -> tuple[str, ...]:
    """The hazard codes of what a sample holds, each once: they belong on its label whatever the recipe."""
    codes = [str(row.get("code") or "") for material in materials_of(sample) for row in material.hazards]
    return tuple(sorted({code for code in codes if code.startswith("H")}))


def pictograms_of(sample: Sample) -> tuple[str, ...]:
    """The codes of the pictograms on the newest safety data sheets of what a sample holds, each once."""
    newest = [material.sheets.order_by("-id").first() for material in materials_of(sample)]
    return tuple(sorted({code for sheet in newest if sheet for code in sheet.pictograms}))


# Labels


def says_of(sample: Sample) -> dict[str, Any]:
    """What a sample's label says beside its code: title, lines, hazards, storage, pictograms."""
    lines = [f"taken {sample.taken_at:%Y-%m-%d}, {sample.container}"]
    if sample.batch or sample.lot:
        lines.append(f"from {(sample.batch or sample.lot).code}")  # type: ignore[union-attr]
    if sample.nominal_thickness:
        lines.append(f"nominal {from_si(sample.nominal_thickness, unit='mm', of='length'):g} mm")
    if sample.expires_on:
        lines.append(f"expires {sample.expires_on.isoformat()}")
    said = {"title": sample.name, "lines": tuple(lines), "storage": sample.storage}
    return said | {"hazards": hazards_of(sample), "pictograms": pictograms_of(sample)}


FORMAT_FIELDS = (
    "width",
    "height",
    "columns",
    "rows",
    "page_width",
    "page_height",
    "margin_left",
    "margin_top",
    "pitch_across",
    "pitch_down",
)
MEDIA = LabelFormat.Medium.choices


def layout_of(row: LabelFormat) -> Layout:
    """How a format lays labels out."""
    return Layout(**{name: getattr(row, name) for name in FORMAT_FIELDS})


def label_formats_for(user: User) -> QuerySet[LabelFormat]:
    """The formats that are offered, by name."""
    require(user, READ)
    return LabelFormat.objects.filter(retired=False).order_by("name")


def get_label_format_for(user: User, name: str) -> LabelFormat:
    """One format by its name."""
    found = label_formats_for(user).filter(name=name).first()
    if found is None:
        raise NotFound(f"There is no format of labels called '{name}'.")
    return found


def layout_called(user: User, name: str) -> Layout:
    """The layout of a format by its name; `sheet` and `printer` are the usual ones."""
    return USUAL[name] if name in USUAL else layout_of(get_label_format_for(user, name))


def get_holder(username: str) -> User:
    """The person of a user name a sample can be handed to."""
    found = holders().filter(username=username).first()
    if found is None:
        raise Invalid(f"Nobody here is called '{username}'.", fields={"holder": ["A user name is expected."]})
    return found
