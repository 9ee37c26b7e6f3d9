"""Take files in: read once, digest on the way, store once under the digest."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from tempfile import TemporaryFile
from typing import IO, Any

from django.conf import settings
from django.core.files import File
from django.core.files.storage import default_storage
from django.db import IntegrityError, transaction

from lims.core.errors import Invalid, TooLarge
from lims.files.models import StoredFile

CHUNK = 1 << 20


def store_file(
    content: IO[bytes] | Any, *, name: str, media_type: str = "", by: Any = None, digest: str = ""
) -> StoredFile:
    """Store `content` byte for byte and return its row; the same bytes again return the row that stands.

    `digest`, where given, is what the sender says the SHA-256 is. Raises Invalid for an empty file or a wrong digest,
    TooLarge beyond the laboratory's limit. Bytes are on the disk before the row is written, so a row has its file.
    """
    with TemporaryFile() as copy:
        found, size = _copy(_chunks(content), copy)
        if size == 0:
            raise Invalid(f"{name}: the file is empty.", code="file-empty")
        if digest and digest.lower() != found:
            raise Invalid(f"{name}: its SHA-256 is {found}, the sender said {digest}.", code="digest-mismatch")
        standing = StoredFile.objects.filter(sha256=found).first()
        return standing or _keep(copy, found, size, name=name, media_type=media_type, by=by)


def _chunks(content: Any) -> Iterable[bytes]:
    if hasattr(content, "chunks"):
        return content.chunks(CHUNK)  # type: ignore[no-any-return]
    return iter(lambda: content.read(CHUNK), b"")


def _copy(chunks: Iterable[bytes], copy: IO[bytes]) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    for chunk in chunks:
        size += len(chunk)
        if size > settings.MAX_UPLOAD_BYTES:
            raise TooLarge(f"The file is larger than {settings.MAX_UPLOAD_BYTES:,} bytes.", code="file-too-large")
        digest.update(chunk)
        copy.write(chunk)
    return digest.hexdigest(), size


def _keep(copy: IO[bytes], sha256: str, size: int, *, name: str, media_type: str, by: Any) -> StoredFile:
    row = StoredFile(
        sha256=sha256,
        size=size,
        name=clean_name(name),
        media_type=media_type or "application/octet-stream",
        stored_by=by,
    )
    if not default_storage.exists(row.path):
        copy.seek(0)
        default_storage.save(row.path, File(copy, name=row.path))
    try:
        with transaction.atomic():
            row.full_clean(validate_unique=False, validate_constraints=False)
            row.save()
    except IntegrityError:
        # the same bytes came at the same moment by another door
        return StoredFile.objects.get(sha256=sha256)
    return row


def clean_name(name: str) -> str:
    """A file's name as it may be shown: no folders, no control characters, at most 255 characters."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(c for c in last if c.isprintable()).strip()[:255] or "file"


def check_file(row: StoredFile) -> bool:
    """Whether the stored bytes still have the digest they were stored under."""
    digest = hashlib.sha256()
    with default_storage.open(row.path, "rb") as stored:
        for chunk in iter(lambda: stored.read(CHUNK), b""):
            digest.update(chunk)
    return digest.hexdigest() == row.sha256
