"""The history as files that prove themselves: entries, chain, heads kept outside, and the program that checks them."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import IO, Any

from lims.audit import services, verifier
from lims.audit.models import Entry, Link

ABOUT = """History of the laboratory, exported with the chain that seals it.

entries.jsonl  one entry a line: who (number and name), what, which record, from what to what, when, why
names.json     the names behind the numbers of accounts
chain.jsonl    one link a line: SHA-256 over the link before and the entry's content
heads.txt      heads of the chain that were kept outside the database, where there are any
verify.py      checks all of it: python verify.py (Python 3.11 or newer, nothing else)
"""


def write_export(target: IO[bytes]) -> int:
    """Write the sealed history to `target` as a ZIP archive; returns how many entries it holds."""
    services.seal()
    links = Link.objects.select_related("entry", "entry__actor").order_by("position")
    names: dict[int, str] = {}
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        count = _write_lines(archive, "entries.jsonl", (_content(link, names) for link in links.iterator()))
        _write_lines(archive, "chain.jsonl", (_link(link) for link in links.iterator()))
        archive.writestr("names.json", json.dumps(names, ensure_ascii=False, indent=1))
        archive.writestr("heads.txt", services.kept_heads())
        archive.writestr("verify.py", Path(verifier.__file__).read_text(encoding="utf-8"))
        archive.writestr("README.txt", ABOUT)
    return count


def _write_lines(archive: zipfile.ZipFile, name: str, rows: Iterable[dict[str, Any] | None]) -> int:
    count = 0
    with archive.open(name, "w") as out:
        for row in rows:
            if row is not None:
                out.write(json.dumps(row, ensure_ascii=False).encode() + b"\n")
                count += 1
    return count


def _content(link: Link, names: dict[int, str]) -> dict[str, Any] | None:
    entry: Entry | None = link.entry
    if entry is None:
        return None
    if entry.actor_id is not None and entry.actor is not None:
        names[entry.actor_id] = entry.actor.printed_name
    return services.content_of(entry)


def _link(link: Link) -> dict[str, Any]:
    sealed = link.sealed_at.isoformat()
    return {"position": link.position, "entry": link.entry_id, "digest": link.digest, "sealed_at": sealed}
