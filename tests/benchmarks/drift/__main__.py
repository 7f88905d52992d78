"""Decks that drift, and days and lots that differ: plans with and without effects of time.

    python -m tests.benchmarks.drift --decks 2 --workers 2

For each deck and case, runs spread over 60 days are simulated: its sharpness and balance, with what
the case adds, an error of 0.1 logits of the process, a grade counted on 400 particles and a
recovery with a standard error of 0.8 points. A plan is then made of the log, and of the same log
without times and lots. Both are judged by the truth at the moment of the last run: the share of
true grades and recoveries inside their 90 % intervals at 400 unseen settings; the root mean square
error there in logits; how sure the plan is of the grade at the settings to run now, and how often
it is met; and the recovery lost, in points, to the best settings that meet the grade. The grade is
the one that 20 % of settings meet at that moment. Writes reports/drift.md.

In the case "moisture" a moisture that no log holds wanders from day to day; in "habit" each
set-point has a day of its own, so that nothing tells a day from its settings.

Goal: coverage of 86 to 94 % in each case, and campaigns no more than 5 % worse where nothing
changes with time.
"""

from __future__ import annotations

import sys
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from scipy.special import expit, logit
from threadpoolctl import threadpool_limits

from optimizer.history.snapshot import Snapshot
from optimizer.model.coordinates import from_latent, to_latent
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.drift import campaigns
from tests.benchmarks.shift import Feed, exact, mean_feed, response
from tests.benchmarks.trials.campaigns import Kept, each, stamp
from tests.benchmarks.trials.command import parser, report_file
from tests.benchmarks.trials.decks import REGION, problem
from tests.benchmarks.trials.task import settings_of
from tests.conftest import run_table

DAYS, COUNT, RECOVERY_SE, PROCESS_SD = 60, 400, 0.008, 0.1
UNSEEN, MOST_FAILURE, MEETS, SURE = 400, 0.3, 0.2, 0.9
FAMILIES = ("beans", "ores", "ridge")
MICROSECONDS = 86_400_000_000
# Share of yesterday's deviation that is left today, where something wanders.
KEEPS = 0.8


@dataclass(frozen=True)
class Case:
    """What a log holds: runs, and what changes with time, in logits of sharpness and of balance.

    Attributes:
        runs: number of runs.
        drift: change over all days.
        days, lots: standard deviation of the effect of a day, and of one of 12 lots.
        points: number of set-points; as many as runs when 0.
        habit: whether each set-point has a day of its own.
        moisture: standard deviation of a moisture that no log holds, in points: it wanders from day
            to day, and the deck of the simulation feels it as it does that of its material.
    """

    runs: int
    drift: tuple[float, float] = (0.0, 0.0)
    days: float = 0.0
    lots: float = 0.0
    points: int = 0
    habit: bool = False
    moisture: float = 0.0


CASES = {
    "none": Case(60),
    "none, replicates": Case(200, points=60),
    "drift": Case(60, (-0.8, -0.6)),
    "days": Case(120, days=0.25),
    "both": Case(120, (-0.8, -0.6), 0.2),
    "both, replicates": Case(200, (-0.8, -0.6), 0.2, points=60),
    "lots": Case(120, lots=0.3),
    "moisture": Case(120, moisture=1.5),
    "habit": Case(160, points=40, habit=True),
    "habit, days": Case(160, days=0.25, points=40, habit=True),
}


@dataclass(frozen=True)
class Key:
    """What identifies one log."""

    family: str
    demand: str
    seed: int
    case: str


