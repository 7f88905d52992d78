"""The surroundings of a plan as numbers: limits, runs, effects, a map, trade-off and campaign."""

from optimizer.landscape.record import Landscape
from optimizer.landscape.surroundings import landscape, today_of, usual_pair
from optimizer.landscape.timeline import Happening, timeline

__all__ = ["Happening", "Landscape", "landscape", "timeline", "today_of", "usual_pair"]
