"""highside: learns from a deck's own runs which settings to try next.

The public names are resolved on first use, so that importing the package loads nothing heavy.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from optimizer.version import __version__

if TYPE_CHECKING:
    from optimizer.comparison import compare
    from optimizer.diagnostics import diagnose
    from optimizer.errors import HighsideError, HistoryError, InputError, LimitError
    from optimizer.history.history import History
    from optimizer.intake.settling.load import load_logs
    from optimizer.planning.planner import suggest
    from optimizer.plant.brief import Brief
    from optimizer.plant.site import Site

_HOME = {
    "Brief": "plant.brief",
    "Site": "plant.site",
    "compare": "comparison",
    "diagnose": "diagnostics",
    "HighsideError": "errors",
    "HistoryError": "errors",
    "InputError": "errors",
    "LimitError": "errors",
    "History": "history.history",
    "load_logs": "intake.settling.load",
    "suggest": "planning.planner",
}

__all__ = [
    "Brief",
    "HighsideError",
    "History",
    "HistoryError",
    "InputError",
    "LimitError",
    "Site",
    "__version__",
    "compare",
    "diagnose",
    "load_logs",
    "suggest",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'optimizer' has no attribute '{name}'")
    return getattr(import_module(f"optimizer.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
