"""Sets of simulated lines with known attainable recovery and known cause of their loss.

The lines of a set share the material and the family of decks. Each runs at its own best settings
except for one setting that is planted off its best value. Operators vary the settings around this
habit and on some days explore one setting at a time. A drift may also be planted.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
from scipy.special import expit, logit

from optimizer.errors import LimitError
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import Deck, Material, attainable, physics, random_deck, random_material

NAMES = GRAVITY_TABLE.names
# Spread of an operator's habit and range of an exploring day, in unit coordinates.
WANDER = np.array([0.04, 0.035, 0.035, 0.02, 0.02])
REACH = np.array([0.15, 0.18, 0.20, 0.10, 0.08])
EXPLORING = 0.15
# Lowest and highest loss of recovery at the grade that a planted cause may have.
LEAST_LOSS, MOST_LOSS = 0.03, 0.12
# Range and number of upward cut moves in the search for the grade, in contrasts of the material.
CUTS, CUT_STEPS, HALVINGS = 3.0, 61, 30
FIRST_DAY = datetime(2025, 3, 3, 6, 30, tzinfo=UTC)


@dataclass(frozen=True)
class TrueLine:
    """One line: its deck, habit and truth at the set's feed rate, material and grade.

    ``cause`` is the setting planted off its best value; ``rival`` is the share of its cost that the
    best other single setting brings back. Near 1 the data cannot distinguish the two.
    """

    name: str
    deck: Deck
    habit: np.ndarray
    cause: str
    rival: float
    attainable: float
    current: float


@dataclass(frozen=True)
class TrueSet:
    """A set of lines with their runs."""

    lines: tuple[TrueLine, ...]
    runs: pa.Table
    material: Material
    feed_rate: float
    min_grade: float


def credited(deck: Deck, settings: np.ndarray, material: Material, min_grade: float) -> np.ndarray:
    """True recovery at the required grade, shape (n,).

    It is the recovery where the grade is met, otherwise the recovery after the cut density of the
    deck is raised at constant probable error until the grade is met. Independent of
    ``optimizer.comparison``.
    """
    r = deck.run(settings, material)

    def shares(cut: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Recovery and grade at cut densities."""
        wanted, unwanted = (
            deck.bypass
            + (1.0 - 2.0 * deck.bypass)
            * physics.share_to_heavy(deck.laws.partition, mean, spread, cut, r.probable_error)
            for mean, spread in (
                (material.wanted_density, material.wanted_spread),
                (material.unwanted_density, material.unwanted_spread),
            )
        )
        product = material.feed_grade * wanted
        return wanted, product / (product + (1.0 - material.feed_grade) * unwanted)

    # Bisect between the first cut of a row that meets the grade and the cut before it.
    rise = np.linspace(0.0, CUTS, CUT_STEPS) * material.contrast
    meets = np.array([shares(r.cut + up)[1] >= min_grade for up in rise])
    first = np.maximum(np.argmax(meets, axis=0), 1)
    low, high = r.cut + rise[first - 1], r.cut + rise[first]
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        enough = shares(middle)[1] >= min_grade
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    kept = np.where(meets.any(axis=0), shares(high)[0], 0.0)
    return np.where(r.grade >= min_grade, r.recovery, kept)


def make_set(family: str, seed: int, lines: int, days: int = 120, drift: float = 0.0) -> TrueSet:
    """A set of lines of one family.

    Args:
        family: name in ``optimizer.simulation.FAMILIES``.
        seed: seed of all random draws.
        lines: number of lines.
        days: length of the season.
        drift: recovery (fraction) per day that the readings of the first line lose.
    """
    rng = np.random.default_rng(seed)
    material = random_material(rng, family)
    made: list[TrueLine] = []
    tables = []
    while len(made) < lines:
        deck = random_deck(rng, family)
        if not made:
            feed_rate, min_grade = _basis(deck, material, rng)
        line = _line(f"line-{len(made) + 1}", deck, material, feed_rate, min_grade, rng)
        if line is None:
            continue
        tables.append(_season(line, material, days, drift if not made else 0.0, rng))
        made.append(line)
    return TrueSet(tuple(made), pa.concat_tables(tables), material, feed_rate, min_grade)


