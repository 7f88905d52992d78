"""Families of decks for judging alone: laws that nobody develops or tunes a method on.

They share neither bed, exposure nor partition curve with the model, and no functional form with the
families for development in ``other_laws``. ``deck`` holds what they share: interface and readings.
``terraces``, ``kinetics``, ``valley`` and ``hills`` are one law each. Their decks are drawn from
seeds of the judge's half alone: ``decks.problem`` refuses the others. Whoever changes a method
neither reads these modules nor looks at results on single decks of them. Nothing here imports the
project.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from tests.benchmarks.trials.judge_laws.deck import JudgeDeck
from tests.benchmarks.trials.judge_laws.hills import random_hills
from tests.benchmarks.trials.judge_laws.kinetics import random_kinetics
from tests.benchmarks.trials.judge_laws.terraces import random_terraces
from tests.benchmarks.trials.judge_laws.valley import random_valley
from tests.benchmarks.trials.other_laws.deck import Feed

JUDGE_LAWS: Mapping[str, Callable[[np.random.Generator], tuple[JudgeDeck, Feed]]] = {
    "terraces": random_terraces,
    "kinetics": random_kinetics,
    "valley": random_valley,
    "hills": random_hills,
}
"""Each family's name, and the function that draws a deck and its feed."""
