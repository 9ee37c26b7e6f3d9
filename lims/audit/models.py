"""The history: one entry an act, append-only, sealed in a chain of SHA-256 digests."""

from __future__ import annotations

from typing import Any, ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.db import models

from lims.audit.recording import note_change

APPEND_ONLY = pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)


def fixed_after_draft(what: str) -> pgtrigger.Trigger:
    """A trigger: once out of the draft, only the state (and the record's own counter) of `what` can change."""
    return pgtrigger.Trigger(
        name="approved_is_fixed",
        when=pgtrigger.Before,
        operation=pgtrigger.Update,
        condition=pgtrigger.Condition(
            "OLD.state <> 'draft' AND (to_jsonb(OLD) - ARRAY['state','updated_at','version'])"
            " IS DISTINCT FROM (to_jsonb(NEW) - ARRAY['state','updated_at','version'])"
        ),
        func=f"RAISE EXCEPTION 'an approved {what} cannot change';",
    )


def tracked(model: type[models.Model]) -> type[models.Model]:
    """Keep a row of every insert, update and delete of `model`, also one made past the application."""
    decorate = pghistory.track(pghistory.InsertEvent(), pghistory.UpdateEvent(), pghistory.DeleteEvent())
    return decorate(model)  # type: ignore[no-any-return]


class Recorded(models.Model):
    """A record of the laboratory: checked in full before it is saved, its changes noted for the history."""

    created_at = models.DateTimeField(auto_now_add=True)
    updated_at = models.DateTimeField(auto_now=True)
    version = models.PositiveIntegerField(default=0, editable=False)

    UNRECORDED: ClassVar[frozenset[str]] = frozenset({"created_at", "updated_at", "version", "id"})
    CONFIDENTIAL: ClassVar[frozenset[str]] = frozenset()

    class Meta:
        abstract = True

    @classmethod
    def from_db(cls, db: str | None, field_names: Any, values: Any, **how: Any) -> Any:
        instance = super().from_db(db, field_names, values, **how)
        instance._loaded = dict(zip(field_names, values, strict=False))
        return instance

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Check every field, save, and note what changed; `version` rises with every change."""
        self.full_clean()
        loaded: dict[str, Any] = getattr(self, "_loaded", {})
        self.version += 1
        if kwargs.get("update_fields") is not None:
            kwargs["update_fields"] = {*kwargs["update_fields"], "version", "updated_at"}
        super().save(*args, **kwargs)
        now = {f.attname: getattr(self, f.attname) for f in self._meta.concrete_fields}
        note_change(self, self._changed(loaded, now))
        self._loaded = now

    def _changed(self, loaded: dict[str, Any], now: dict[str, Any]) -> dict[str, tuple[Any, Any]]:
        """The fields that changed, as (old, new); of another record its code, which people know it by."""
        return {
            f.name: (self._known(f, loaded.get(f.attname)), self._known(f, now[f.attname]))
            for f in self._meta.concrete_fields
            if f.name not in self.UNRECORDED and loaded.get(f.attname) != now[f.attname]
        }

    def _known(self, field: models.Field[Any, Any], value: Any) -> Any:
        """A field's value as people know it."""
        if value is None or not isinstance(field, models.ForeignKey):
            return value
        other = getattr(self, field.name) if value == getattr(self, field.attname) else None
        other = other or field.remote_field.model._base_manager.filter(pk=value).first()
        return value if other is None else known_by(other)

    @property
    def record_kind(self) -> str:
        """What people call this kind of record."""
        return str(self._meta.verbose_name)

    @property
    def record_code(self) -> str:
        """The code people know this record by."""
        return str(getattr(self, "code", "") or self.pk)


def known_by(record: Any) -> str:
    """What people know a record by: its code, a person's name, else its words."""
    code = getattr(record, "code", "") or getattr(record, "printed_name", "") or getattr(record, "record_code", "")
    return str(record if code in ("", str(record.pk)) else code)


class Entry(models.Model):
    """One act: who did what to which record, when, from what to what, why, through which request."""

    at = models.DateTimeField(auto_now_add=True, db_index=True)
    actor = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+", help_text="None: the system"
    )
    act = models.CharField(max_length=60, db_index=True)
    subject_kind = models.CharField(max_length=40)
    subject_code = models.CharField(max_length=60)
    changes = models.JSONField(default=list, blank=True)
    reason = models.TextField(blank=True)
    request_id = models.CharField(max_length=64)
    refused = models.BooleanField(default=False)

    class Meta:
        verbose_name = "history entry"
        verbose_name_plural = "history entries"
        ordering = ("-id",)
        indexes = (models.Index(fields=["subject_kind", "subject_code", "id"], name="entry_subject"),)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.act} {self.subject_code}"


class Link(models.Model):
    """One link of the chain: the digest of an entry's content together with the link before it."""

    position = models.BigIntegerField(primary_key=True)
    # no constraint and nullable: the chain must be readable where an entry was torn out
    entry = models.OneToOneField(Entry, models.DO_NOTHING, null=True, related_name="link", db_constraint=False)
    digest = models.CharField(max_length=64)
    sealed_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "link of the chain"
        verbose_name_plural = "links of the chain"
        ordering = ("position",)
        triggers = (APPEND_ONLY,)

    def __str__(self) -> str:
        return f"{self.position}: {self.digest[:12]}"


class Submission(models.Model):
    """A key that came with a create: the same key again gives the same answer, not a second record."""

    actor = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    key = models.CharField(max_length=120)
    act = models.CharField(max_length=60)
    digest = models.CharField(max_length=64)
    subject_model = models.CharField(max_length=80)
    subject_pk = models.CharField(max_length=40)
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name = "submission"
        verbose_name_plural = "submissions"
        constraints = (models.UniqueConstraint(fields=["actor", "key"], name="submission_once"),)

    def __str__(self) -> str:
        return f"{self.act} {self.key}"
