"""In-process tests of a batch, and photographs of it."""

from __future__ import annotations

import io
from typing import IO, Any, TypedDict, Unpack

from PIL import Image, UnidentifiedImageError

from lims.accounts.acts import act
from lims.accounts.models import User
from lims.audit.recording import note_change
from lims.core.errors import Conflict, Invalid
from lims.core.machines import locked, state_words
from lims.core.quantities import spread_to_si, to_si
from lims.files.services import store_file
from lims.formulations.kinds import TESTS, ProcessTest
from lims.formulations.models import Batch, BatchPhoto, BatchTest
from lims.formulations.states import BatchState

OPEN = (BatchState.WEIGHING, BatchState.PROCESSING, BatchState.MADE, BatchState.UNDER_TEST)
SMALL = (480, 480)  # pixels


class TestDetails(TypedDict, total=False):
    """Beside the test: value, uncertainty and limits in `unit`, or words; equipment; the reason where it is outside.

    `good`: whether words describe what is expected. `replaces`: the entry this one corrects.
    """

    value: float | None
    unit: str
    u: float | None
    lower: float | None
    upper: float | None
    words: str
    good: bool
    equipment: str
    position: int | None
    reason: str
    replaces: BatchTest | None


@act("batch.test")
def add_batch_test(batch: Batch, *, actor: User, test: str, **details: Unpack[TestDetails]) -> BatchTest:
    """Write down one in-process test; outside its limits, or as a correction, it needs a reason."""
    fresh, known = _open(batch), TESTS.get(test)
    if known is None:
        raise Invalid(f"There is no test '{test}'.", fields={"test": [f"One of {', '.join(TESTS)} is expected."]})
    facts = _measured(known, details, _limits_set(fresh, test)) if known.dimension else _described(details)
    reason, old = details.get("reason", "").strip(), details.get("replaces")
    if old is not None:
        _check_replaced(fresh, test, old)
    if (facts["outside"] or old) and not reason:
        raise Invalid(
            f"{known.label.capitalize()} is outside its limits."
            if facts["outside"]
            else "A correction needs a reason.",
            code="test-outside" if facts["outside"] else "reason-needed",
            fields={"reason": ["Say why."]},
        )
    row = BatchTest(
        batch=fresh,
        by=actor,
        test=test,
        position=details.get("position"),
        equipment=details.get("equipment", "").strip(),
        reason=reason,
        replaces=old,
        **facts,
    )
    row.full_clean()
    row.save()
    note_change(row, {test: (old.as_entered if old else None, row.as_entered)})
    if row.outside and not fresh.deviated:
        fresh.deviated = True
        fresh.save()
    return row


def _open(batch: Batch) -> Batch:
    fresh = locked(batch)
    if fresh.state not in OPEN:
        raise Conflict(f"{fresh.code} is {state_words(fresh)}; its record is closed.", code="wrong-state")
    return fresh


def _limits_set(batch: Batch, test: str) -> tuple[float | None, float | None] | None:
    """The limits that the batch's frozen recipe sets for a test, SI; None where it sets none."""
    rows = [row for row in batch.frozen.get("tests", []) if row["test"] == test]
    return (rows[0]["lower"], rows[0]["upper"]) if rows else None


def _check_replaced(batch: Batch, test: str, old: BatchTest) -> None:
    """An entry is corrected once, by an entry of the same test and batch."""
    if old.batch_id != batch.pk or old.test != test:
        raise Invalid(f"Only an entry of {TESTS[test].label} of {batch.code} is corrected by this one.")
    if BatchTest.objects.filter(replaces=old).exists():
        raise Conflict("This test was corrected already; correct the newer entry.", code="corrected-already")


def _measured(
    known: ProcessTest, details: TestDetails, limits: tuple[float | None, float | None] | None
) -> dict[str, Any]:
    value, unit = details.get("value"), details.get("unit") or known.shown
    if value is None:
        raise Invalid(f"What is the {known.label}?", fields={"value": ["A number is expected."]})
    typed = [
        None if (end := details.get(name)) is None else to_si(float(end), unit=unit, of=known.dimension, field=name)  # type: ignore[arg-type]
        for name in ("lower", "upper")
    ]
    u, si = details.get("u"), to_si(float(value), unit=unit, of=known.dimension)
    if limits is not None and any(end is not None for end in typed):
        raise Invalid(
            f"The formulation sets the limits of {known.label}; they are not typed.",
            code="limits-set",
            fields={"lower": ["Leave the limits blank."]},
        )
    low, high = limits or (typed[0], typed[1])
    if low is not None and high is not None and low > high:
        raise Invalid("The lower limit lies above the upper one.", fields={"lower": ["Less than the upper limit."]})
    return {
        "value": si,
        "u": None if u is None else spread_to_si(float(u), unit=unit, of=known.dimension),
        "lower": low,
        "upper": high,
        "as_entered": f"{value:g} {unit}",
        "outside": (low is not None and si < low) or (high is not None and si > high),
    }


def _described(details: TestDetails) -> dict[str, Any]:
    words = details.get("words", "").strip()
    if not words:
        raise Invalid("How does it look?", fields={"words": ["Words are expected."]})
    return {"words": words, "as_entered": words[:80], "outside": not details.get("good", True)}


@act("batch.photograph")
def add_batch_photo(
    batch: Batch, *, actor: User, photo: IO[bytes] | Any, name: str, caption: str = "", position: int | None = None
) -> BatchPhoto:
    """Keep a photograph of a batch: the picture as it came, by its digest, and a small one to show."""
    fresh, content = _open(batch), photo.read()
    small = _small(content, name)
    row = BatchPhoto(
        batch=fresh,
        by=actor,
        file=store_file(io.BytesIO(content), name=name, by=actor),
        small=store_file(small, name=f"small {name}", media_type="image/jpeg", by=actor),
        caption=caption.strip(),
        position=position,
    )
    row.full_clean()
    row.save()
    note_change(row, {"photograph": (None, row.file.sha256)})
    return row


def _small(content: bytes, name: str) -> IO[bytes]:
    out = io.BytesIO()
    try:
        with Image.open(io.BytesIO(content)) as picture:
            picture.thumbnail(SMALL)
            picture.convert("RGB").save(out, "JPEG", quality=80)
    except (UnidentifiedImageError, OSError, Image.DecompressionBombError) as error:
        raise Invalid(f"{name} is no picture that can be shown.", fields={"photo": ["A JPEG or PNG."]}) from error
    out.seek(0)
    return out
