"""Read stored files."""

from __future__ import annotations

from typing import IO, Any

from django.core.files.storage import default_storage

from lims.core.errors import NotFound, Unavailable
from lims.files.models import StoredFile


def get_file_for(user: Any, sha256: str) -> StoredFile:
    """One stored file by its digest, for those who may read the laboratory's records."""
    row = StoredFile.objects.filter(sha256=sha256).first() if user.may("laboratory.read") else None
    if row is None:
        raise NotFound("There is no such file.")
    return row


def open_file(row: StoredFile) -> IO[bytes]:
    """The bytes of a stored file."""
    try:
        return default_storage.open(row.path, "rb")
    except FileNotFoundError as error:
        raise Unavailable(f"The storage has lost {row.name} ({row.sha256[:12]}).", code="file-missing") from error
