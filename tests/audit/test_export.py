"""An export of the history proves itself on another machine, and shows what was done to it."""

import io
import json
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from lims.accounts.roles import Role
from lims.audit import services
from lims.audit.exporting import write_export
from lims.audit.models import Entry, Link
from lims.core.errors import Invalid
from tests.factories import person

pytestmark = pytest.mark.django_db


def history(count: int = 6) -> list[Entry]:
    """Some acts of somebody."""
    actor = person(Role.QUALITY)
    return [
        services.record(actor=actor, act="lot.receive", subject=("lot", f"LOT-{n:04d}"), reason="größer als Δ")
        for n in range(1, count + 1)
    ]


def unpacked(folder: Path) -> Path:
    """An export, unpacked."""
    target = io.BytesIO()
    write_export(target)
    zipfile.ZipFile(target).extractall(folder)
    return folder


def verified(folder: Path) -> tuple[int, str]:
    """What the program in the export says, run as an auditor would: alone, without the laboratory's code."""
    command = [sys.executable, "-I", "verify.py", "."]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


def rewrite(path: Path, change: Callable[[list[dict]], list[dict]]) -> None:
    rows = change([json.loads(line) for line in path.read_text().splitlines()])
    path.write_text("\n".join(json.dumps(row, ensure_ascii=False) for row in rows))


def test_an_export_is_verified_without_the_laboratory_and_names_what_was_done_to_it(tmp_path: Path) -> None:
    history()
    folder = unpacked(tmp_path)
    assert verified(folder) == (0, "6 links stand. every link stands.\n")
    entries = folder / "entries.jsonl"
    whole = entries.read_text()
    number = json.loads(whole.splitlines()[2])["id"]
    rewrite(entries, lambda rows: [row | {"reason": "other"} if row["id"] == number else row for row in rows])
    assert verified(folder) == (1, f"2 links stand. history entry {number} was changed.\n")
    entries.write_text(whole)
    rewrite(entries, lambda rows: [row for row in rows if row["id"] != number])
    assert verified(folder) == (1, f"2 links stand. history entry {number} was removed.\n")


def test_an_older_state_put_back_is_found_against_the_heads_kept_outside(settings, tmp_path: Path) -> None:
    settings.HISTORY_HEADS_FILE = str(tmp_path / "heads.txt")
    history()
    services.seal()
    assert services.verify().holds
    newest = Link.objects.order_by("-position").first()
    _without(newest)
    with pytest.raises(CommandError, match="an older state was put back"):
        call_command("history", "verify")


def _without(link: Link) -> None:
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE audit_link DISABLE TRIGGER ALL")
        cursor.execute("DELETE FROM audit_link WHERE position = %s", [link.position])
        cursor.execute("ALTER TABLE audit_link ENABLE TRIGGER ALL")


def test_a_review_moves_a_marker_that_only_goes_on_and_is_itself_recorded(client: Client) -> None:
    rows = history()
    quality = person(Role.QUALITY, username="second")
    client.force_login(quality)
    assert client.post("/records/review/", {"upto": rows[3].pk}).status_code == 302
    assert f"read the history up to entry {rows[3].pk}" in client.get("/records/").content.decode()
    assert Entry.objects.filter(act="history.review", actor=quality).count() == 1
    with pytest.raises(Invalid, match="name a later one"):
        services.review(actor=quality, upto=rows[1].pk)


def test_an_export_from_the_page_is_for_quality_and_auditors_and_leaves_an_entry(client: Client) -> None:
    history()
    client.force_login(person(Role.CHEMIST))
    assert client.post("/records/export/").status_code == 403
    client.force_login(person(Role.AUDITOR))
    answer = client.post("/records/export/")
    names = zipfile.ZipFile(io.BytesIO(answer.content)).namelist()
    assert {"entries.jsonl", "chain.jsonl", "verify.py", "names.json"} <= set(names)
    assert Entry.objects.filter(act="history.export").count() == 1
