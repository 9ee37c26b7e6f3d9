"""Samples: taken from a batch or a lot, or received from outside; and who held them when. Masses in kg."""

from __future__ import annotations

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.formulations.models import Batch
from lims.materials.models import Lot, mass_field
from lims.samples.states import SampleState


@tracked
class Sample(Recorded):
    """A portion of a batch, of a lot, or of something received from outside, taken at a time and place."""

    class Origin(models.TextChoices):
        BATCH = "batch", "taken from a batch"
        LOT = "lot", "taken from a lot"
        OUTSIDE = "outside", "received from outside"

    code = models.CharField(max_length=12, unique=True, editable=False)
    name = models.CharField(max_length=200)
    origin = models.CharField(max_length=10, choices=Origin.choices)
    batch = models.ForeignKey(Batch, models.PROTECT, null=True, blank=True, related_name="samples")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="samples")
    parent = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="portions")
    material_kind = models.CharField(
        max_length=20, blank=True, help_text="paste, gel, putty, pad, sheet, liquid_metal: for plausibility"
    )
    reference = models.BooleanField(default=False, help_text="anchors a rig's control chart")
    state = models.CharField(max_length=12, choices=SampleState.choices, default=SampleState.REGISTERED)
    taken_at = models.DateTimeField()
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    place = models.CharField("taken at", max_length=120, blank=True, help_text="top, middle, bottom, after n hours")
    plan = models.CharField("sampling plan", max_length=200, blank=True)
    amount = mass_field(help_text="kg")
    container = models.CharField(max_length=120)
    condition = models.CharField(max_length=200)
    storage = models.CharField("storage condition", max_length=120, blank=True)
    location = models.CharField(max_length=120, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    hold_limit_hours = models.FloatField(null=True, blank=True, help_text="longest time from taking to test")
    keep_until = models.DateField(null=True, blank=True, help_text="retained: not disposed of before")
    equipment = models.CharField(max_length=200, blank=True)
    deviations = models.TextField(blank=True)

    class Meta:
        verbose_name = "sample"
        verbose_name_plural = "samples"
        ordering = ("-id",)
        constraints = (
            models.CheckConstraint(condition=Q(state__in=SampleState.values), name="sample_state"),
            models.CheckConstraint(
                condition=Q(origin="batch", batch__isnull=False, lot__isnull=True)
                | Q(origin="lot", lot__isnull=False, batch__isnull=True)
                | Q(origin="outside", lot__isnull=True, batch__isnull=True),
                name="sample_one_origin",
            ),
        )
        indexes = (models.Index(fields=["state"], name="sample_state_index"),)

    def __str__(self) -> str:
        return f"{self.code} {self.name}"

    @property
    def expired(self) -> bool:
        """Whether its expiry has passed; derived, never stored."""
        return self.expires_on is not None and self.expires_on < timezone.localdate()


class CustodyEvent(models.Model):
    """One link of custody: who handed what to whom, where, when, in what condition, and how much went."""

    CONFIDENTIAL: ClassVar[frozenset[str]] = frozenset()

    class Kind(models.TextChoices):
        TAKE = "take"
        RECEIVE = "receive"
        MOVE = "move"
        HAND_OVER = "hand_over", "hand over"
        OPEN = "open"
        THAW = "thaw"
        DEGAS = "degas"
        SPLIT = "split"
        USE = "use"
        RETURN = "return"
        DISPOSE = "dispose"

    sample = models.ForeignKey(Sample, models.PROTECT, related_name="custody")
    position = models.PositiveIntegerField(help_text="place in the sample's chain, from 1")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    holder = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    location = models.CharField(max_length=120)
    condition = models.CharField(max_length=200, blank=True)
    amount = mass_field(null=True, blank=True, help_text="kg that went, negative")
    cause = models.CharField(max_length=60, blank=True)

    class Meta:
        verbose_name = "custody event"
        verbose_name_plural = "custody events"
        ordering = ("position",)
        # one chain that cannot fork: nobody else can hold a sample at the same time
        constraints = (models.UniqueConstraint(fields=["sample", "position"], name="custody_chain"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.sample_id} {self.kind}"

    record_kind = "sample"

    @property
    def record_code(self) -> str:
        """A custody event is part of its sample's history."""
        return self.sample.code
