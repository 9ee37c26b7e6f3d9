"""One file a method. A method takes what was recorded and the setup, and gives a reduction."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from analysis.methods.steady import reduce_steady
from analysis.results import Reduction

METHODS: Mapping[str, Callable[..., Reduction]] = MappingProxyType({"steady": reduce_steady})
"""Every method of one run by its key."""
