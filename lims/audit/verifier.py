"""Check an exported history on any machine: `python verify.py FOLDER`. Needs Python alone, nothing of the laboratory.

The folder holds `entries.jsonl` (one history entry a line), `chain.jsonl` (one link a line) and, where somebody kept
them outside, `heads.txt` (position and digest of links seen earlier, one a line).
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

START = "0" * 64


def digest_of(content: Mapping[str, Any], *, before: str) -> str:
    """SHA-256 over the link before and every field of the entry, in one canonical form."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(f"{before}\n{text}".encode()).hexdigest()


@dataclass(frozen=True)
class Finding:
    """What a walk along the chain found: how many links stand, and the first that does not."""

    links: int
    broken_at: int | None = None
    broken_entry: int | None = None
    message: str = "every link stands"

    @property
    def holds(self) -> bool:
        """Whether every link stands."""
        return self.broken_at is None


# position, number of the entry, digest, and the entry's content (None: it is gone)
LinkRow = tuple[int, int | None, str, Mapping[str, Any] | None]


def walk(links: Iterable[LinkRow], *, heads: Mapping[int, str] | None = None) -> Finding:
    """Walk the chain; name the first entry that was changed, removed or put in, or a head that it no longer holds."""
    kept = dict(heads or {})
    before, position = START, 0
    for position, link in enumerate(links, start=1):
        problem = _problem(link, position=position, before=before, head=kept.pop(position, None))
        if problem:
            return Finding(position - 1, link[0], link[1], problem)
        before = link[2]
    if kept:
        lost = max(kept)
        return Finding(
            position, lost, None, f"link {lost} was seen earlier and is not there: an older state was put back"
        )
    return Finding(position)


def _problem(link: LinkRow, *, position: int, before: str, head: str | None) -> str:
    at, entry, digest, content = link
    if at != position:
        return f"link {position} is missing"
    if content is None:
        return f"history entry {entry} was removed"
    if digest_of(content, before=before) != digest:
        return f"history entry {entry} was changed"
    if head is not None and head != digest:
        return f"link {position} is another than the one seen earlier: the chain was written anew"
    return ""


def read_heads(text: str) -> dict[int, str]:
    """Heads of the chain kept outside, one a line: position, digest, and whatever follows."""
    rows = (line.split() for line in text.splitlines())
    return {int(row[0]): row[1] for row in rows if len(row) >= 2 and row[0].isdigit()}


def check_folder(folder: Path) -> Finding:
    """Check an export unpacked in `folder`."""
    contents = {row["id"]: row for row in _rows(folder / "entries.jsonl")}
    links = ((r["position"], r["entry"], r["digest"], contents.get(r["entry"])) for r in _rows(folder / "chain.jsonl"))
    heads = folder / "heads.txt"
    return walk(links, heads=read_heads(heads.read_text()) if heads.exists() else {})


def _rows(path: Path) -> Iterator[dict[str, Any]]:
    with path.open(encoding="utf-8") as lines:
        yield from (json.loads(line) for line in lines if line.strip())


def main(arguments: list[str]) -> int:
    """Say what was found; 0 when every link stands, 1 when one does not."""
    found = check_folder(Path(arguments[0] if arguments else "."))
    sys.stdout.write(f"{found.links} links stand. {found.message}.\n")
    return 0 if found.holds else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
