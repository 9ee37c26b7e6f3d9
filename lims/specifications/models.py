"""Specifications in versions: limits on the properties of a lot or the figures of a batch. SI units."""

from __future__ import annotations

import pgtrigger
from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from lims.audit.models import Recorded, fixed_after_draft, tracked
from lims.formulations.models import Formulation
from lims.materials.models import Material
from lims.rigs.models import Method
from lims.specifications.states import SpecificationState


@tracked
class Specification(Recorded):
    """What lots of one material, or batches of one formulation, have to be."""

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=200, unique=True)
    material = models.ForeignKey(Material, models.PROTECT, null=True, blank=True, related_name="specifications")
    formulation = models.ForeignKey(Formulation, models.PROTECT, null=True, blank=True, related_name="specifications")

    class Meta:
        verbose_name = "specification"
        verbose_name_plural = "specifications"
        ordering = ("code",)
        constraints = (
            models.CheckConstraint(
                condition=Q(material__isnull=False, formulation__isnull=True)
                | Q(material__isnull=True, formulation__isnull=False),
                name="specification_one_subject",
            ),
        )

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


@tracked
class SpecificationVersion(Recorded):
    """One version of a specification, with the rule by which its limits are applied. Fixed once approved."""

    class Rule(models.TextChoices):
        SIMPLE = "simple", "simple acceptance"
        GUARDED = "guarded", "guarded by a multiple of U"
        RISK = "risk", "by the risk of a wrong acceptance"

    specification = models.ForeignKey(Specification, models.PROTECT, related_name="versions")
    number = models.PositiveSmallIntegerField()
    code = models.CharField(max_length=16, unique=True, editable=False, help_text="SP-009/1")
    state = models.CharField(max_length=10, choices=SpecificationState.choices, default=SpecificationState.DRAFT)
    rule = models.CharField(max_length=10, choices=Rule.choices, default=Rule.GUARDED)
    guard_factor = models.FloatField(default=1.0, validators=[MinValueValidator(0)], help_text="multiple of U")
    risk = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(1e-6), MaxValueValidator(0.5)], help_text="for rule risk"
    )
    author = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    approved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    effective_from = models.DateTimeField(null=True, blank=True)

    class Meta:
        verbose_name = "specification version"
        verbose_name_plural = "specification versions"
        ordering = ("specification", "-number")
        constraints = (
            models.UniqueConstraint(fields=["specification", "number"], name="specification_version_once"),
            models.CheckConstraint(
                condition=Q(state__in=SpecificationState.values), name="specification_version_state"
            ),
            models.CheckConstraint(
                condition=Q(rule="risk", risk__isnull=False) | (~Q(rule="risk") & Q(risk__isnull=True)),
                name="specification_version_risk",
            ),
        )
        triggers = (fixed_after_draft("specification version"),)

    def __str__(self) -> str:
        return self.code

    @property
    def rule_words(self) -> str:
        """The rule as a sentence says it."""
        if self.rule == self.Rule.RISK:
            return f"risk of a wrong acceptance at most {self.risk:g}"
        return f"guard band {self.guard_factor:g} U" if self.guard_factor else "simple acceptance"


# the limits of a version that is no longer a draft cannot change, whoever tries
LIMITS_FROZEN = """
    IF (SELECT state FROM specifications_specificationversion
        WHERE id = COALESCE(OLD.specification_version_id, NEW.specification_version_id)) <> 'draft' THEN
        RAISE EXCEPTION 'the limits of an approved specification version cannot change';
    END IF;
    RETURN COALESCE(NEW, OLD);
"""


@tracked
class Limit(Recorded):
    """One limited quantity: lower, upper, target, warning limits, how many results are asked and what is judged."""

    class Basis(models.TextChoices):
        EACH = "each", "each result by itself"
        MEAN = "mean", "the mean of the results"

    specification_version = models.ForeignKey(SpecificationVersion, models.PROTECT, related_name="limits")
    quantity = models.CharField(max_length=40)
    lower = models.FloatField(null=True, blank=True, help_text="SI")
    upper = models.FloatField(null=True, blank=True, help_text="SI")
    target = models.FloatField(null=True, blank=True, help_text="SI")
    warn_lower = models.FloatField(null=True, blank=True, help_text="SI; out of trend, not out of limits")
    warn_upper = models.FloatField(null=True, blank=True, help_text="SI")
    basis = models.CharField(max_length=5, choices=Basis.choices, default=Basis.EACH)
    as_entered = models.CharField(max_length=120)
    method = models.ForeignKey(Method, models.PROTECT, null=True, blank=True, related_name="+")
    results_required = models.PositiveSmallIntegerField(default=1)

    class Meta:
        verbose_name = "limit"
        verbose_name_plural = "limits"
        ordering = ("specification_version", "quantity")
        constraints = (
            models.UniqueConstraint(fields=["specification_version", "quantity"], name="limit_once"),
            models.CheckConstraint(
                condition=Q(lower__isnull=False) | Q(upper__isnull=False), name="limit_on_one_side_at_least"
            ),
            models.CheckConstraint(
                condition=Q(lower__isnull=True) | Q(upper__isnull=True) | Q(lower__lt=F("upper")), name="limit_order"
            ),
        )

        triggers = (
            pgtrigger.Trigger(
                name="limits_are_fixed",
                when=pgtrigger.Before,
                operation=pgtrigger.Insert | pgtrigger.Update | pgtrigger.Delete,
                func=LIMITS_FROZEN,
            ),
        )

    def __str__(self) -> str:
        return f"{self.quantity} {self.as_entered}"

    @property
    def record_code(self) -> str:
        return self.specification_version.code