@dataclass(frozen=True)
class Log:
    """A simulated log, and what holds at its last run.

    Attributes:
        table: the log.
        now: effect on sharpness and on balance, shape (2,).
        feed: the material.
    """

    table: pa.Table
    now: np.ndarray
    feed: Feed

    def truth(self, p: Any, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """True grade and recovery at settings, shape (n, 5), at the last run; each (n,)."""
        return moved(response(p, values, self.feed), p.feed_grade, self.now)


def moved(
    truth: tuple[np.ndarray, np.ndarray], feed_grade: float, effect: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """True grade and recovery with an effect on sharpness and balance, shape (2,) or (2, n)."""
    grade, recovery = np.clip(truth, 1e-6, 1.0 - 1e-9)
    odds = float(logit(feed_grade))
    S, C = to_latent(logit(grade), logit(recovery), odds)
    return from_latent(S + effect[0], C + effect[1], odds)


def wandering(sd: float, days: int, rng: np.random.Generator) -> np.ndarray:
    """A quantity that wanders from day to day about 0, an autoregression of order 1, (days,)."""
    steps, found = rng.standard_normal(days), np.zeros(days)
    found[0] = steps[0]
    for k in range(1, days):
        found[k] = KEEPS * found[k - 1] + np.sqrt(1.0 - KEEPS**2) * steps[k]
    return sd * found


def undisturbed(p: Any, values: np.ndarray, moisture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """True grade and recovery of runs, shape (n, 5), each with its own moisture; each (n,)."""
    grade, recovery = np.empty(len(values)), np.empty(len(values))
    for of_day in np.unique(moisture):
        own = moisture == of_day
        grade[own], recovery[own] = response(p, values[own], Feed(float(of_day), p.feed_grade))
    return grade, recovery


def even_settings(p: Any, n: int, rng: np.random.Generator) -> np.ndarray:
    """At most n settings of the region at which the deck runs even, shape (n, 5)."""
    values = GRAVITY_TABLE.values(REGION.sample(10 * n, rng))
    return values[p.deck.run(values, p.material).failure < MOST_FAILURE][:n]


def simulated(key: Key, p: Any) -> Log:
    """The log of a case."""
    case = CASES[key.case]
    rng = np.random.default_rng((key.seed, 31, list(CASES).index(key.case)))
    values = even_settings(p, case.points or case.runs, rng)
    n, points = case.runs if case.points else len(values), len(values)
    time = np.sort(rng.uniform(0.0, DAYS, n))
    if case.habit:
        own_day = np.sort(rng.permutation(DAYS)[:points])
        at = np.arange(n) * points // n
        time, values = own_day[at] + np.sort(rng.uniform(0.3, 0.7, n)), values[at]
    elif case.points:
        values = values[rng.integers(0, points, n)]
    day, lot = np.floor(time).astype(int), rng.integers(12, size=n)
    effect = np.outer(case.drift, time / DAYS)
    effect += case.days * rng.standard_normal((2, DAYS))[:, day]
    effect += case.lots * rng.standard_normal((2, 12))[:, lot]
    noisy = effect + PROCESS_SD * rng.standard_normal((2, n))
    moisture = mean_feed(p).moisture + wandering(case.moisture, DAYS, rng)[day]
    grade, recovery = moved(undisturbed(p, values, moisture), p.feed_grade, noisy)
    read = rng.binomial(COUNT, np.clip(grade, 0.0, 1.0)) / COUNT
    slope = recovery * (1.0 - recovery)
    recovered = expit(logit(recovery) + RECOVERY_SE * rng.standard_normal(n) / slope)
    table = run_table(
        values,
        read,
        recovered,
        grade_count=[COUNT] * n,
        recovery_se=[RECOVERY_SE] * n,
        feed_grade=[p.feed_grade] * n,
        lot=[f"lot {k}" for k in lot] if case.lots else pa.nulls(n, pa.string()),
    )
    starts = pa.array((time * MICROSECONDS).astype(np.int64)).cast(pa.timestamp("us", "UTC"))
    feed = Feed(float(moisture[-1]), p.feed_grade)
    return Log(table.set_column(2, "started_at", starts), effect[:, -1], feed)


def judged(key: Key) -> dict[str, Any]:
    """The figures of a log, with and without effects of time."""
    with threadpool_limits(1):
        p = problem(key.family, key.demand, key.seed)
        log = simulated(key, p)
        values = even_settings(p, UNSEEN, np.random.default_rng((key.seed, 32)))
        grade, recovery = log.truth(p, values)
        least = float(np.round(np.quantile(grade, 1.0 - MEETS), 4))
        best = float(np.max(recovery[grade >= least]))
        timeless = log.table.set_column(
            2, "started_at", pa.nulls(len(log.table), pa.timestamp("us", "UTC"))
        ).set_column(
            log.table.column_names.index("lot"), "lot", pa.nulls(len(log.table), pa.string())
        )
        answer: dict[str, Any] = {}
        for name, table in (("with", log.table), ("without", timeless)):
            brief = Brief.from_dict({"line": "deck-1", "goal": {"min_grade": least}})
            planned = situation_of(Snapshot.of_table(table), brief=brief, seed=key.seed)
            evidence = planned.evidence
            inputs = evidence.inputs_today(GRAVITY_TABLE.nearest_index(values))
            found = planned.surrogate.predict(inputs, evidence.feed_odds_today)
            figures: dict[str, Any] = {}
            for what, interval, true in (
                ("grade", found.grade, grade),
                ("recovery", found.recovery, recovery),
            ):
                inside = (interval.low <= true) & (true <= interval.high)
                off = logit(np.clip(interval.mean, 1e-6, 1 - 1e-6)) - logit(true)
                figures[what] = round(float(np.mean(inside)), 4)
                figures[f"{what}_off"] = round(float(np.sqrt(np.mean(off**2))), 4)
            figures |= now(p, planned, log, least, best)
            answer[name] = figures
    return {**asdict(key), **answer}


def now(p: Any, planned: Any, log: Log, least: float, best: float) -> dict[str, Any]:
    """How sure a plan is of the grade at its settings to run now, whether it is met, and the
    recovery that is lost, in points; all of it below the grade."""
    run_now = plan_of(planned).run_now
    at = settings_of(run_now.settings)[None, :]
    grade, recovery = (float(x[0]) for x in log.truth(p, at))
    met = grade >= least
    lost = best - recovery if met else best
    return {"sure": run_now.chance_of_grade, "met": met, "lost": round(100.0 * max(lost, 0.0), 3)}


COLUMNS = ("grade", "recovery", "grade_off", "recovery_off", "sure", "met", "lost")


def table_of(rows: list[dict[str, Any]]) -> str:
    """Means by family and case, with and without effects of time."""
    lines = [
        "| family | case | decks | effects of time | grade inside % | recovery inside % | "
        "grade off | recovery off | sure % | met % | lost points |",
        "|" + "---|" * 11,
    ]
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in rows:
        for family in (row["family"], "all"):
            groups.setdefault((family, row["case"]), []).append(row)
    order = {case: k for k, case in enumerate(CASES)}
    for (family, case), own in sorted(
        groups.items(), key=lambda g: (g[0][0] != "all", g[0][0], order[g[0][1]])
    ):
        for name in ("without", "with"):
            mean = [float(np.mean([row[name][c] for row in own])) for c in COLUMNS]
            cells = [f"{100 * m:.0f}" for m in mean[:2]] + [f"{m:.2f}" for m in mean[2:4]]
            cells += [f"{100 * m:.0f}" for m in mean[4:6]] + [f"{mean[6]:.1f}"]
            lines.append("| " + " | ".join([family, case, str(len(own)), name, *cells]) + " |")
    return "\n".join(lines)


def sure_table(rows: list[dict[str, Any]]) -> str:
    """How often the grade is met where the plan with effects of time is as sure as it was asked to
    be, and on the other decks."""
    lines = [
        "| case | sure decks | of these met % (exact 90 % interval) | other decks | met % | "
        "stated %, mean |",
        "|" + "---|" * 6,
    ]
    for case in [case for case in CASES if any(row["case"] == case for row in rows)]:
        found = [row["with"] for row in rows if row["case"] == case]
        sure = [each for each in found if each["sure"] >= SURE]
        others = [each for each in found if each["sure"] < SURE]
        stated = float(np.mean([each["sure"] for each in others])) if others else None
        cells = [
            case,
            str(len(sure)),
            exact(sum(each["met"] for each in sure), len(sure)),
            str(len(others)),
            exact(sum(each["met"] for each in others), len(others)),
            "-" if stated is None else f"{100 * stated:.0f}",
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Simulate, judge and report."""
    made = parser("drift", __doc__ or "", decks=2, families=FAMILIES)
    made.add_argument("--cases", nargs="+", default=list(CASES), choices=list(CASES))
    made.add_argument("--campaigns", type=int, default=2, help="decks a family with campaigns")
    made.add_argument("--only-kept", action="store_true", help="report the rows that are kept")
    asked = made.parse_args()
    places = [
        (family, demand, asked.first + k)
        for k in range(max(asked.decks, asked.campaigns))
        for family in asked.families
        for demand in asked.demands
    ]
    logs = [
        Key(*place, case)
        for place in places
        for case in asked.cases
        if place[2] < asked.first + asked.decks
    ]
    pairs = [campaigns.Key(*p) for p in places if p[2] < asked.first + asked.campaigns]
    code, kept = (
        stamp("ours", "tests/benchmarks/drift", "tests/benchmarks/shift.py"),
        Kept(asked.cache),
    )

    def named(key: Any) -> tuple[Any, ...]:
        return (*asdict(key).values(), code)

    if asked.only_kept:
        logs, pairs = ([key for key in keys if named(key) in kept.rows] for keys in (logs, pairs))
    rows = each(judged, logs, kept, named, asked.workers)
    played = each(campaigns.both, pairs, kept, named, asked.workers)
    parts = ["## Plans on logs", table_of(rows), "## Sure of the grade", sure_table(rows)]
    if played:
        words = (campaigns.__doc__ or "").strip()
        parts += ["## Campaigns where nothing changes", words, campaigns.table_of(played)]
    report_file(asked, "drift", "Effects of time", __doc__ or "", *parts)


if __name__ == "__main__":
    sys.exit(main())
