"""Materials, their safety data sheets, and what they must not meet."""

from __future__ import annotations

from typing import Any, ClassVar

from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import F, Q

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.files.models import StoredFile
from lims.materials.kinds import caution_keys
from lims.materials.models.parts import Written


@tracked
class Material(Recorded):
    """What is bought or made as an ingredient: a filler, a fluid, an additive, an alloy, a sheet."""

    # what a recipe costs tells much of the recipe
    CONFIDENTIAL = frozenset({"price", "currency"})

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=200, unique=True)
    kind = models.CharField(max_length=30)
    density = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="kg/m3")
    density_u = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    conductivity = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="W/(m K)")
    conductivity_u = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    conductivity_source = models.CharField(max_length=200, blank=True)
    shape = models.CharField("particle shape", max_length=60, blank=True)
    hazards = models.JSONField(default=list, blank=True, help_text="Codes and texts from the safety data sheet.")
    hazards_source = models.CharField(max_length=200, blank=True)
    remarks = models.TextField(blank=True)
    price = models.DecimalField(
        max_digits=12, decimal_places=4, null=True, blank=True, validators=[MinValueValidator(0)], help_text="per kg"
    )
    currency = models.CharField(max_length=3, blank=True, help_text="ISO 4217: EUR")

    class Meta:
        verbose_name = "material"
        verbose_name_plural = "materials"
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name

    @property
    def caution_keys(self) -> list[str]:
        """The cautions shown wherever this material is handled."""
        return caution_keys(kind=self.kind, name=self.name)

    @property
    def hazard_texts(self) -> list[str]:
        """Hazard codes and texts as one line each, as they stand on a label."""
        return hazard_lines(self.hazards)


def hazard_lines(rows: list[dict[str, str]]) -> list[str]:
    """Codes and texts as one line each."""
    return [" ".join(filter(None, (row.get("code", ""), row.get("text", "")))) for row in rows]


class SafetySheet(Written):
    """What a safety data sheet says, typed from it; the sheet itself is kept by its digest. A newer one replaces it."""

    class Signal(models.TextChoices):
        DANGER = "danger"
        WARNING = "warning"
        NONE = "none", "no signal word"

    material = models.ForeignKey(Material, models.PROTECT, related_name="sheets")
    # by name: suppliers stand on materials, not the other way round
    supplier = models.ForeignKey(
        "materials.Supplier", models.PROTECT, null=True, blank=True, related_name="sheets", help_text="None: of any."
    )
    file = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")
    source = models.CharField(max_length=200, help_text="Who wrote the sheet, its number and revision.")
    issued_on = models.DateField(null=True, blank=True)
    signal = models.CharField("signal word", max_length=8, choices=Signal.choices, default=Signal.NONE)
    pictograms = models.JSONField(default=list, blank=True, help_text="Codes of pictograms: GHS05.")
    statements = models.JSONField(default=list, blank=True, help_text="H and P codes with the words of the sheet.")

    owner: ClassVar[str] = "material"

    class Meta:
        verbose_name = "safety data sheet"
        verbose_name_plural = "safety data sheets"
        ordering = ("-id",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return self.source

    @property
    def hazards(self) -> list[dict[str, str]]:
        """The statements of danger alone, without those of protection."""
        return [row for row in self.statements if not row.get("code", "").startswith("P")]

    @property
    def statement_texts(self) -> list[str]:
        """Codes and words as one line each."""
        return hazard_lines(self.statements)


@tracked
class Incompatibility(Recorded):
    """What happens where a material meets another, or a metal or surface named in words; with its source."""

    material = models.ForeignKey(Material, models.PROTECT, related_name="incompatibilities")
    other = models.ForeignKey(Material, models.PROTECT, null=True, blank=True, related_name="+")
    surface = models.CharField("metal or surface", max_length=60, blank=True, help_text="aluminium")
    effect = models.CharField(max_length=400, help_text="What happens where they meet.")
    source = models.CharField(max_length=200, help_text="Where it is said; or: common practice, no source.")
    withdrawn = models.BooleanField(default=False)

    class Meta:
        verbose_name = "incompatibility"
        verbose_name_plural = "incompatibilities"
        ordering = ("id",)
        constraints = (
            models.CheckConstraint(
                condition=Q(other__isnull=False, surface="") | (Q(other__isnull=True) & ~Q(surface="")),
                name="incompatibility_one_other",
            ),
            models.CheckConstraint(
                condition=Q(other__isnull=True) | ~Q(material=F("other")), name="incompatibility_not_itself"
            ),
            models.UniqueConstraint(
                fields=["material", "other"], condition=Q(withdrawn=False), name="incompatibility_pair"
            ),
            models.UniqueConstraint(
                fields=["material", "surface"],
                condition=Q(withdrawn=False, other=None),
                name="incompatibility_surface",
            ),
        )

    def __str__(self) -> str:
        return f"{self.material} and {self.with_what}: {self.effect}"

    @property
    def with_what(self) -> str:
        """What the material must not meet, in words."""
        return self.other.name if self.other else self.surface

    def seen_from(self, material: Any) -> Any:
        """The other of the two; None where it is a surface."""
        return self.material if self.other_id == material.pk else self.other

    @property
    def record_code(self) -> str:
        return self.material.code

    @property
    def history_subject(self) -> tuple[str, str]:
        return ("material", self.material.code)
