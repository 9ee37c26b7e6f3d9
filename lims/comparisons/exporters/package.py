"""The data package: a zip from which another machine computes the same ranking without the web.

It holds the files as they came, the setups, the results, the question and the frozen content, described by an RO-Crate
1.1 metadata file (https://w3id.org/ro/crate/1.1). Its entries stand in order and carry the date of the report, so that
the same content gives the same bytes.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Iterator, Mapping
from typing import Any

from lims.comparisons.bridge import result_of
from lims.comparisons.exporters.pdf import write as write_pdf
from lims.comparisons.reports import Standing
from lims.core.errors import Unavailable
from lims.files.models import StoredFile
from lims.files.selectors import open_file
from lims.files.services import clean_name
from lims.signatures.services import canonical

CHUNK = 1 << 20
OLDEST = (1980, 1, 1, 0, 0, 0)  # the first date a zip can hold
COMMAND = "python -m analysis compare results/*.json --question question.json --json"
MEDIA = {"json": "application/json", "csv": "text/csv", "pdf": "application/pdf", "txt": "text/plain"}


def write(content: Mapping[str, Any], standing: Standing) -> bytes:
    """The package; the same content and standing give the same bytes."""
    out = io.BytesIO()
    entries: list[dict[str, Any]] = []
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, data in _entries(content, standing):
            entries.append({"@id": name, **_put(package, name, data, _date(standing))})
        crate = json.dumps(_crate(content, standing, entries), indent=2, ensure_ascii=False).encode()
        _put(package, "ro-crate-metadata.json", crate, _date(standing))
    return out.getvalue()


def _date(standing: Standing) -> tuple[int, ...]:
    return tuple(standing.at.utctimetuple()[:6]) if standing.at else OLDEST


def _put(package: zipfile.ZipFile, name: str, data: bytes | StoredFile, date: tuple[int, ...]) -> dict[str, Any]:
    """Write one entry; returns its size and digest."""
    entry = zipfile.ZipInfo(name, date)  # type: ignore[arg-type]
    entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
    digest, size = hashlib.sha256(), 0
    with package.open(entry, "w", force_zip64=isinstance(data, StoredFile)) as written:
        for chunk in _chunks(data):
            written.write(chunk)
            digest.update(chunk)
            size += len(chunk)
    return {"contentSize": str(size), "sha256": digest.hexdigest()}


def _chunks(data: bytes | StoredFile) -> Iterator[bytes]:
    if isinstance(data, bytes):
        yield data
        return
    with open_file(data) as stored:
        yield from iter(lambda: stored.read(CHUNK), b"")


def _entries(content: Mapping[str, Any], standing: Standing) -> Iterator[tuple[str, bytes | StoredFile]]:
    yield "README.txt", _readme(content, standing).encode()
    yield "content.json", canonical(dict(content)).encode()
    yield "question.json", _json(content["asked"])
    yield "ranking.json", _json(content["ranking"])
    yield "figures/ranking.svg", content["drawing"]["svg"].encode()
    yield "report.pdf", write_pdf(content, standing)
    for row in sorted(content["rows"], key=lambda one: one["run"]):
        yield f"results/{row['run']}.json", _json(result_of(row))
    for one in content["reductions"]:
        yield f"setups/{one['run']}.json", _json(one["setup"])
    yield from _files(content)


def _files(content: Mapping[str, Any]) -> Iterator[tuple[str, StoredFile]]:
    """Every file a reduction took in, once, under its digest and name; `files.json` of the README names the roles."""
    digests = sorted({digest for one in content["reductions"] for digest in one["files"].values() if digest})
    stored = {row.sha256: row for row in StoredFile.objects.filter(sha256__in=digests)}
    for digest in digests:
        if digest not in stored:
            raise Unavailable(f"The storage has lost the file {digest[:12]} of this package.", code="file-missing")
        yield file_name(stored[digest]), stored[digest]


def file_name(row: StoredFile) -> str:
    """Where a stored file stands in the package."""
    return f"files/{row.sha256[:16]}-{clean_name(row.name)}"


def _json(data: Any) -> bytes:
    return json.dumps(data, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False).encode()


def _readme(content: Mapping[str, Any], standing: Standing) -> str:
    name = standing.code or f"draft about {content['comparison']}"
    lines = [
        f"{content['title']} ({name})",
        f"{content['ranking']['title']}",
        *standing.notices,
        "",
        "The same ranking on another machine, in the folder this was unpacked to:",
        f"    {COMMAND}",
        f"with version {content['software']['analysis']} of the analysis package. ranking.json is what it gave here.",
        "",
        "results/   one result a run: figures in SI units, flags, and why a run was left out",
        "setups/    the setup each run was reduced with; python -m analysis reduce FILE --setup setups/RUN.json",
        "files/     the files as they came, under the beginning of their SHA-256; which file has which role:",
    ]
    for one in content["reductions"]:
        roles = ", ".join(f"{role} {digest[:16]}" for role, digest in sorted(one["files"].items()) if digest)
        lines.append(f"    {one['run']}: {roles}")
    lines += [
        "content.json  exactly what was shown, in canonical form; its SHA-256 is the digest of the report:",
        f"    {standing.digest or 'a draft has none'}",
    ]
    return "\n".join(lines) + "\n"


def _crate(content: Mapping[str, Any], standing: Standing, entries: list[dict[str, Any]]) -> dict[str, Any]:
    date = standing.at.date().isoformat() if standing.at else ""
    files = [{"@type": "File", **one, "name": one["@id"], "encodingFormat": _media(one["@id"])} for one in entries]
    root = {
        "@id": "./",
        "@type": "Dataset",
        "name": content["title"],
        "description": f"{standing.code or 'Draft'}: {content['ranking']['title']}. {content['question']}".strip(),
        "identifier": standing.code or content["comparison"],
        **({"datePublished": date} if date else {}),
        "license": "Use as agreed with the laboratory.",
        "author": {"@id": "#laboratory"},
        "hasPart": [{"@id": one["@id"]} for one in entries],
    }
    described = {
        "@id": "ro-crate-metadata.json",
        "@type": "CreativeWork",
        "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
        "about": {"@id": "./"},
    }
    by = {"@id": "#laboratory", "@type": "Organization", "name": content["laboratory"]["name"]}
    software = {
        "@id": "#analysis",
        "@type": "SoftwareApplication",
        "name": "analysis",
        "softwareVersion": content["software"]["analysis"],
    }
    made = {
        "@id": "#ranking",
        "@type": "CreateAction",
        "name": COMMAND,
        "instrument": {"@id": "#analysis"},
        "result": {"@id": "ranking.json"},
    }
    graph = [described, root, by, software, made, *files]
    return {"@context": "https://w3id.org/ro/crate/1.1/context", "@graph": graph}


def _media(name: str) -> str:
    return MEDIA.get(name.rsplit(".", 1)[-1].lower(), "application/octet-stream")
