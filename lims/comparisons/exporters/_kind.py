"""What every exporter is: its label, its file's ending, its media type, and the function that writes it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from lims.comparisons.reports import Standing


@dataclass(frozen=True, slots=True)
class Exporter:
    """One kind of file: `write(content, standing)` gives its bytes."""

    label: str
    suffix: str
    media_type: str
    write: Callable[[Mapping[str, Any], Standing], bytes]
