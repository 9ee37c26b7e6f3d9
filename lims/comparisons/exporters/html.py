"""The report as one HTML file that needs nothing beside it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lims.comparisons.papers import paper_of
from lims.comparisons.reports import Standing
from lims.core.papers import page_of_paper


def write(content: Mapping[str, Any], standing: Standing) -> bytes:
    """The report as a page with its drawings in it."""
    return page_of_paper(paper_of(content, standing))
