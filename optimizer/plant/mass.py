"""The unit of mass in which a plant tells lots, feed used and product.

All computations are in tonnes; a ``MassUnit`` converts what people write and read.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal, get_args

from optimizer.plant.units import factor

MassName = Literal["t", "kg", "lb", "short_ton"]
MASSES: tuple[str, ...] = get_args(MassName)
"""Names of the units of mass, as a site file writes them."""


@dataclass(frozen=True)
class MassUnit:
    """A unit of mass.

    Args:
        name: one of ``MASSES``.
    """

    name: str = "t"

    @cached_property
    def per_tonne(self) -> float:
        """How many of this unit are a tonne."""
        return factor("t", self.name)

    def of_tonnes(self, tonnes: float | None) -> float | None:
        """Tonnes in this unit; None stays None."""
        return None if tonnes is None else tonnes * self.per_tonne

    def in_tonnes(self, mass: float | None) -> float | None:
        """A mass of this unit in tonnes; None stays None."""
        return None if mass is None else mass / self.per_tonne


TONNE = MassUnit()
