"""The settings to run now: the highest worth among settings that are sure enough of the grade.

An uneven deck is seen at once, and what it costs is counted in the worth. A grade that is missed is
seen when the product is assayed, so that is what the settings have to be sure of.

Settings that were tried come first: the best of thousands of predictions is often one that is too
high, and where the model is wrong about a deck it is too high most often where no run corrects it.
So settings that were not tried have to promise clearly more than the best of those that were.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

from optimizer.errors import LimitError
from optimizer.model.coordinates import from_latent
from optimizer.model.selection import sure_after_selection
from optimizer.numerics.lattice_climb import top
from optimizer.planning.hold import OverShift, expected_middlings, outlook, over_shift
from optimizer.planning.objective import Recovery
from optimizer.planning.plan import RunNow
from optimizer.planning.search import best_point
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.planning.situation import Situation

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# Penalty that ranks settings which are not sure enough of the grade below all settings which are.
UNSURE = -1e9
# Smallest difference of the required grade from the feed grade by which an upgrade is measured.
LEAST_UPGRADE = 1e-6
# Standard deviations of the difference by which settings that were not tried have to promise more
# than the best that were. Chosen on campaigns of one seed on six published tables and five families
# of development decks: a threshold of 0.5 left the tables a strict regret of 0.18 (none: 0.23), 1.0
# and 1.3 of 0.10, and on the decks all were alike.
CLEARLY = 1.0
# Most of the settings tried that are looked at for whether they are sure after selection.
MOST_TRIED = 8
# Below this chance of an even deck a plan warns of the settings to run now.
LEAST_EVEN = 0.9


@dataclass(frozen=True)
class Chosen:
    """The settings to run now.

    Attributes:
        point: the settings as a lattice point, shape (d,).
        run_now: the settings as the plan reports them.
        warnings: sentences about doubts regarding these settings.
        over_shift: the settings over a shift whose material varies; else None.
    """

    point: Indices
    run_now: RunNow
    warnings: tuple[str, ...]
    over_shift: OverShift | None = None


def choose_run_now(situation: Situation) -> Chosen:
    """The settings to run now.

    Raises:
        LimitError: when no settings keep product and reject inside the capacity.
    """
    found = sure_after_selection(
        partial(_search, situation),
        partial(_sureness, situation),
        situation.brief.goal.confidence,
    )
    sure = _tried_or_clearly_better(situation, found)
    point = _best(situation, _promise)[0] if sure is None else sure
    over = None if situation.evidence.shift is None else over_shift(situation, point)
    run_now = _described(situation, point, over)
    warnings: tuple[str, ...] = ()
    if sure is None:
        warnings = (
            sentence(
                "not_sure_enough",
                confidence=situation.brief.goal.confidence,
                grade=situation.min_grade,
                chance=run_now.chance_of_grade,
            ),
        )
    even = run_now.chance_even
    if even is not None and even < LEAST_EVEN:
        warnings += (sentence("barely_even", chance=even),)
    return Chosen(point, run_now, warnings, over)


def _tried_or_clearly_better(situation: Situation, found: Indices | None) -> Indices | None:
    """The best settings tried that are sure enough, unless others promise clearly more; shape (d,),
    None where no settings are sure enough.

    Args:
        situation: the situation.
        found: the best settings that a search found sure enough, tried or not, shape (d,).
    """
    tried = _best_tried(situation)
    if found is None or tried is None or np.array_equal(tried, found):
        return tried if found is None else found
    both = np.stack([found, tried])
    worth = _score(situation, both, wanted=0.0)
    sd = float(np.sqrt(np.sum(_variance_of_worth(situation, both))))
    return found if worth[0] - worth[1] > CLEARLY * sd else tried


def _variance_of_worth(situation: Situation, index: Indices) -> Floats:
    """Posterior variance of the worth of lattice points, shape (n, d); shape (n,)."""
    inputs, expect = situation.inputs(index), situation.surrogate.expect
    worth = situation.objective.at(inputs.values)
    mean = expect(lambda S, C, _: worth(S, C), inputs)
    square = expect(lambda S, C, _: worth(S, C) ** 2, inputs)
    return np.clip(square - mean**2, 0.0, None)


def _best_tried(situation: Situation) -> Indices | None:
    """Of the settings tried, those of highest worth that are sure enough after selection, shape
    (d,); None where none are."""
    asked = situation.brief.goal.confidence
    tried = situation.tried[situation.limits.region.contains(situation.tried)]
    if not len(tried):
        return None
    value = _score(situation, tried, wanted=asked)
    for k in top(value, MOST_TRIED):
        if value[k] < 0.5 * UNSURE:
            return None
        if _sureness(situation, tried[k])[1] >= asked:
            return np.asarray(tried[k])
    return None


def _search(situation: Situation, wanted: float) -> Indices | None:
    """The best settings, shape (d,), whose chance before selection is at least ``wanted``.

    Raises:
        LimitError: when no settings keep product and reject inside the capacity.
    """
    point, value = _best(situation, partial(_score, wanted=wanted))
    if value == -np.inf:
        raise LimitError(
            "no settings keep product and reject inside the capacity.",
            code="no-capacity",
            hint="Under [capacity] in the brief raise max_product_rate or max_reject_rate, or "
            "lower min_feed_rate.",
        )
    return None if value < 0.5 * UNSURE else point


def _sureness(situation: Situation, point: Indices) -> tuple[float, float]:
    """Chance that a lattice point, shape (d,), meets the grade, before and after selection."""
    before = float(outlook(situation, point[None, :])[0][0])
    return before, _chance_selected(situation, point)


def _chance_selected(situation: Situation, point: Indices) -> float:
    """Chance that a lattice point, shape (d,), meets the grade, after it was selected."""
    if situation.evidence.shift is None:
        return float(situation.chance_selected(point[None, :])[0])
    return over_shift(situation, point).chance_of_grade


def _best(situation: Situation, score: Callable[..., Floats]) -> tuple[Indices, float]:
    """The lattice point of the highest score, shape (d,), and that score."""
    return best_point(
        lambda index: score(situation, index),
        situation.limits.region,
        situation.starts,
        coarse=lambda index: score(situation, index, coarse=True),
    )


def _promise(situation: Situation, index: Indices, coarse: bool = False) -> Floats:
    """Score, shape (n,), of lattice points, shape (n, d), where no settings are sure enough.

    A product that misses the grade narrowly is worth more than one that misses it widely, and one
    that meets it is worth most. So the score is the average of two expectations: of the recovery
    where the grade is met, else 0; and of the recovery times the share of the upgrade, from the
    feed grade to the grade to reach, that is attained.
    """
    inputs, surrogate = situation.inputs(index), situation.surrogate
    odds, least = situation.evidence.feed_odds_today, situation.min_grade
    feed = float(expit(odds))
    upgrade = max(least - feed, LEAST_UPGRADE)

    def attained(S: Floats, C: Floats, A: Floats) -> Floats:
        grade, recovery = from_latent(S, C, odds)
        return recovery * ((grade >= least) + np.clip((grade - feed) / upgrade, 0.0, 1.0))

    value = 0.5 * surrogate.expect(attained, inputs, coarse) * situation.chance_even(index)
    return np.where(situation.within_capacity(index), value, -np.inf)


def _score(
    situation: Situation, index: Indices, coarse: bool = False, wanted: float = 1.0
) -> Floats:
    """Score, shape (n,), of lattice points, shape (n, d), which the search maximizes.

    Settings that are sure enough of the grade rank by worth times the chance of an even deck, above
    all other settings. The others rank by recovery times the chances of the grade and of an even
    deck: if they come first, no settings are sure enough.
    ``wanted`` is the chance from which settings are sure enough before they are selected.
    """
    chance, recovery = outlook(situation, index, coarse)
    even = situation.chance_even(index)
    worth = recovery
    if not isinstance(situation.objective, Recovery):
        worth = situation.expected_worth(situation.inputs(index), coarse)
    # What loses money on an even deck loses no less on an uneven one.
    worth = np.minimum(worth, worth * even)
    value = np.where(chance >= wanted, worth, UNSURE + chance * even * recovery)
    return np.where(situation.within_capacity(index), value, -np.inf)


def _described(situation: Situation, point: Indices, over: OverShift | None) -> RunNow:
    """The settings at a lattice point, shape (d,), with their expectations; ``over`` are those over
    the shift where the material varies."""
    index, objective = point[None, :], situation.objective
    expected = situation.expected(index)
    value_per_hour = None
    if not isinstance(objective, Recovery):
        value_per_hour = float(situation.expected_worth(situation.inputs(index))[0])
    return RunNow(
        settings=situation.evidence.space.named(point),
        grade=expected.grade[0] if over is None else over.grade,
        recovery=expected.recovery[0] if over is None else over.recovery,
        chance_of_grade=(
            float(situation.chance_selected(index)[0]) if over is None else over.chance_of_grade
        ),
        product_t_per_h=situation.product_tonnes(point),
        tried=bool(np.any(np.all(situation.tried == point, axis=1))),
        value_per_hour=value_per_hour,
        chance_even=float(expected.chance_even[0]),
        middlings=expected_middlings(situation, index)[0],
    )
