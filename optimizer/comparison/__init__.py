"""Compares lines on the same material, feed rate and grade: ``compare``.

The comparison states for every line the recovery of its present settings, the recovery that the
line could reach, and the settings that make the difference. Each line is fitted only to its own
runs, so that bad data of one line cannot affect another.
"""

from optimizer.comparison.comparing import compare
from optimizer.comparison.density_fractions import read_fractions
from optimizer.comparison.record import Comparison
from optimizer.comparison.request import ComparisonRequest, Prices

__all__ = ["Comparison", "ComparisonRequest", "Prices", "compare", "read_fractions"]
