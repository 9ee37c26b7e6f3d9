"""How long browsers may keep a static file. Apart, since the settings import it."""

from typing import Any

FOR_EVER = "public, max-age=31536000, immutable"
# Below these prefixes every page uses the address with its version, so a browser may keep the file for ever.
VERSIONED_PREFIXES = ("/static/packages/", "/static/django_htmx/")


def add_static_headers(headers: Any, path: str, url: str) -> None:
    """Let browsers keep versioned files for ever; all others are asked for again after a minute."""
    if url.startswith(VERSIONED_PREFIXES):
        headers["Cache-Control"] = FOR_EVER
