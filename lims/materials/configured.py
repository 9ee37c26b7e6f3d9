"""Properties that a laboratory adds by its own configuration: a TOML file, named by PROPERTIES_FILE.

    [[property]]
    key = "whiteness"
    label = "whiteness"
    dimension = "ratio"
    shown = "%"
    least = 0.0          # SI; what lies outside is refused
    most = 1.0
    kinds = ["filler"]   # asked for with these kinds of material

Forms, lists, limits, the programming interface and exports have it at the next start; no table changes.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.core.exceptions import ImproperlyConfigured

from lims.core.errors import Invalid
from lims.core.quantities import to_si

KEY = re.compile(r"^[a-z][a-z0-9_]{0,38}$")
NEEDED = ("key", "label", "dimension", "shown")
KNOWN = {*NEEDED, "least", "most", "kinds"}


@dataclass(frozen=True, slots=True)
class Property:
    """A property of a lot: its dimension (of `analysis.units`), the unit it is shown in, its physical range in SI."""

    key: str
    label: str
    dimension: str
    shown: str
    least: float = 0.0
    most: float = float("inf")


@dataclass(frozen=True, slots=True)
class Added:
    """A property of the laboratory's own, and the kinds of material it is asked for."""

    property: Property
    kinds: tuple[str, ...] = ()


def read_properties(path: Path | None) -> tuple[Added, ...]:
    """The properties in the file; ImproperlyConfigured names the entry that is wrong. None: there are none."""
    if path is None:
        return ()
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ImproperlyConfigured(f"PROPERTIES_FILE {path}: {error}") from error
    found = tuple(_added(entry, f"PROPERTIES_FILE {path}, property {n}") for n, entry in _entries(content, path))
    keys = [one.property.key for one in found]
    if len(set(keys)) < len(keys):
        raise ImproperlyConfigured(f"PROPERTIES_FILE {path}: a key stands there twice")
    return found


def _entries(content: Mapping[str, Any], path: Path) -> Iterator[tuple[int, Any]]:
    rows = content.get("property")
    if not isinstance(rows, list) or set(content) != {"property"}:
        raise ImproperlyConfigured(f"PROPERTIES_FILE {path}: tables [[property]] are expected, and nothing else")
    return enumerate(rows, start=1)


def _added(entry: Mapping[str, Any], where: str) -> Added:
    missing = [name for name in NEEDED if not isinstance(entry.get(name), str) or not entry[name]]
    if missing or not set(entry) <= KNOWN:
        unknown = ", ".join(sorted(set(entry) - KNOWN))
        raise ImproperlyConfigured(
            f"{where}: missing {', '.join(missing) or 'nothing'}; unknown {unknown or 'nothing'}"
        )
    if not KEY.match(entry["key"]):
        raise ImproperlyConfigured(f"{where}: the key is '{entry['key']}'; small letters, digits and _ are expected")
    try:
        to_si(1.0, unit=entry["shown"], of=entry["dimension"])
    except Invalid as error:
        raise ImproperlyConfigured(f"{where}: {error.message}") from error
    except KeyError as error:
        raise ImproperlyConfigured(f"{where}: there is no dimension '{entry['dimension']}'") from error
    least, most = float(entry.get("least", 0.0)), float(entry.get("most", float("inf")))
    if not least < most:
        raise ImproperlyConfigured(f"{where}: least {least:g} is not below most {most:g}")
    names = {name: entry[name] for name in NEEDED}
    return Added(Property(**names, least=least, most=most), tuple(map(str, entry.get("kinds", ()))))
