"""highside: learns from a deck's own runs which settings to try next.

The public names are resolved on first use, so that importing the package loads nothing heavy.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimizer.comparison import compare
    from optimizer.config import Brief, Site
    from optimizer.diagnostics import diagnose
    from optimizer.errors import HighsideError, HistoryError, InputError, LimitError
    from optimizer.history import History
    from optimizer.intake import load_logs
    from optimizer.planner import suggest

__version__ = "0.1.0"

_HOME = {
    "Brief": "config",
    "Site": "config",
    "compare": "comparison",
    "diagnose": "diagnostics",
    "HighsideError": "errors",
    "HistoryError": "errors",
    "InputError": "errors",
    "LimitError": "errors",
    "History": "history",
    "load_logs": "intake",
    "suggest": "planner",
}

__all__ = [
    "Brief",
    "HighsideError",
    "History",
    "HistoryError",
    "InputError",
    "LimitError",
    "Site",
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
