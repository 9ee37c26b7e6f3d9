"""Samples: taken from a batch or a lot, or received from outside; and who held them when. Masses in kg."""

from __future__ import annotations

from typing import ClassVar

import pgtrigger
from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone

from lims.audit.models import APPEND_ONLY, Recorded, tracked
from lims.formulations.models import Batch
from lims.materials.models import Lot, mass_field
from lims.samples.states import SampleState

# a label must hold a symbol a phone can read, and no sheet is larger than A3
LENGTH = (MinValueValidator(12), MaxValueValidator(420))
MARGIN = (MinValueValidator(0), MaxValueValidator(200))
COUNT = (MinValueValidator(1), MaxValueValidator(40))


@tracked
class Sample(Recorded):
    """A portion of a batch, of a lot, or of something received from outside, taken at a time and place."""

    class Origin(models.TextChoices):
        BATCH = "batch", "taken from a batch"
        LOT = "lot", "taken from a lot"
        OUTSIDE = "outside", "received from outside"
        BLIND = "blind", "blind: known by its code alone"

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
    series = models.CharField(max_length=60, blank=True, help_text="sheets of several thicknesses, cut together")
    nominal_thickness = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="m")
    thickness = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="m, measured")
    thickness_u = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="m, standard")

    class Meta:
        verbose_name = "sample"
        verbose_name_plural = "samples"
        ordering = ("-id",)
        constraints = (
            models.CheckConstraint(condition=Q(state__in=SampleState.values), name="sample_state"),
            models.CheckConstraint(
                condition=Q(origin="batch", batch__isnull=False, lot__isnull=True)
                | Q(origin="lot", lot__isnull=False, batch__isnull=True)
                | Q(origin__in=("outside", "blind"), lot__isnull=True, batch__isnull=True),
                name="sample_one_origin",
            ),
            models.CheckConstraint(
                condition=~Q(origin="blind") | Q(parent__isnull=True, reference=False), name="sample_blind_says_nothing"
            ),
        )
        indexes = (
            models.Index(fields=["state"], name="sample_state_index"),
            models.Index(fields=["series"], name="sample_series", condition=~Q(series="")),
        )

    def __str__(self) -> str:
        return f"{self.code} {self.name}"

    @property
    def expired(self) -> bool:
        """Whether its expiry has passed; derived, never stored."""
        return self.expires_on is not None and self.expires_on < timezone.localdate()

    @property
    def is_blind(self) -> bool:
        """Whether the sample is known by its code alone for now."""
        return self.origin == Sample.Origin.BLIND


class BlindIdentity(models.Model):
    """What a blind sample is, kept apart from the sample: no list, page or label that reads samples can show it.

    Once the sample is revealed the row stays and says who lifted the blind, when and why.
    """

    # the history names the act; the row itself says what is hidden
    CONFIDENTIAL: ClassVar[frozenset[str]] = frozenset({"name", "origin", "batch", "lot", "reference"})

    sample = models.OneToOneField(Sample, models.PROTECT, related_name="identity")
    name = models.CharField(max_length=200)
    origin = models.CharField(max_length=10, choices=Sample.Origin.choices)
    batch = models.ForeignKey(Batch, models.PROTECT, null=True, blank=True, related_name="blind_samples")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="blind_samples")
    reference = models.BooleanField(default=False)
    kept_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    kept_at = models.DateTimeField(auto_now_add=True)
    revealed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    revealed_at = models.DateTimeField(null=True, blank=True)
    reason = models.TextField(blank=True)

    class Meta:
        verbose_name = "blind identity"
        verbose_name_plural = "blind identities"
        triggers = (pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),)

    def __str__(self) -> str:
        return f"what {self.sample_id} is"

    record_kind = "blind identity"

    @property
    def record_code(self) -> str:
        """An identity is part of its sample's history."""
        return self.sample.code


@tracked
class LabelFormat(Recorded):
    """How labels lie on a sheet, or how large one label of a small printer is; sizes in mm."""

    class Medium(models.TextChoices):
        SHEET = "sheet", "sheet of labels"
        PRINTER = "printer", "label printer, one label a page"

    name = models.CharField(max_length=80, unique=True)
    medium = models.CharField(max_length=10, choices=Medium.choices)
    width = models.FloatField("width of a label", validators=LENGTH, help_text="mm")
    height = models.FloatField("height of a label", validators=LENGTH, help_text="mm")
    columns = models.PositiveSmallIntegerField(default=1, validators=COUNT)
    rows = models.PositiveSmallIntegerField(default=1, validators=COUNT)
    page_width = models.FloatField("width of the page", null=True, blank=True, validators=LENGTH, help_text="mm")
    page_height = models.FloatField("height of the page", null=True, blank=True, validators=LENGTH, help_text="mm")
    margin_left = models.FloatField("left margin", default=0, validators=MARGIN, help_text="mm")
    margin_top = models.FloatField("top margin", default=0, validators=MARGIN, help_text="mm")
    pitch_across = models.FloatField(
        "pitch across", null=True, blank=True, validators=LENGTH, help_text="mm, from one label's left edge to the next"
    )
    pitch_down = models.FloatField(
        "pitch down", null=True, blank=True, validators=LENGTH, help_text="mm, from one label's top edge to the next"
    )
    retired = models.BooleanField(default=False)

    class Meta:
        verbose_name = "label format"
        verbose_name_plural = "label formats"
        ordering = ("name",)

    def __str__(self) -> str:
        return self.name

    @property
    def record_code(self) -> str:
        return self.name


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
        EXCURSION = "excursion", "storage excursion"
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
    temperature = models.FloatField(null=True, blank=True, help_text="K, furthest from the storage condition")
    duration = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)], help_text="s outside it")
    since = models.DateTimeField("began at", null=True, blank=True)
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
