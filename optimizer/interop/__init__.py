"""Doors to general-purpose libraries, each loaded only when it is used.

``SurrogateRegressor`` is an estimator of scikit-learn, ``Optimizer`` asks and tells as scikit-
optimize does. Both are made of the process and the gain with which decks are planned. Nothing else
imports this room; attributes of other rooms reach it by name.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimizer.interop.ask_tell import Optimizer
    from optimizer.interop.figures import report_figures
    from optimizer.interop.regressor import SurrogateRegressor

_HOME = {"Optimizer": "ask_tell", "SurrogateRegressor": "regressor", "report_figures": "figures"}

__all__ = ["Optimizer", "SurrogateRegressor", "report_figures"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'optimizer.interop' has no attribute '{name}'")
    return getattr(import_module(f"optimizer.interop.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
