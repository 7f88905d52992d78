"""Whether a plan is of a deck whose middlings are a product of their own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def keeps_middlings(plan: Mapping[str, Any]) -> bool:
    """Whether a plan expects middlings or has a price for them, so that they are asked for.

    Args:
        plan: a ``highside.plan/1`` document.

    >>> keeps_middlings({"run_now": None, "goal": {"prices": {"product": 4.0, "middlings": 2.0}}})
    True
    """
    priced = (plan.get("goal", {}).get("prices") or {}).get("middlings") is not None
    return priced or "middlings" in (plan.get("run_now") or {})