def _basis(deck: Deck, material: Material, rng: np.random.Generator) -> tuple[float, float]:
    """A feed rate, and a grade that a tenth to a third of the even settings reach at that rate."""
    index = Region.whole(GRAVITY_TABLE).sample(8192, rng)
    r = deck.run(GRAVITY_TABLE.values(index), material)
    even = r.failure < 0.05
    feed_rate = float(np.round(np.median(GRAVITY_TABLE.values(index)[even, 0]), 1))
    return feed_rate, float(np.round(np.quantile(r.grade[even], rng.uniform(0.67, 0.9)), 4))


def _line(
    name: str,
    deck: Deck,
    material: Material,
    feed_rate: float,
    min_grade: float,
    rng: np.random.Generator,
) -> TrueLine | None:
    region = Region.whole(GRAVITY_TABLE).narrow("feed_rate", feed_rate, feed_rate, "basis")
    try:
        best = attainable(deck, material, min_grade, region, seed=int(rng.integers(2**31)))
    except LimitError:
        return None
    j = int(rng.integers(1, 5))
    ways = []
    for level in GRAVITY_TABLE.settings[j].values(np.arange(GRAVITY_TABLE.settings[j].top + 1)):
        moved = best.settings.copy()
        moved[j] = level
        ways.append(moved)
    moved = np.array(ways)
    loss = best.recovery - credited(deck, moved, material, min_grade)
    failure = deck.run(moved, material).failure
    usable = np.flatnonzero((loss > LEAST_LOSS) & (loss < MOST_LOSS) & (failure < 0.1))
    if not len(usable):
        return None
    k = int(rng.choice(usable))
    return TrueLine(
        name,
        deck,
        moved[k],
        NAMES[j],
        _rival(deck, moved[k], j, material, min_grade) / float(loss[k]),
        best.recovery,
        float(best.recovery - loss[k]),
    )


def _rival(
    deck: Deck, habit: np.ndarray, cause: int, material: Material, min_grade: float
) -> float:
    """Gain in recovery of the best single setting other than the cause and the feed rate."""
    gains = []
    for j in set(range(1, 5)) - {cause}:
        levels = GRAVITY_TABLE.settings[j].values(np.arange(GRAVITY_TABLE.settings[j].top + 1))
        tried = np.tile(habit, (len(levels), 1))
        tried[:, j] = levels
        even = deck.run(tried, material).failure < 0.05
        gains.append(np.max(credited(deck, tried, material, min_grade) * even))
    return float(max(gains) - credited(deck, habit[None, :], material, min_grade)[0])


def _season(
    line: TrueLine, material: Material, days: int, drift: float, rng: np.random.Generator
) -> pa.Table:
    settings, day = [], []
    usual = GRAVITY_TABLE.to_unit(line.habit[None, :])[0]
    for d in range(days):
        point = usual + WANDER * rng.standard_normal(5)
        points = [point] * int(rng.integers(1, 4))
        if rng.random() < EXPLORING:
            j = int(rng.integers(5))
            points = []
            for reach in (-1.0, -0.5, 0.5, 1.0):
                moved = usual + 0.3 * WANDER * rng.standard_normal(5)
                moved[j] += reach * REACH[j]
                points.append(moved)
        settings += points
        day += [d] * len(points)
    unit = np.clip(np.array(settings), 0.0, 1.0)
    values = GRAVITY_TABLE.values(
        GRAVITY_TABLE.nearest_index(GRAVITY_TABLE.low + unit * GRAVITY_TABLE.span)
    )
    read = line.deck.measure(values, material, rng)
    recovery = read.recovery
    if drift:
        typical = np.nanmedian(recovery)
        shift = drift * np.array(day) / (typical * (1.0 - typical))
        recovery = expit(logit(np.clip(recovery, 1e-6, 1 - 1e-6)) - shift)
    starts = [FIRST_DAY + timedelta(days=d, minutes=int(rng.integers(0, 600))) for d in day]
    n = len(values)
    return pa.table(
        {
            "run_id": [f"{line.name}-{k:04d}" for k in range(n)],
            "line": [line.name] * n,
            "started_at": pa.array(sorted(starts), pa.timestamp("us", "UTC")),
            "material": pa.nulls(n, pa.string()),
            **{name: values[:, j] for j, name in enumerate(NAMES)},
            "grade": pa.array(read.grade, from_pandas=True),
            "recovery": pa.array(recovery, from_pandas=True),
            "recovery_se": [line.deck.recovery_se] * n,
            "grade_count": [read.grade_count] * n,
            "deck_state": list(read.deck_state),
            "feed_grade": [material.feed_grade] * n,
        }
    )
