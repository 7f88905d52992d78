"""An issued plan until its last result: its trials, what was measured, how surprising it is.

In come the issued batches of a history (``optimizer.history.issued``); out come the documents
``highside.batch/1`` and ``highside.batches/1``, the surprise of each result, and what finished
batches taught.
"""

from optimizer.campaign.lessons import Lesson
from optimizer.campaign.noise import reading_noise
from optimizer.campaign.record import (
    Batch,
    Batches,
    Trial,
    batch_of,
    batches_in_pieces,
    batches_of,
    told_in_turn,
)

__all__ = [
    "Batch",
    "Batches",
    "Lesson",
    "Trial",
    "batch_of",
    "batches_in_pieces",
    "batches_of",
    "reading_noise",
    "told_in_turn",
]
