"""What the history says about the deck and about itself: ``diagnose``.

Each module answers one question from a line's evidence and its fitted surrogate: how well it
predicts what it has not seen, where the noise comes from, which setting matters, what is not
known, which runs are doubtful, what drifts. ``diagnosis`` puts the answers together.
"""

from optimizer.diagnostics.diagnosis import diagnose
from optimizer.diagnostics.record import Diagnosis

__all__ = ["Diagnosis", "diagnose"]
