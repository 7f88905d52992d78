"""Lines side by side on equal footing: ``compare``.

Every line is asked the same question: with this material, at this feed rate, how much does it
recover at this grade, how much could it, and which settings make the difference? Each line is
fitted on its own runs alone, so that one line's bad data cannot mislead another.
"""

from optimizer.comparison.comparing import compare
from optimizer.comparison.density_fractions import read_fractions
from optimizer.comparison.record import Comparison
from optimizer.comparison.request import ComparisonRequest, Prices

__all__ = ["Comparison", "ComparisonRequest", "Prices", "compare", "read_fractions"]
