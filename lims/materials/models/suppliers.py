"""Suppliers, how they were evaluated, and the product codes on what they deliver."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.files.models import StoredFile
from lims.materials.models.materials import Material
from lims.materials.models.parts import Written


@tracked
class Supplier(Recorded):
    """Somebody who delivers materials; approved by quality, with a day on which that is looked at again."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=200, unique=True)
    approved = models.BooleanField(default=False)
    evaluated_on = models.DateField(null=True, blank=True)
    evaluate_again_on = models.DateField(null=True, blank=True)
    remarks = models.TextField(blank=True)

    class Meta:
        verbose_name = "supplier"
        verbose_name_plural = "suppliers"
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name


class SupplierEvaluation(Written):
    """One evaluation of a supplier, for all it delivers or for one material; the newest of each counts."""

    class Outcome(models.TextChoices):
        APPROVED = "approved"
        NOT_APPROVED = "not_approved", "not approved"

    supplier = models.ForeignKey(Supplier, models.PROTECT, related_name="evaluations")
    material = models.ForeignKey(
        Material, models.PROTECT, null=True, blank=True, related_name="evaluations", help_text="None: all it delivers."
    )
    outcome = models.CharField(max_length=12, choices=Outcome.choices)
    criteria = models.TextField(blank=True, help_text="What was asked: audit, samples, certificates, history.")
    findings = models.TextField(help_text="What was found, the grounds of the outcome.")
    on = models.DateField()
    again_on = models.DateField("evaluate again on", null=True, blank=True)
    file = models.ForeignKey(StoredFile, models.PROTECT, null=True, blank=True, related_name="+")

    owner: ClassVar[str] = "supplier"

    class Meta:
        verbose_name = "supplier evaluation"
        verbose_name_plural = "supplier evaluations"
        ordering = ("-id",)
        triggers = (APPEND_ONLY,)
        indexes = (models.Index(fields=["supplier", "material", "-id"], name="evaluation_newest"),)

    def __str__(self) -> str:
        return f"{self.supplier} {self.outcome}"

    @property
    def approved(self) -> bool:
        return self.outcome == self.Outcome.APPROVED


class ProductCode(Written):
    """The product code (GTIN) a supplier prints on one material, learnt when a delivery was received with it."""

    gtin = models.CharField(max_length=14, unique=True)
    supplier = models.ForeignKey(Supplier, models.PROTECT, related_name="product_codes")
    material = models.ForeignKey(Material, models.PROTECT, related_name="product_codes")

    owner: ClassVar[str] = "material"

    class Meta:
        verbose_name = "product code"
        verbose_name_plural = "product codes"
        ordering = ("gtin",)
        triggers = (APPEND_ONLY,)
        constraints = (models.CheckConstraint(condition=Q(gtin__regex=r"^\d{14}$"), name="product_code_digits"),)

    def __str__(self) -> str:
        return self.gtin
