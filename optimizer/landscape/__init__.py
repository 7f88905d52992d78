"""What surrounds a plan, as numbers: limits, runs, effects, a map, the trade-off, the campaign."""

from optimizer.landscape.record import Landscape
from optimizer.landscape.surroundings import landscape

__all__ = ["Landscape", "landscape"]
