"""What air at four gates costs in trials, and what it wins, on simulated decks.

    python -m tests.benchmarks.gates --decks 8 --workers 2
    python -m tests.benchmarks.gates --judge --decks 16 --workers 2

Each deck is learned twice from 8 spread runs, with one setting of the air and with four gates, by
the same planner and with the same noise. On decks of flat need every part of the bed needs the same
air; on decks of tapered need the feed end needs more. A campaign ends at the first plan whose
settings to run now are within .03 of the attainable optimum of that deck with that air (gap in
proportion, see ``trials.task``), or after 24 runs. Seeds below 7000 are for development: priors are
chosen on them. Finished campaigns are kept in a file, so that the command continues where it was
stopped. Writes reports/gates.md.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.history.snapshot import Snapshot
from optimizer.planning.first_batch import spread_trials
from optimizer.planning.run_now import choose_run_now
from optimizer.planning.situation import FEWEST_TO_LEARN, Situation, situation_of
from optimizer.planning.trial_selection import select_trials
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from optimizer.simulation import FAMILIES, attainable, demanding_grade, random_deck, random_material
from optimizer.simulation.cases import with_tapered_need
from tests.benchmarks.trials.campaigns import ROOT, Kept, behind, each
from tests.benchmarks.trials.decks import DEMANDS, LEAST_FEED, Problem
from tests.benchmarks.trials.task import STARTS, Task

GATES = 4
SPACES = {1: GRAVITY_TABLE, GATES: GRAVITY_TABLE.with_gates("air", GATES)}
REGIONS = {
    count: Region.whole(space).narrow("feed_rate", LEAST_FEED, 9.0, "enough to be done")
    for count, space in SPACES.items()
}
# ln of the air that the feed end needs over the mean of the deck: with 0.15 it needs 1.35 times the
# air of the discharge end.
NEEDS = {"flat": 0.0, "tapered": 0.15}
GAP, MOST_RUNS = 0.03, 24
FIRST, JUDGE_FROM = 6900, 7000


@dataclass(frozen=True)
class Key:
    """What identifies one campaign."""

    need: str
    family: str
    seed: int
    gates: int


@lru_cache(maxsize=8)
def problem(need: str, family: str, seed: int, gates: int) -> Problem:
    """The deck, the grade that is demanded with one air, and the optimum with this many gates."""
    rng = np.random.default_rng(seed)
    deck, material = random_deck(rng, family), random_material(rng, family)
    deck = with_tapered_need(deck, NEEDS[need]) if NEEDS[need] else deck
    min_grade = demanding_grade(deck, material, DEMANDS["demanding"], REGIONS[1])
    best = attainable(deck, material, min_grade, REGIONS[gates])
    worth = best.recovery * (1.0 - best.failure)
    if gates > 1:
        # Gates that are alike are among the settings of the gates, which a search may miss.
        worth = max(worth, problem(need, family, seed, 1).best)
    return Problem(family, "demanding", seed, deck, material, min_grade, worth, best.settings)


class GatedTask(Task):
    """A campaign of a deck whose air is set at some gates."""

    def __init__(self, made: Problem, gates: int) -> None:
        super().__init__(made, starts=0)
        self.space = SPACES[gates]
        self.values = np.empty((0, len(self.space.names)))
        starts = np.random.default_rng((made.seed, 1))
        self.run(self.space.values(REGIONS[gates].sample(STARTS, starts)))

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the settings."""
        return self.space.names


