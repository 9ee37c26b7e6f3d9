"""The report as PDF/A-2b."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lims.comparisons.papers import paper_of
from lims.comparisons.reports import Standing
from lims.core.papers import draw_paper


def write(content: Mapping[str, Any], standing: Standing) -> bytes:
    """The report as PDF/A-2b; the same content and standing give the same bytes."""
    return draw_paper(paper_of(content, standing))
