"""What every problem of the benchmark offers: settings, readings, the truth behind them.

One quantity ``y`` is to be as large as possible while another, ``c``, stays at or below 0.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from optimizer.plant.region import Region
from optimizer.plant.settings import SettingSpace

STARTS = 8
"""Runs that every campaign begins with."""


@dataclass(frozen=True)
class Scale:
    """What regret is measured by.

    Attributes:
        best: true ``y`` of the best settings that meet the constraint.
        span: ``y`` from there down to settings of no merit, above 0.
        miss: a typical ``c`` where the constraint is missed, above 0.
    """

    best: float
    span: float
    miss: float


@dataclass(frozen=True)
class Problem(ABC):
    """One problem.

    Attributes:
        name: of the problem.
        space: its settings on a lattice.
        constrained: whether there is a ``c``; where there is none it reads -1 throughout.
        source: who published it.
    """

    kind: ClassVar[str]
    name: str
    space: SettingSpace
    constrained: bool
    source: str

    @property
    def region(self) -> Region:
        """All of the lattice."""
        return Region.whole(self.space)

    @property
    @abstractmethod
    def scale(self) -> Scale:
        """What regret is measured by."""

    @abstractmethod
    def starts(self, seed: int) -> np.ndarray:
        """The first settings of a campaign, shape (8, d): the same whoever plans it."""

    @abstractmethod
    def read(self, values: np.ndarray, tried: np.ndarray, seed: int) -> tuple[float, float]:
        """A reading of ``y`` and ``c`` at settings, shape (d,); NaN where the run fails.

        Args:
            values: what to run.
            tried: what was run so far, shape (n, d).
            seed: of the campaign.
        """

    @abstractmethod
    def truth(self, values: np.ndarray) -> tuple[float, float]:
        """True ``y`` and ``c`` at settings, shape (d,)."""

    @abstractmethod
    def trial(self, values: np.ndarray, tried: np.ndarray) -> np.ndarray:
        """What is run when a method asks for ``values``, shape (d,)."""

    @abstractmethod
    def standing(self, values: np.ndarray) -> np.ndarray:
        """What is judged when a method would run production on ``values``, shape (d,)."""

    @abstractmethod
    def by_chance(self, tried: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Settings drawn evenly from those that may be run, shape (d,)."""
