"""What every exporter is: its label, its file's ending, its media type, and the function that writes it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from lims.comparisons.reports import Standing


@dataclass(frozen=True, slots=True)
class Exporter:
    """One kind of file; `function(content, standing)` gives its bytes."""

    label: str
    suffix: str
    media_type: str
    function: Callable[[Mapping[str, Any], Standing], bytes]

    def write(self, content: Mapping[str, Any], standing: Standing) -> bytes:
        """The file's bytes: the same content and standing give the same."""
        return self.function(content, standing)