def campaign(key: Key) -> dict[str, Any]:
    """Gaps of the settings to run now after each number of runs, until one is small enough."""
    with threadpool_limits(1):
        made = problem(key.need, key.family, key.seed, key.gates)
        start, space = time.process_time(), SPACES[key.gates]
        task, gaps, site = GatedTask(made, key.gates), [], Site(base=space)
        while True:
            # The parts of a plan that decide what is run; the rest takes time and changes nothing.
            history = Snapshot.of_table(task.table())
            situation = situation_of(history, site, task.brief(), seed=key.seed)
            now, trial = _plan(situation)
            gaps.append(round(task.gaps(now)[1], 5))
            if gaps[-1] <= GAP or len(task.values) >= MOST_RUNS:
                break
            task.run(trial)
        seconds = time.process_time() - start
    return {
        "need": key.need,
        "family": key.family,
        "seed": key.seed,
        "gates": key.gates,
        "best": round(made.best, 5),
        "best_air": [float(x) for x in made.best_settings[4:]],
        "gaps": gaps,
        "air": None if now is None else [float(x) for x in now[4:]],
        "failed": int((~task.even).sum()),
        "runs": len(task.values) if gaps[-1] <= GAP else None,
        "seconds_a_plan": round(seconds / len(gaps), 3),
    }


def _plan(situation: Situation) -> tuple[np.ndarray | None, np.ndarray]:
    """The settings to run now, None where nothing is known yet, and the next trial."""
    space = situation.evidence.space
    if situation.known_runs < FEWEST_TO_LEARN:
        return None, space.values(spread_trials(situation.limits, situation.tried, 1))[0]
    point = choose_run_now(situation).point
    trial = select_trials(situation, 1, point).points
    return space.values(point[None, :])[0], space.values(trial)[0]


@lru_cache(maxsize=1)
def stamp() -> str:
    """Hash of all code that a campaign depends on."""
    digest = sha256()
    parts = ["tests/benchmarks/gates.py", "tests/benchmarks/trials/task.py"]
    for file in (
        *parts,
        *sorted(behind("optimizer.planning.planner", behind("optimizer.simulation"))),
    ):
        digest.update((ROOT / file).read_bytes())
    return digest.hexdigest()[:12]


def identity(key: Key) -> tuple[Any, ...]:
    """The key of a kept campaign."""
    return (key.need, key.family, key.seed, key.gates, stamp())


def arguments(words: Sequence[str] | None = None) -> argparse.Namespace:
    """The parsed command line."""
    made = argparse.ArgumentParser(prog="gates", description=__doc__)
    made.add_argument("--judge", action="store_true", help=f"seeds from {JUDGE_FROM} on")
    made.add_argument("--first", type=int, help="first seed; the half's first when left out")
    made.add_argument("--decks", type=int, default=4, help="decks of each need and family")
    made.add_argument("--families", nargs="+", default=list(FAMILIES), choices=list(FAMILIES))
    made.add_argument("--needs", nargs="+", default=list(NEEDS), choices=list(NEEDS))
    made.add_argument("--workers", type=int, default=1)
    made.add_argument("--cache", type=Path, default=ROOT / "build" / "gates.jsonl")
    made.add_argument("--report", type=Path, default=ROOT / "reports" / "gates.md")
    return made.parse_args(words)


def main(words: Sequence[str] | None = None) -> int:
    """Run the campaigns that are not kept yet, then write the report."""
    asked = arguments(words)
    least = JUDGE_FROM if asked.judge else FIRST
    first = least if asked.first is None else asked.first
    if (first >= JUDGE_FROM) != asked.judge:
        raise SystemExit(f"seeds from {JUDGE_FROM} on are for --judge alone.")
    keys = [
        Key(need, family, first + k, gates)
        for k in range(asked.decks)
        for need in asked.needs
        for family in asked.families
        for gates in SPACES
    ]
    rows = each(campaign, keys, Kept(asked.cache), identity, asked.workers)
    words = sys.argv[1:] if words is None else words
    asked.report.write_text(
        report(rows, " ".join(["python -m tests.benchmarks.gates", *words])), encoding="utf-8"
    )
    return 0


def pairs_of(rows: list[dict[str, Any]], need: str) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """The campaigns of each deck that has both, with one air and with gates."""
    found = {(r["family"], r["seed"], r["gates"]): r for r in rows if r["need"] == need}
    decks = sorted({key[:2] for key in found})
    both = [(found.get((*deck, 1)), found.get((*deck, GATES))) for deck in decks]
    return [(one, four) for one, four in both if one is not None and four is not None]


