"""The surroundings of a plan as numbers: limits, runs, effects, a map, trade-off and campaign."""

from optimizer.landscape.record import Landscape
from optimizer.landscape.surroundings import landscape, today_of

__all__ = ["Landscape", "landscape", "today_of"]
