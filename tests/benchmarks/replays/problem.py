"""The interface of all problems of the benchmark: settings, readings and the truth.

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
    """The scale of regret.

    Attributes:
        best: true ``y`` of the best settings that meet the constraint.
        span: difference in ``y`` between the best settings and settings of regret 1, above 0.
        miss: a typical ``c`` where the constraint is violated, above 0.
    """

    best: float
    span: float
    miss: float


@dataclass(frozen=True)
class Problem(ABC):
    """One problem with settings on a lattice.

    Attributes:
        name: name of the problem.
        space: lattice of its settings.
        constrained: whether the problem has a constraint; if not, ``c`` always reads -1.
        source: publication of the problem.
    """

    kind: ClassVar[str]
    name: str
    space: SettingSpace
    constrained: bool
    source: str

    @property
    def region(self) -> Region:
        """The whole lattice as a region."""
        return Region.whole(self.space)

    @property
    @abstractmethod
    def scale(self) -> Scale:
        """The scale of regret."""

    @abstractmethod
    def starts(self, seed: int) -> np.ndarray:
        """The first settings of a campaign, shape (8, d), equal for all methods."""

    @abstractmethod
    def read(self, values: np.ndarray, tried: np.ndarray, seed: int) -> tuple[float, float]:
        """A reading of ``y`` and ``c`` at settings, shape (d,); NaN where the run fails.

        Args:
            values: settings to run, shape (d,).
            tried: settings run so far, shape (n, d).
            seed: seed of the campaign.
        """

    @abstractmethod
    def truth(self, values: np.ndarray) -> tuple[float, float]:
        """True ``y`` and ``c`` at settings, shape (d,)."""

    @abstractmethod
    def trial(self, values: np.ndarray, tried: np.ndarray) -> np.ndarray:
        """The settings that are run when a method requests ``values``, shape (d,)."""

    @abstractmethod
    def standing(self, values: np.ndarray) -> np.ndarray:
        """The settings that are judged when a method reports ``values``, shape (d,)."""

    @abstractmethod
    def by_chance(self, tried: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Settings drawn uniformly from those that may be run, shape (d,)."""
