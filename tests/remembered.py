"""Fits and plans that tests have in common: each is made once in a test process.

Hundreds of tests fit the same few runs to tell what an answer says. A fit and a plan depend on
nothing but their arguments and the code, so that equal arguments give an equal answer; the tests of
this module's own promise, ``tests/test_remembered.py`` and ``tests/model/test_fits.py``, make them
anew. A test that replaces any part of the code behind a fit or a plan gets one made by that code.
"""

from __future__ import annotations

import importlib
import pickle
import pkgutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from types import ModuleType
from typing import Any

import joblib
import pytest

import optimizer
from optimizer.evidence.fitting import fit_surrogate
from optimizer.model import surrogate
from optimizer.planning import limits, planner

plan_with_model = planner._plan_with_model

ROOMS = (
    "evidence", "gaussian_process", "history", "interval", "measurement", "model", "numerics",
    "parallel", "planning", "plant", "text", "time_effects",
)  # fmt: skip
"""The code behind a plan: planning, and all rooms below it in the contract of imports."""

# What tests change most, so it belongs to the arguments: ``small_plans`` in ``conftest.py``.
KNOBS = ((surrogate, "MEMBERS"), (limits, "POOL"))


def modules() -> list[ModuleType]:
    """All modules of the rooms, loaded."""
    names = []
    for found in pkgutil.walk_packages(optimizer.__path__, "optimizer."):
        if found.name.split(".")[1] in ROOMS:
            names.append(found.name)
    return [importlib.import_module(name) for name in names]


def namespaces(module: ModuleType) -> Iterator[tuple[Any, dict[str, Any]]]:
    """A module and the classes that it defines, each with a copy of its names."""
    yield module, dict(vars(module))
    for each in vars(module).values():
        if isinstance(each, type) and each.__module__ == module.__name__:
            yield each, dict(vars(each))


class Code:
    """The code of the rooms as it is when this record is made."""

    def __init__(self) -> None:
        knobs = {(module.__name__, name) for module, name in KNOBS}
        self._then = [
            (place, {k: v for k, v in names.items() if (place.__name__, k) not in knobs})
            for module in modules()
            for place, names in namespaces(module)
        ]

    def replaced(self) -> str | None:
        """A name that means something else now, if there is one."""
        for place, names in self._then:
            now = vars(place)
            for name, value in names.items():
                if now.get(name) is not value:
                    return f"{place.__name__}.{name}"
        return None


class Remembered:
    """Answers by all that they depend on.

    Attributes:
        code: the code that makes the answers.
        forgetful: whether to make every answer anew.
    """

    def __init__(self) -> None:
        self.code: Code | None = None
        self.forgetful = False
        self._kept: dict[str, Any] = {}

    @property
    def usable(self) -> bool:
        """Whether what was made before is what would be made now."""
        return not self.forgetful and self.code is not None and not self.code.replaced()

    def of(self, what: Any, make: Callable[[], Any]) -> Any:
        """The answer to equal arguments, made at most once."""
        key = joblib.hash((what, [getattr(module, name) for module, name in KNOBS]))
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]

    def fit(self, evidence, seed, exact=False):
        """As ``fit_surrogate``."""
        if not self.usable:
            return fit_surrogate(evidence, seed, exact)
        own = evidence.take(evidence.measured)
        sources = [own] if evidence.borrowed is None else [own, evidence.borrowed]
        data = [(e.inputs, e.readings, e.feed_odds, e.started, e.lot) for e in sources]
        data.append((evidence.now, evidence.events, evidence.zone))
        what = ("fit", data, evidence.space, evidence.groupings, seed, exact)
        return self.of(what, lambda: fit_surrogate(evidence, seed, exact))

    def plan(self, situation):
        """As ``planner._plan_with_model``, with the same stages of progress."""
        if not self.usable:
            return plan_with_model(situation)
        told: list[str] = []

        def tell(stage: str) -> None:
            told.append(stage)
            situation.progress(stage)

        def make() -> bytes:
            return pickle.dumps((plan_with_model(replace(situation, progress=tell)), told))

        s = situation
        what = ("plan", s.evidence, s.site, s.brief, s.seed, s.under_way, s.snapshot.version)
        plan, stages = pickle.loads(self.of(what, make))
        for stage in stages[len(told) :]:
            situation.progress(stage)
        return plan


@contextmanager
def remembering() -> Iterator[Remembered]:
    """Fits and plans are made once during the ``with`` block."""
    found = Remembered()
    with pytest.MonkeyPatch.context() as patch:
        for module in ("optimizer.planning.situation", "optimizer.evidence.line_model"):
            patch.setattr(f"{module}.fit_surrogate", found.fit)
        patch.setattr(planner, "_plan_with_model", found.plan)
        found.code = Code()
        yield found
