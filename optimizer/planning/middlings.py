"""What a plan expects of middlings that are kept as a product, and what it cannot know of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.evidence.middlings import FEWEST, middlings_readings
from optimizer.interval import Interval, Intervals
from optimizer.planning.plan import ExpectedMiddlings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimizer.model.share_process import ShareProcess
    from optimizer.planning.situation import Situation

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

ENDS = ("mean", "low", "high")


def expected_middlings(situation: Situation, index: Indices) -> Sequence[ExpectedMiddlings | None]:
    """Share and grade of the middlings at lattice points, shape (n, d); n Nones where too few runs
    tell of them."""
    return expected_middlings_at(situation, situation.evidence.space.values(index))


def expected_middlings_at(
    situation: Situation, values: Floats
) -> Sequence[ExpectedMiddlings | None]:
    """The same for values of the settings, shape (n, d), on the lattice or not.

    Where the material varies over the shift, share and grade are those of the middlings of the
    whole shift. Their intervals take the errors at all materials as equal, which makes them too
    wide rather than too narrow.
    """
    found = situation.middlings
    if found is None:
        return [None] * len(values)
    share, weights = _over_shift(situation, found.share, values, None)
    grade: list[Interval] | list[None] = [None] * len(values)
    if found.grade is not None:
        grade = _over_shift(situation, found.grade, values, weights)[0]
    return [ExpectedMiddlings(*each) for each in zip(share, grade, strict=True)]


def _over_shift(
    situation: Situation, process: ShareProcess, values: Floats, weights: Floats | None
) -> tuple[list[Interval], Floats]:
    """Intervals of a share over the k materials of the shift, and the mass of the share in each of
    them, shape (k, n).

    Args:
        situation: the situation.
        process: the share.
        values: values of the settings, shape (n, d).
        weights: weight of each material, shape (k, n); its share in the feed when None.
    """
    e = situation.evidence
    materials = [e.today] if e.shift is None else list(e.shift.today)
    each = [process.predict(e.inputs_at(values, material)) for material in materials]
    if weights is None:
        of_feed = np.ones(1) if e.shift is None else e.shift.share
        weights = np.tile(of_feed[:, None], len(values))
    parts = weights / weights.sum(axis=0)
    ends = (np.stack([getattr(one, end) for one in each]) for end in ENDS)
    over = Intervals(*(np.sum(parts * end, axis=0) for end in ends))
    mass = weights * np.stack([one.mean for one in each])
    return [over[k] for k in range(len(over))], mass


def doubts_of_middlings(situation: Situation) -> list[str]:
    """Warnings about prices of middlings without readings, and readings without a price."""
    prices = situation.brief.goal.prices
    if prices is None:
        return []
    known = middlings_readings(situation.evidence)
    if prices.middlings is not None and known < FEWEST:
        runs = {0: "no run states", 1: "only 1 run states"}.get(known, f"only {known} runs state")
        return [
            f"[goal.prices] has a price of middlings, but {runs} a middlings_share, and {FEWEST} "
            "are needed: the value of an hour takes what is not product as reject. Weigh the "
            "middlings of the next runs and log middlings_share."
        ]
    if prices.middlings is None and known >= FEWEST:
        return [
            f"{known} runs state a middlings_share, but [goal.prices] has no price of middlings: "
            "the value of an hour takes them as reject."
        ]
    return []
