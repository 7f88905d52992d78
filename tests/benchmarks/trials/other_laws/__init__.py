"""Families of decks for development whose laws share nothing with the model's beliefs.

None of them has a bed, an exposure, a partition curve of density, or a logistic response. ``deck``
holds what they share: the interface, the mass balance and the readings. ``ridge``, ``cliff`` and
``idle`` are one law each. Nothing here imports the project.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from tests.benchmarks.trials.other_laws.cliff import random_cliff
from tests.benchmarks.trials.other_laws.deck import Feed, OtherDeck
from tests.benchmarks.trials.other_laws.idle import random_idle
from tests.benchmarks.trials.other_laws.ridge import random_ridge

OTHER_LAWS: Mapping[str, Callable[[np.random.Generator], tuple[OtherDeck, Feed]]] = {
    "ridge": random_ridge,
    "cliff": random_cliff,
    "idle": random_idle,
}
"""Each family's name, and the function that draws a deck and its feed."""
