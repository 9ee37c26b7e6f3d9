"""How a figure of a reduction was worked out."""

from __future__ import annotations

from typing import Any

from lims.core.errors import NotFound
from lims.runs import bridge
from lims.runs.models import Reduction


def working_for(reduction: Reduction, figure: str) -> dict[str, Any]:
    """The formulas, inputs and steps of one figure; NotFound where the reduction lacks it or what it was made from."""
    try:
        return bridge.working({**reduction.result, "setup": reduction.setup}, figure)
    except bridge.Failed as failed:
        message = str(failed.error["message"])
        raise NotFound(f"No working can be shown: {message}.", code="no-working") from failed
