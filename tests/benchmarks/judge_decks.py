"""Whether the decks of each family are of plausible sizes: a table of true values, printed.

    python -m tests.benchmarks.judge_decks --judge --decks 8

For each family: the mean over decks, with the least and the most, of the share of settings that
meets the grade and hardly ever fails, of the grade asked for less the feed's, of the recovery at
the attainable optimum, of the median recovery where the grade is met, of the share of runs that
fail, and of the correlation of a deck's grades with those of the others. No method runs.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np

from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials.command import parser
from tests.benchmarks.trials.decks import ALL_FAMILIES, REGION, Problem, problem
from tests.benchmarks.trials.judge_laws import JUDGE_LAWS
from tests.benchmarks.trials.other_laws import OTHER_LAWS

DEVELOPED = (*ALL_FAMILIES, *OTHER_LAWS)
ANYWHERE, MOST_FAILURE = 8192, 0.05


@lru_cache(maxsize=1)
def anywhere() -> np.ndarray:
    """Settings spread over the region, shape (n, 5)."""
    return GRAVITY_TABLE.values(REGION.sample(ANYWHERE, np.random.default_rng(41)))


def figures(p: Problem) -> dict[str, float]:
    """The true figures of one deck."""
    truth = p.deck.run(anywhere(), p.material)
    met = (truth.grade >= p.min_grade) & (truth.failure <= MOST_FAILURE)
    return {
        "met, %": 100.0 * float(met.mean()),
        "grade above the feed's": p.min_grade - p.feed_grade,
        "attainable": p.best,
        "median where met": float(np.median(truth.recovery[met])),
        "runs that fail, %": 100.0 * float(truth.failure.mean()),
    }


def table(found: Mapping[str, Sequence[Mapping[str, float]]]) -> str:
    """Markdown table, one row for each family: mean, least and most of each figure."""
    names = list(next(iter(found.values()))[0])
    lines = [
        "| family | decks | " + " | ".join(names) + " |",
        "|---|---|" + "---|" * len(names),
    ]
    for family, decks in found.items():
        cells = []
        for name in names:
            values = [deck[name] for deck in decks]
            places = 1 if name.endswith("%") else 3
            mean, low, high = (f"{f(values):.{places}f}" for f in (np.mean, min, max))
            cells.append(f"{mean} ({low}–{high})")
        lines.append(f"| {family} | {len(decks)} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def alike(problems: Sequence[Problem]) -> list[float]:
    """Mean correlation of the grades of each deck with those of the others, over the region."""
    grades = [p.deck.run(anywhere(), p.material).grade for p in problems]
    between = np.atleast_2d(np.corrcoef(grades))
    others = max(len(problems) - 1, 1)
    return [float(c) for c in (between.sum(axis=1) - 1.0) / others]


def main(words: list[str] | None = None) -> int:
    """Print the table."""
    asked = parser("judge_decks", __doc__ or "", 8, DEVELOPED, tuple(JUDGE_LAWS)).parse_args(words)
    found = {}
    for family in asked.families:
        decks = [
            problem(family, d, asked.first + k) for d in asked.demands for k in range(asked.decks)
        ]
        found[family] = [
            {**figures(p), "alike": like} for p, like in zip(decks, alike(decks), strict=True)
        ]
    print(table(found))
    return 0


if __name__ == "__main__":
    sys.exit(main())
