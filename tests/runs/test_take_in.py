"""Looking at a file before anything is stored: what is taken, what is refused and under which code."""

from __future__ import annotations

import hashlib
import io
import resource
import stat
import zipfile

import pytest

from lims.core.errors import Invalid, Refusal, TooLarge
from lims.runs.intake import MOST_MEMBERS, notes_of, take_in

TABLE = b"time [s],hot [degC]\n0,25.0\n1,25.1\n"


def archive(members: dict[str, bytes], *, links: tuple[str, ...] = ()) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in members.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = zipfile.ZIP_DEFLATED
            if name in links:
                info.external_attr = (stat.S_IFLNK | 0o777) << 16
            made.writestr(info, content)
    return out.getvalue()


def code_of(content: bytes, name: str = "run.csv") -> str:
    with pytest.raises(Refusal) as caught:
        take_in(io.BytesIO(content), name=name)
    assert caught.value.message
    return caught.value.code


def test_a_table_is_taken_with_its_digest_and_notes() -> None:
    content = b"# rig: north\n# Sample: S-0311\n\n" + TABLE
    incoming = take_in(io.BytesIO(content), name="C:\\rig\\night\\run 7.csv")
    assert incoming.name == "run 7.csv"
    assert incoming.sha256 == hashlib.sha256(content).hexdigest()
    assert incoming.size == len(content)
    assert incoming.media_type == "text/csv"
    assert incoming.notes == {"rig": "north", "sample": "S-0311"}
    assert incoming.content.read() == content


def test_a_workbook_and_a_parquet_table_are_known_by_their_content() -> None:
    workbook = archive({"[Content_Types].xml": b"<x/>", "xl/workbook.xml": b"<x/>"})
    assert take_in(io.BytesIO(workbook), name="run").media_type.endswith("sheet")
    assert take_in(io.BytesIO(b"PAR1....PAR1"), name="run").media_type.endswith("parquet")


def test_an_empty_file_is_refused() -> None:
    assert code_of(b"") == "file-empty"


@pytest.mark.parametrize("head", [b"MZ\x90\0", b"\x7fELF\x02", b"#!/bin/sh\n", b"\xcf\xfa\xed\xfe"])
def test_a_program_under_another_name_is_refused(head: bytes) -> None:
    assert code_of(head + b"x" * 200, "run.csv") == "file-executable"


def test_binary_data_are_refused() -> None:
    assert code_of(bytes(range(256)) * 4) == "file-type"


def test_an_archive_that_is_no_workbook_is_refused() -> None:
    assert code_of(archive({"a.csv": TABLE}), "night.zip") == "file-type"


def test_a_damaged_archive_is_refused() -> None:
    assert code_of(b"PK\x03\x04" + b"x" * 300) == "archive-damaged"


@pytest.mark.parametrize("member", ["../../x", "/etc/x", "..\\x", "C:/x"])
def test_a_member_that_points_out_of_the_archive_is_refused(member: str) -> None:
    assert code_of(archive({"xl/workbook.xml": b"<x/>", member: b"x"})) == "archive-path"


def test_a_link_in_an_archive_is_refused() -> None:
    assert code_of(archive({"xl/workbook.xml": b"<x/>", "a": b"/etc/passwd"}, links=("a",))) == "archive-link"


def test_too_many_members_are_refused() -> None:
    members = {f"m{n}": b"" for n in range(MOST_MEMBERS + 1)}
    assert code_of(archive(members | {"xl/workbook.xml": b"<x/>"})) == "archive-members"


def test_a_bomb_is_refused_without_unpacking_it() -> None:
    bomb = archive({"xl/workbook.xml": b"<x/>", "xl/worksheets/sheet1.xml": bytes(300 << 20)})
    assert len(bomb) < 1 << 20
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert code_of(bomb) == "archive-too-large"
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 20_000  # kB


def test_a_file_beyond_the_limit_is_refused(settings) -> None:
    settings.MAX_UPLOAD_BYTES = 20
    with pytest.raises(TooLarge) as caught:
        take_in(io.BytesIO(TABLE), name="run.csv")
    assert caught.value.code == "file-too-large"


def test_another_digest_than_stated_is_refused() -> None:
    with pytest.raises(Invalid) as caught:
        take_in(io.BytesIO(TABLE), name="run.csv", digest="0" * 64)
    assert caught.value.code == "digest-mismatch"


def test_notes_end_with_the_head_and_may_be_in_an_older_encoding() -> None:
    content = "# Prüfer: Müller\n# kind: zero\ntime [s]\n# rig: not a note any more\n".encode("cp1252")
    assert notes_of(content) == {"kind": "zero"} | {k: v for k, v in notes_of(content).items() if "fer" in k}
    assert "rig" not in notes_of(content)


def test_notes_behind_a_byte_order_mark_are_read() -> None:
    assert notes_of(b"\xef\xbb\xbf# kind: zero\r\n# rig: south;\r\ntime\r\n") == {"kind": "zero", "rig": "south"}