def runs_of(row: dict[str, Any]) -> int:
    """Runs until the gap was reached; one more than the most where it was not."""
    return int(row["runs"] or MOST_RUNS + 1)


def middle(values: list[float], draws: int = 4000) -> str:
    """Median and mean, with the 90 % bootstrap interval of the mean."""
    array = np.array(values, dtype=float)
    picked = np.random.default_rng(0).integers(len(array), size=(draws, len(array)))
    low, high = np.quantile(array[picked].mean(axis=1), [0.05, 0.95])
    return f"{np.median(array):.4g} / {array.mean():.4g} ({low:.4g} to {high:.4g})"


def report(rows: list[dict[str, Any]], command: str) -> str:
    """The report, from the campaigns of decks that have both."""
    parts = [
        "# Air at four gates",
        f"`{command}`",
        f"Median / mean (90 % bootstrap interval of the mean). A campaign that did not reach a gap "
        f"of {GAP:g} in {MOST_RUNS} runs counts as {MOST_RUNS + 1}. The gap is in proportion, to "
        "the attainable optimum of the deck with its own number of gates; below the table also to "
        "that with one air. "
        f"The grade is demanded of one air. Every campaign starts with {STARTS} spread runs.",
    ]
    heads = ("need of air", "decks", "air", "runs to the gap", "not reached", "worst", "optimum")
    heads += ("gap at the end", "failed runs", "s a plan")
    lines = ["| " + " | ".join(heads) + " |", "|" + " --- |" * len(heads)]
    for need in NEEDS:
        pairs = pairs_of(rows, need)
        for k, name in enumerate(("one setting", f"{GATES} gates")):
            mine = [pair[k] for pair in pairs]
            if not mine:
                continue
            runs = [float(runs_of(row)) for row in mine]
            cells = [
                need,
                str(len(mine)),
                name,
                middle(runs),
                str(sum(row["runs"] is None for row in mine)),
                f"{max(runs):g}",
                middle([row["best"] for row in mine]),
                middle([row["gaps"][-1] for row in mine]),
                middle([float(row["failed"]) for row in mine]),
                f"{np.mean([row['seconds_a_plan'] for row in mine]):.2f}",
            ]
            lines.append("| " + " | ".join(cells) + " |")
    parts.append("\n".join(lines))
    for need in NEEDS:
        pairs = pairs_of(rows, need)
        if pairs:
            more = [runs_of(four) / runs_of(one) - 1.0 for one, four in pairs]
            won = [four["best"] - one["best"] for one, four in pairs]
            below_one = [
                [1.0 - row["best"] * (1.0 - row["gaps"][-1]) / one["best"] for row in (one, four)]
                for one, four in pairs
            ]
            total = sum(runs_of(four) for _, four in pairs) / sum(runs_of(one) for one, _ in pairs)
            parts.append(
                f"{need.capitalize()} need: {100 * (total - 1):+.0f} % runs in all, by deck "
                f"{middle([100 * x for x in more])} %; the optimum is higher by {middle(won)}. "
                f"At the end the settings to run now are below the optimum with one air by "
                f"{middle([one for one, _ in below_one])} with one air and "
                f"{middle([four for _, four in below_one])} with gates."
            )
    each_deck = [
        "| need | family | seed | runs, one | runs, gates | best air of the gates | last |"
    ]
    each_deck.append("|" + " --- |" * 7)
    for need in NEEDS:
        for one, four in pairs_of(rows, need):
            airs = [
                "-" if air is None else " ".join(f"{x:g}" for x in air)
                for air in (four["best_air"], four["air"])
            ]
            counts = [str(row["runs"] or "-") for row in (one, four)]
            cells = [need, one["family"], str(one["seed"]), *counts, *airs]
            each_deck.append("| " + " | ".join(cells) + " |")
    return "\n\n".join([*parts, "## Each deck", "\n".join(each_deck)]) + "\n"


if __name__ == "__main__":
    sys.exit(main())
