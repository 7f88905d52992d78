"""The value of other varieties' runs for a new variety on the same line, and their cost when they
mislead.

    python -m tests.benchmarks.varieties --decks 8 --workers 2

A deck has run two varieties, 50 times each: half of the runs spread over the settings that run
even, half about a habit. A third variety comes, and has 0 to 10 runs of its own at spread settings.
The plan of the settings to run now is made in three ways: *cold*, from the runs of the new variety
alone; *ignored*, from all runs as if they were of one variety; *borrowed*, from all runs with their
labels. *Related* varieties differ from the new one in where their densities lie (by a fifth of the
contrast), in the contrast, the spreads and the size. *Hostile* ones run as if tilt, speed and air
acted the other way round, *one hostile* has one related and one hostile variety.

The gap is the gap in proportion of the settings to run now (see ``trials.task``); without settings
to run now it is all there is to win. Coverage is the share of true grades and recoveries that lie
in their 90 % intervals, at 100 settings where the deck runs even. Writes reports/varieties.md.

Goal: other varieties close the gap of a new one with fewer runs of its own, and where they mislead
it does no worse than a cold start.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
from threadpoolctl import threadpool_limits

from optimizer.history.snapshot import Snapshot
from optimizer.planning.run_now import choose_run_now
from optimizer.planning.situation import FEWEST_TO_LEARN, situation_of
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from tests.benchmarks.trials.decks import REGION, Problem, problem
from tests.benchmarks.trials.task import Task, settings_of

KINDS = ("related", "one hostile", "hostile")
ARMS = ("cold", "ignored", "borrowed")
OWN = (0, 1, 2, 3, 5, 7, 10)
RUNS, SHOWN = 50, 100
# A variety's mean densities lie this share of the contrast from those of the new one, one standard
# deviation; contrast, spreads and size differ by these standard deviations of their logarithms.
SHIFT, CONTRAST, SPREADS, SIZE = 0.2, 0.1, 0.15, 0.08
HABIT_SD = 0.06
NEW, OTHERS = "new", ("first", "second")


@dataclass(frozen=True)
class Key:
    """What identifies one new variety."""

    family: str
    demand: str
    seed: int
    kind: str


def variety(material: Any, rng: np.random.Generator) -> Any:
    """Another variety of a material."""
    shift = SHIFT * material.contrast * rng.standard_normal()
    contrast = material.contrast * rng.lognormal(0.0, CONTRAST)
    wanted, unwanted, size = rng.lognormal(0.0, (SPREADS, SPREADS, SIZE))
    return replace(
        material,
        wanted_density=material.wanted_density + shift,
        unwanted_density=material.wanted_density + shift - contrast,
        wanted_spread=material.wanted_spread * wanted,
        unwanted_spread=material.unwanted_spread * unwanted,
        size=material.size * size,
    )


def _mirrored(values: np.ndarray) -> np.ndarray:
    """Settings with tilt, speed and air mirrored within their ranges, shape (n, 5)."""
    unit = GRAVITY_TABLE.to_unit(values)
    unit[:, 2:] = 1.0 - unit[:, 2:]
    # A tilt or speed of 0 has no logarithm.
    return GRAVITY_TABLE.low + np.clip(unit, 0.0, 1.0) * GRAVITY_TABLE.span


@dataclass(frozen=True)
class _Mirror:
    """A deck with mirrored tilt, speed and air."""

    deck: Any

    def measure(self, values: np.ndarray, material: Any, rng: np.random.Generator) -> Any:
        return self.deck.measure(_mirrored(values), material, rng)


def runs_of_other(p: Problem, number: int, hostile: bool) -> pa.Table:
    """The runs of another variety: half spread over settings that run even, half about a habit."""
    rng = np.random.default_rng((p.seed, 21, number))
    material = variety(p.material, rng)
    values = GRAVITY_TABLE.values(REGION.sample(2000, rng))
    truth = p.deck.run(_mirrored(values) if hostile else values, material)
    even = np.flatnonzero(truth.failure < 0.5)
    usual = values[even][np.argmax((truth.grade * truth.recovery)[even])]
    unit = GRAVITY_TABLE.to_unit(usual) + HABIT_SD * rng.standard_normal((RUNS // 2, 5))
    habit = GRAVITY_TABLE.low + np.clip(unit, 0.0, 1.0) * GRAVITY_TABLE.span
    habit = GRAVITY_TABLE.values(GRAVITY_TABLE.nearest_index(habit))
    deck = _Mirror(p.deck) if hostile else p.deck
    task = Task(replace(p, deck=deck, material=material), starts=0)
    task.run(np.vstack([values[even[: RUNS - len(habit)]], habit]))
    return labelled(task.table(), OTHERS[number])


def labelled(runs: pa.Table, label: str | None) -> pa.Table:
    """The runs with this label of their material."""
    column = pa.array([label] * runs.num_rows, pa.string())
    return runs.set_column(runs.column_names.index("material"), "material", column)


def judged(p: Problem, runs: pa.Table, label: str | None, shown: np.ndarray) -> dict[str, float]:
    """Gap of the settings to run now, and coverage and width of intervals at the settings shown."""
    task = Task(p, starts=0)
    brief = task.brief().model_copy(update={"material": {"feed_grade": p.feed_grade}})
    if label is not None:
        brief = brief.model_copy(update={"material": {**brief.material, "material": label}})
    situation = situation_of(Snapshot.of_table(runs), Site(), brief, seed=p.seed)
    if situation.known_runs < FEWEST_TO_LEARN:
        return {"gap": task.gaps(None)[1]}
    now = choose_run_now(situation).run_now
    gap = task.gaps(None if now is None else settings_of(now.settings))[1]
    truth, e = p.deck.run(shown, p.material), situation.evidence
    told = situation.surrogate.predict(e.inputs_at(shown), e.feed_odds_today)
    inside = [
        np.mean((told_.low <= true) & (true <= told_.high))
        for told_, true in ((told.grade, truth.grade), (told.recovery, truth.recovery))
    ]
    width = np.mean(told.recovery.high - told.recovery.low)
    error = np.mean(np.abs(told.recovery.mean - truth.recovery))
    numbers = {"gap": gap, "grade": inside[0], "recovery": inside[1], "width": width}
    return {k: round(float(v), 5) for k, v in {**numbers, "error": error}.items()}


def start(key: Key) -> dict[str, Any]:
    """Every arm of one new variety after each number of runs of its own."""
    with threadpool_limits(1):
        p = problem(key.family, key.demand, key.seed)
        hostile = {"related": (), "one hostile": (1,), "hostile": (0, 1)}[key.kind]
        others = pa.concat_tables([runs_of_other(p, k, k in hostile) for k in range(2)])
        rng = np.random.default_rng((p.seed, 22))
        task = Task(p, starts=0)
        values = GRAVITY_TABLE.values(REGION.sample(2000, rng))
        even = values[p.deck.run(values, p.material).failure < 0.5]
        shown, spread = even[:SHOWN], GRAVITY_TABLE.values(REGION.sample(OWN[-1], rng))
        found: dict[str, list[Any]] = {arm: [] for arm in ARMS}
        for n in OWN:
            task.run(spread[len(task.values) : n])
            own = task.table()
            both = pa.concat_tables([others, labelled(own, NEW)])
            found["cold"].append(judged(p, own, None, shown))
            found["ignored"].append(judged(p, labelled(both, None), None, shown))
            found["borrowed"].append(judged(p, both, NEW, shown))
    return {**asdict(key), "best": round(p.best, 5), **found}
