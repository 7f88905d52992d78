"""The value of other varieties' runs for a new variety on the same line, and their cost when they
mislead.

    python -m tests.benchmarks.varieties --first 7200 --decks 4 --workers 2

A deck has run two varieties, 30 times each: half of the runs spread over the settings that run
even, half about a habit. A third variety comes, and has 0 to 10 runs of its own at spread settings.
The plan of the settings to run now is made in three ways: *cold*, from the runs of the new variety
alone; *ignored*, from all runs as if they were of one variety; *borrowed*, from all runs with their
labels. *Related* varieties differ from the new one in where their densities lie (by a fifth of the
contrast), in the contrast, the spreads and the size. *Hostile* ones run as if tilt, speed and air
acted the other way round.

The gap is the gap in proportion of the settings to run now (see ``trials.task``); without settings
to run now it is all there is to win. Coverage is the share of true grades and recoveries that lie
in their 90 % intervals, at 100 settings where the deck runs even. Gaps are told as mean (90 %
interval of the mean over decks), median, worst; where a plan has no model yet, it has neither
coverage nor error. Writes reports/varieties.md.

Goal: other varieties close the gap of a new one with fewer runs of its own, and where they mislead
it does no worse than a cold start.
"""

from __future__ import annotations

import sys
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
from optimizer.simulation import FAMILIES
from tests.benchmarks.trials.campaigns import Kept, each, stamp
from tests.benchmarks.trials.command import parser, report_file
from tests.benchmarks.trials.decks import REGION, Problem, problem
from tests.benchmarks.trials.task import Task, settings_of

KINDS = ("related", "hostile")
ARMS = tuple(f"{kind}, {how}" for kind in KINDS for how in ("ignored", "borrowed"))
OWN = (0, 3, 6, 10)
RUNS, SHOWN = 30, 100
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
    """Every plan of one new variety after each number of runs of its own."""
    with threadpool_limits(1):
        p = problem(key.family, key.demand, key.seed)
        others = {
            kind: pa.concat_tables([runs_of_other(p, k, kind == "hostile") for k in range(2)])
            for kind in KINDS
        }
        rng = np.random.default_rng((p.seed, 22))
        task = Task(p, starts=0)
        values = GRAVITY_TABLE.values(REGION.sample(2000, rng))
        even = values[p.deck.run(values, p.material).failure < 0.5]
        shown, spread = even[:SHOWN], GRAVITY_TABLE.values(REGION.sample(OWN[-1], rng))
        found: dict[str, list[Any]] = {arm: [] for arm in ("cold", *ARMS)}
        for n in OWN:
            task.run(spread[len(task.values) : n])
            own = task.table()
            found["cold"].append(judged(p, own, None, shown))
            for kind in KINDS:
                both = pa.concat_tables([others[kind], labelled(own, NEW)])
                found[f"{kind}, ignored"].append(judged(p, labelled(both, None), None, shown))
                found[f"{kind}, borrowed"].append(judged(p, both, NEW, shown))
    return {**asdict(key), "best": round(p.best, 5), **found}


def interval(values: list[float]) -> str:
    """Mean with its 90 % interval over decks, by 2,000 bootstrap draws (Efron, Ann. Statist. 7,
    1979, 1), then median and worst."""
    drawn = np.random.default_rng(0).choice(values, (2000, len(values))).mean(axis=1)
    low, high = np.quantile(drawn, [0.05, 0.95])
    mean, middle, worst = np.mean(values), np.median(values), np.max(values)
    return f"{mean:.3f} ({low:.3f} to {high:.3f}), {middle:.3f}, {worst:.3f}"


def table(rows: list[dict[str, Any]], kind: str) -> str:
    """Markdown table of one kind of other varieties: gaps and intervals after each number of
    runs."""
    arms = ("cold", f"{kind}, ignored", f"{kind}, borrowed")
    lines = [
        "| runs of its own | cold | ignored | borrowed | borrowed less cold | coverage: cold "
        "| ignored | borrowed | error of recovery: cold | ignored | borrowed |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for j, n in enumerate(OWN):
        gaps = [[r[arm][j]["gap"] for r in rows] for arm in arms]
        less = [after - before for before, after in zip(gaps[0], gaps[2], strict=True)]
        told = [[r[arm][j] for r in rows if "grade" in r[arm][j]] for arm in arms]
        cells = [interval(values) for values in (*gaps, less)]
        cells += [f"{mean(t, 'grade', 2)}, {mean(t, 'recovery', 2)}" for t in told]
        cells += [mean(t, "error", 3) for t in told]
        lines.append(f"| {n} | " + " | ".join(cells) + " |")
    return f"## {kind.capitalize()} varieties\n\n" + "\n".join(lines)


def mean(rows: list[dict[str, float]], name: str, places: int) -> str:
    """A mean over decks as text; a dash where no deck had a model."""
    return f"{np.mean([r[name] for r in rows]):.{places}f}" if rows else "–"


def identity(key: Key) -> tuple[Any, ...]:
    """The key of a kept row: the new variety and a stamp of the code."""
    return ("varieties", *asdict(key).values(), stamp("ours", __file__))


def main(words: list[str] | None = None) -> int:
    """Run the new varieties that are not kept yet, then write the report."""
    asked = parser("varieties", __doc__ or "", decks=8, families=tuple(FAMILIES)).parse_args(words)
    keys = [
        Key(family, demand, asked.first + k)
        for k in range(asked.decks)
        for demand in asked.demands
        for family in asked.families
    ]
    rows = each(start, keys, Kept(asked.cache), identity, asked.workers)
    parts = [table(rows, kind) for kind in KINDS]
    report_file(
        asked, "varieties", "Other varieties' runs for a new variety", __doc__ or "", *parts
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
