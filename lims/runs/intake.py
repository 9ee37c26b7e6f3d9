"""Look at a file before anything is stored: is it a table a rig could have written, and what does it say of itself?

Nothing is unpacked to the disk; of an archive only its directory is read. No tables, no storage.
"""

from __future__ import annotations

import codecs
import hashlib
import re
import stat
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import IO, Any, cast

from django.conf import settings

from lims.core.errors import Invalid, TooLarge
from lims.files.services import clean_name

CHUNK = 1 << 20
HEAD = 1 << 16
MOST_MEMBERS = 2_000
MOST_UNPACKED = 4 << 30  # bytes: what a full sheet of a million rows by forty columns unpacks to, and room
MOST_RATIO = 400  # unpacked to packed; a sheet of numbers packs to a tenth, a sheet of zeros to a thousandth
WORKBOOK = "xl/workbook.xml"
PROGRAMS = {
    b"MZ": "a Windows program",
    b"\x7fELF": "a Linux program",
    b"\xcf\xfa\xed\xfe": "a macOS program",
    b"\xca\xfe\xba\xbe": "a program",
    b"#!": "a script",
}
NOTE = re.compile(r"^#\s*([A-Za-z][\w .-]{0,40}?)\s*[:=]\s*(.*?)[\s;,]*$")
APPLICATION_IN_NAME = re.compile(r"(?<![A-Z])A-\d{4,}(?!\d)")


@dataclass(frozen=True, slots=True)
class Incoming:
    """A file that was looked at: its content, its digest by our own count, and its notes (keys in lower case)."""

    name: str
    content: IO[bytes]
    sha256: str
    size: int
    media_type: str
    notes: Mapping[str, str] = field(default_factory=dict)


def take_in(content: Any, *, name: str, digest: str = "") -> Incoming:
    """Look at `content` and say what it is. Refuses, each with its own code, what no rig writes or what could do harm.

    `digest` is what the sender says the SHA-256 is; blank where nothing was said.
    """
    name = clean_name(name)
    file = cast("IO[bytes]", getattr(content, "file", content))
    found, size = _digest(file, name=name)
    if digest and digest.lower() != found:
        raise Invalid(
            f"{name}: the file arrived with SHA-256 {found}; the sender said {digest}.",
            code="digest-mismatch",
            next_step="Send it again; it was changed or cut on the way. Nothing was stored.",
        )
    file.seek(0)
    head = file.read(HEAD)
    media_type = _media_type(file, head, name=name)
    notes = notes_of(head) if media_type == "text/csv" else {}
    file.seek(0)
    return Incoming(name=name, content=file, sha256=found, size=size, media_type=media_type, notes=notes)


def _digest(file: IO[bytes], *, name: str) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    file.seek(0)
    for chunk in _chunks(file):
        size += len(chunk)
        if size > settings.MAX_UPLOAD_BYTES:
            raise TooLarge(f"{name} is larger than {settings.MAX_UPLOAD_BYTES:,} bytes.", code="file-too-large")
        digest.update(chunk)
    if size == 0:
        raise Invalid(f"{name}: the file is empty (0 bytes).", code="file-empty")
    return digest.hexdigest(), size


def _chunks(file: IO[bytes]) -> Iterator[bytes]:
    return iter(lambda: file.read(CHUNK), b"")


def _media_type(file: IO[bytes], head: bytes, *, name: str) -> str:
    """What the content is, judged by the content; the name is not asked."""
    for magic, words in PROGRAMS.items():
        if head.startswith(magic):
            raise Invalid(f"{name} is {words}, not a run file.", code="file-executable")
    if head.startswith(b"PK\x03\x04"):
        _refuse_bad_archive(file, name=name)
        return "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
    if head.startswith(b"PAR1"):
        return "application/vnd.apache.parquet"
    if head.startswith(b"TDSm"):
        return "application/x-tdms"
    if b"\0" in head and not head.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise Invalid(
            f"{name} holds binary data; a run file is CSV, XLSX, Parquet or TDMS.",
            code="file-type",
            next_step="Export the run from the rig's program as a table.",
        )
    return "text/csv"


def _refuse_bad_archive(file: IO[bytes], *, name: str) -> None:
    """Judge an archive by its directory alone, so that nothing large is ever unpacked."""
    file.seek(0)
    try:
        with zipfile.ZipFile(file) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, NotImplementedError, ValueError) as error:
        raise Invalid(f"{name}: the archive is damaged ({error}).", code="archive-damaged") from error
    if len(members) > MOST_MEMBERS:
        raise Invalid(
            f"{name} holds {len(members):,} members; at most {MOST_MEMBERS:,} are taken.", code="archive-members"
        )
    for member in members:
        _refuse_bad_member(member, name=name)
    _refuse_bomb(members, name=name)
    if WORKBOOK not in {member.filename for member in members}:
        raise Invalid(
            f"{name} is an archive, but not an XLSX workbook.",
            code="file-type",
            next_step="Unpack it and send the run files themselves.",
        )


def _refuse_bad_member(member: zipfile.ZipInfo, *, name: str) -> None:
    parts = member.filename.replace("\\", "/").split("/")
    if ".." in parts or member.filename.startswith(("/", "\\")) or ":" in parts[0]:
        raise Invalid(f"{name}: member '{member.filename}' points out of the archive.", code="archive-path")
    if stat.S_ISLNK(member.external_attr >> 16):
        raise Invalid(f"{name}: member '{member.filename}' is a link.", code="archive-link")


def _refuse_bomb(members: list[zipfile.ZipInfo], *, name: str) -> None:
    unpacked = sum(member.file_size for member in members)
    packed = max(1, sum(member.compress_size for member in members))
    if unpacked > MOST_UNPACKED or (unpacked > 64 << 20 and unpacked / packed > MOST_RATIO):
        raise Invalid(
            f"{name} would unpack to {unpacked:,} bytes from {packed:,}; that is no table of readings.",
            code="archive-too-large",
        )


def notes_of(head: bytes) -> dict[str, str]:
    """The `# key: value` lines at the head of a text file, keys in lower case."""
    notes: dict[str, str] = {}
    for line in _text(head).splitlines():
        if not line.strip():
            continue
        if not line.lstrip().startswith("#"):
            break
        if found := NOTE.match(line.strip()):
            notes[found[1].strip().lower()] = found[2].strip().strip('"')
    return notes


def _text(head: bytes) -> str:
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return head.decode("utf-16", errors="replace")
    try:
        # the head may end inside a character
        return codecs.getincrementaldecoder("utf-8-sig")().decode(head)
    except UnicodeDecodeError:
        return head.decode("cp1252", errors="replace")


def application_in(incoming: Incoming) -> str:
    """The application's code that the file gives, in a note or in its name; "" where it gives none."""
    found = APPLICATION_IN_NAME.search(incoming.name.upper())
    return incoming.notes.get("application", "").strip().upper() or (found[0] if found else "")
