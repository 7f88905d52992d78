"""Lines side by side on equal footing: ``compare``.

For every line, on the same material, feed rate and grade: the recovery of its present settings, the
recovery that it could reach, and the settings that make the difference. Each line is fitted on its
own runs alone, so that bad data of one line cannot mislead another.
"""

from optimizer.comparison.comparing import compare
from optimizer.comparison.density_fractions import read_fractions
from optimizer.comparison.record import Comparison
from optimizer.comparison.request import ComparisonRequest, Prices

__all__ = ["Comparison", "ComparisonRequest", "Prices", "compare", "read_fractions"]
