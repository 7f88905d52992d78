"""A brief becomes a plan: limits, a batch of trials, the settings to run now, when to stop.

In come the runs of a line and a brief; out comes a ``Plan``. The whole of it is one pass: gather
the evidence, fit, find what to run now, pick trials one after another (each knowing the ones
before it), say whether they are worth it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer import advice
from optimizer.acquisition import ConstrainedImprovement
from optimizer.batch_order import in_order
from optimizer.borrowing import knows_enough
from optimizer.config import Brief, Site
from optimizer.errors import LimitError
from optimizer.evidence import Evidence, cautions, gather
from optimizer.first_batch import spread, unknown_trials
from optimizer.kernels import Inputs
from optimizer.learning import chance_even_of, fitted
from optimizer.limits import Limits
from optimizer.objective import Objective, Recovery, objective_of
from optimizer.plan import Interval, Plan, Recommendation, RunNow, Stopping
from optimizer.rows import distinct_rows
from optimizer.search import best_point
from optimizer.stopping import least_gain, stopping_of
from optimizer.surrogate import Surrogate
from optimizer.trade_off import trade_off

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    from optimizer.history import History

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]
    Progress = Callable[[str], None]

# What is asked for where prices alone decide: any product meets it.
ANY_GRADE = 1e-6
# Fewer measured runs than this and the plan spreads trials instead of trusting a fit.
FEWEST_TO_LEARN = 3
# Tried settings whose draws make the incumbent: the rest cannot be the best any more.
MOST_INCUMBENTS = 40
# A trial that fails more often than not is asked for only where every other would too; such
# trials rank in a band of log gain far below any that a double can tell from nothing.
LEAST_EVEN = 0.5
FAILING = -1e9
# Settings that are not sure enough of the grade rank below any that are, whatever their worth.
UNSURE = -1e9
LEAST_LOG_GAIN = -700.0
LOT_BINDS = "The lot is what limits this batch: trials are ranked by what they add for each tonne."


def suggest(
    history: History | pa.Table,
    site: Site | None = None,
    brief: Brief | None = None,
    *,
    seed: int = 0,
    as_of: int | None = None,
    progress: Progress | None = None,
) -> Plan:
    """Ranked next settings, and the settings to run now.

    Args:
        history: the run history, or its runs as a table in the site's units.
        site: the plant; the defaults when None.
        brief: what is wanted today; the defaults when None.
        seed: of everything random; the same history, brief and seed give the same plan.
        as_of: history version to plan on; the latest when None.
        progress: called with a line of text at each stage.

    Raises:
        InputError: when the brief names something that the site does not have.
        LimitError: when the limits leave nothing to recommend.
        HistoryError: when the history cannot be read.
    """
    return planning(history, site, brief, seed=seed, as_of=as_of, progress=progress).plan()


def planning(
    history: History | pa.Table,
    site: Site | None = None,
    brief: Brief | None = None,
    *,
    seed: int = 0,
    as_of: int | None = None,
    progress: Progress | None = None,
) -> Planning:
    """What ``suggest`` plans with, for those who also ask what the plan was made from."""
    site = site or Site()
    brief = (brief or Brief()).check_names(site)
    version = None
    runs: Any = history
    if hasattr(history, "read_version"):
        # Only where a line has few runs do the others matter, those of the same version.
        named = None if brief.line is None else [brief.line]
        version, runs = history.read_version(named, as_of, site)
        if named and version is not None and not knows_enough(runs, site.space_of(brief.line)):
            runs = history.read(site=site, as_of=version)
    evidence = gather(runs, site, brief)
    return Planning(runs, evidence, site, brief, seed, version, progress or (lambda _: None))


@dataclass
class Planning:
    """One plan in the making: everything that its steps share, each computed once."""

    runs: pa.Table
    evidence: Evidence
    site: Site
    brief: Brief
    seed: int
    version: int | None
    progress: Progress

    def plan(self) -> Plan:
        """All steps in order."""
        # One thread: sums in another order would round differently, and with them the plan.
        with threadpool_limits(1):
            return self._plan()

    def _plan(self) -> Plan:
        self.warnings = list(self.evidence.warnings)
        count, notes = self.limits.affordable()
        self.warnings += notes
        if self._known_runs < FEWEST_TO_LEARN:
            return self._first_batch(count)
        self.progress(f"learning from {len(self.evidence.grade)} runs")
        self.warnings += cautions(self.evidence, self.min_grade, self.brief)
        now, point = self._run_now()
        self.progress(f"weighing {count} trials")
        picks, gains = self._batch(count, point)
        stopping = stopping_of(self, gains, now, point)
        plan = self._answer(now, self._describe(picks, gains, now), stopping)
        if plan.maximise != "trade-off":
            return plan
        curve = trade_off(self, now, point[None, :], plan.min_grade, plan.maximise)
        return replace(plan, trade_off=tuple(curve))

    @property
    def _known_runs(self) -> int:
        """Measured runs to learn from, borrowed ones included."""
        e = self.evidence
        return int(e.measured.sum()) + (0 if e.borrowed is None else len(e.borrowed.grade))

    # ------------------------------------------------------------------ limits

    @cached_property
    def limits(self) -> Limits:
        """What the batch may consume."""
        e = self.evidence
        return Limits(e.space, self.brief, self.site.tonnes_per_hour(e.line), self.seed)

    def product_rate(self, index: Indices) -> Floats:
        """Expected product, in the site's feed rate unit, shape (n,)."""
        inputs, odds = self.inputs(index), self.evidence.feed_odds_today
        share = inputs.kept("yield", lambda: self.surrogate.mean_yield(inputs.values, odds))
        return self.limits.feed(index) * share

    def carried(self, index: Indices) -> NDArray[np.bool_]:
        """Which points keep product and reject inside what can be carried away."""
        capacity = self.brief.capacity
        most_product, most_reject = capacity.max_product_rate, capacity.max_reject_rate
        inside = np.ones(len(index), dtype=bool)
        if not self.limits.has_feed or (most_product is None and most_reject is None):
            return inside
        product = self.product_rate(index)
        if most_product is not None:
            inside &= product <= most_product + 1e-9
        if most_reject is not None:
            inside &= self.limits.feed(index) - product <= most_reject + 1e-9
        return inside

    # ------------------------------------------------------------------ model

    @cached_property
    def surrogate(self) -> Surrogate:
        """Grade and recovery, fitted to the measured runs."""
        return fitted(self.evidence, self.seed)

    @cached_property
    def objective(self) -> Objective:
        """What is to be had most of."""
        e = self.evidence
        tonnes = self.site.tonnes_per_hour(e.line)
        return objective_of(self.brief.goal, e.space, tonnes, e.feed_odds_today)

    @cached_property
    def chance_even(self) -> Callable[[Indices], Floats]:
        """Chance of an even deck at lattice points: (n, d) to (n,)."""
        return chance_even_of(self.evidence)

    @cached_property
    def min_grade(self) -> float:
        """The grade asked for; the usual grade of the line when none was asked for, or any at
        all where prices decide or no grade was read yet."""
        goal = self.brief.goal
        if goal.min_grade is not None or goal.maximise == "value":
            return goal.min_grade or ANY_GRADE
        e = self.evidence
        grades = [e.grade[e.measured], *([] if e.borrowed is None else [e.borrowed.grade])]
        usual = next((g for g in grades if len(g)), None)
        return ANY_GRADE if usual is None else float(np.round(np.median(usual), 4))

    @cached_property
    def starts(self) -> Indices:
        """Where searches begin: points spread over the limits, and those tried; shape (n, d)."""
        inside = self.tried[self.limits.region.contains(self.tried)]
        return np.unique(np.vstack([self.limits.pool, inside]), axis=0)

    @cached_property
    def _start_inputs(self) -> Inputs:
        return Inputs(self.evidence.inputs_today(self.starts))

    def inputs(self, index: Indices) -> Inputs:
        """Lattice points as the surrogate sees them; of ``starts``, what it makes of them is
        kept."""
        if index is self.starts:
            return self._start_inputs
        return Inputs(self.evidence.inputs_today(index))

    # ------------------------------------------------------------------ steps

    def _run_now(self) -> tuple[RunNow, Indices]:
        confidence = self.brief.goal.confidence

        def score(index: Indices, coarse: bool = False) -> Floats:
            inputs = self.inputs(index)
            chance, worth = self.surrogate.outlook(
                inputs, self.min_grade, self.evidence.feed_odds_today, coarse
            )
            chance = chance * self.chance_even(index)
            # Settings sure enough of the grade rank by worth, above all that are not; those by the
            # recovery to be had with the grade.
            unsure = UNSURE + chance * worth
            if not isinstance(self.objective, Recovery):
                worth = self.surrogate.expect(self.objective.worth, inputs, coarse)
            value = np.where(chance >= confidence, worth, unsure)
            return np.where(self.carried(index), value, -np.inf)

        point, value = best_point(
            score, self.limits.region, self.starts, coarse=lambda i: score(i, True)
        )
        if value == -np.inf:
            raise LimitError(
                "no settings keep product and reject inside the capacity.",
                code="no-capacity",
                hint="Raise max_product_rate or max_reject_rate, or allow a lower feed rate.",
            )
        index = point[None, :]
        grade, recovery, _ = self._expect(index)
        chance = self.surrogate.chance_of_grade(
            self.inputs(index), self.min_grade, self.evidence.feed_odds_today
        )
        if value < 0.5 * UNSURE:
            self.warnings.append(
                f"No settings are {confidence:.0%} sure of grade {self.min_grade:g} yet; run_now "
                f"has the most recovery times the chance of it, which is {chance[0]:.0%}."
            )
        worth = None
        if not isinstance(self.objective, Recovery):
            worth = float(
                self.surrogate.expect(self.objective.worth, self.evidence.inputs_today(index))[0]
            )
        tried = bool(len(self.tried)) and bool(np.any(np.all(self.tried == point, axis=1)))
        run_now = RunNow(
            settings=self._named(point),
            grade=grade[0],
            recovery=recovery[0],
            chance_of_grade=float(chance[0]),
            product_t_per_h=self._product_tonnes(index),
            tried=tried,
            value_per_hour=worth,
        )
        return run_now, point

    @cached_property
    def tried(self) -> Indices:
        """Distinct lattice points that were run, shape (k, d)."""
        settings, _ = distinct_rows(self.evidence.settings)
        return np.unique(self.evidence.space.nearest_index(settings), axis=0)

    @cached_property
    def pending(self) -> Indices:
        """Lattice points of trials started and not yet measured."""
        space = self.evidence.space
        values = [[trial[n] for n in space.names] for trial in self.brief.pending]
        return space.nearest_index(np.array(values).reshape(len(values), len(space.names)))

    def _incumbents(self) -> Indices:
        """Tried settings that could still be the best today, and all pending ones."""
        settings, _ = distinct_rows(self.evidence.settings[self.evidence.measured])
        even = np.unique(self.evidence.space.nearest_index(settings), axis=0)
        even = even[self.limits.region.contains(even)]
        if len(even) > MOST_INCUMBENTS:
            inputs = self.evidence.inputs_today(even)
            odds = self.evidence.feed_odds_today
            hope = self.surrogate.predict(inputs, odds).recovery.high
            hope = hope * self.surrogate.chance_of_grade(inputs, self.min_grade, odds)
            even = even[np.sort(np.argsort(-hope, kind="stable")[:MOST_INCUMBENTS])]
        both = np.vstack([even, self.pending])
        return both if len(both) else self.tried[:1]

    def _batch(self, count: int, now: Indices) -> tuple[Indices, list[float]]:
        """Trials picked one after another, and the recovery each is expected to add.

        A trial is worth what it adds to the settings tried and to running ``now``, which may not
        have been tried: only then is a small gain a reason to stop.
        """
        e, objective = self.evidence, self.objective
        base = np.unique(np.vstack([self._incumbents(), now]), axis=0)
        if self.limits.lot_binds:
            self.warnings.append(LOT_BINDS)
        improvement = ConstrainedImprovement(
            self.surrogate,
            e.inputs_today(base),
            self.min_grade,
            e.feed_odds_today,
            room=count,
            seed=self.seed,
            objective=None if isinstance(objective, Recovery) else objective,
            reference=objective.reference if isinstance(objective, Recovery) else None,
        )
        picks = np.empty((0, len(e.space.names)), dtype=np.int64)
        gains: list[float] = []
        spent = 0.0
        for k in range(count):
            taken = np.vstack([self.tried, self.pending, picks])
            point, value = self._pick(improvement, taken, spent, count - k)
            if value == -np.inf:
                point, value = self._pick(improvement, np.vstack([self.pending, picks]), spent, 1)
                if value == -np.inf:
                    self.warnings.append(
                        f"Only {k} of {count} trials could be placed: the limits leave no other "
                        "settings."
                    )
                    break
            picks = np.vstack([picks, point])
            gains.append(float(np.exp(max(value, LEAST_LOG_GAIN))))
            spent += float(self.limits.tonnes(point[None, :])[0])
            improvement.extend(e.inputs_today(point[None, :]))
        if not len(picks):
            raise LimitError(
                "every setting inside the limits is pending or was tried.",
                code="nothing-new",
                hint="Widen the limits, or run what run_now says.",
            )
        # A later pick that adds more still would have added no less before the others.
        order = np.argsort(-np.array(gains), kind="stable")
        return picks[order], [gains[k] for k in order]

    def _pick(
        self, improvement: ConstrainedImprovement, taken: Indices, spent: float, left: int
    ) -> tuple[Indices, float]:
        def score(index: Indices, coarse: bool = False) -> Floats:
            even = self.chance_even(index)
            value = improvement.log_gain(self.inputs(index), coarse) + np.log(even)
            # Likely failures rank below all else, by their chance: a plan of nothing else is
            # still a plan.
            value = np.where(even >= LEAST_EVEN, value, FAILING + np.log(even))
            if self.limits.lot_binds:
                value = value - self.limits.log_tonnes(index)
            allowed = self.limits.within_lot(index, spent, left) & self.carried(index)
            return np.where(allowed, value, -np.inf)

        point, value = best_point(
            score, self.limits.region, self.starts, coarse=lambda i: score(i, True), exclude=taken
        )
        if self.limits.lot_binds:
            value += float(self.limits.log_tonnes(point[None, :])[0])
        return point, value

    def _expect(self, index: Indices) -> tuple[list[Interval], list[Interval], Floats]:
        """Grade and recovery intervals and chance of grade at lattice points."""
        inputs, odds = self.evidence.inputs_today(index), self.evidence.feed_odds_today
        prediction = self.surrogate.predict(inputs, odds)
        grade, recovery = (
            [Interval(*map(float, x)) for x in zip(q.mean, q.low, q.high, strict=True)]
            for q in (prediction.grade, prediction.recovery)
        )
        return grade, recovery, self.surrogate.chance_of_grade(inputs, self.min_grade, odds)

    def _named(self, point: Indices) -> dict[str, float]:
        space = self.evidence.space
        return {n: float(v) for n, v in zip(space.names, space.values(point)[0], strict=True)}

    def _product_tonnes(self, index: Indices) -> float | None:
        if not self.limits.has_feed:
            return None
        factor = self.site.tonnes_per_hour(self.evidence.line)
        return float(self.product_rate(index)[0]) * factor

    # ------------------------------------------------------------------ answer

    def start(self) -> dict[str, float]:
        """Where the deck stands before the first trial: the brief's word, else the last run."""
        last = self.evidence.settings[-1] if len(self.evidence.settings) else None
        names = self.evidence.space.names
        known = {} if last is None else dict(zip(names, map(float, last), strict=True))
        return {**known, **self.brief.current}

    def _describe(
        self, picks: Indices, gains: list[float], now: RunNow
    ) -> tuple[Recommendation, ...]:
        grade, recovery, chance = self._expect(picks)
        even = self.chance_even(picks)
        confidence = self.brief.goal.confidence
        meets = now.chance_of_grade is not None and now.chance_of_grade >= confidence
        return tuple(
            Recommendation(
                rank=k + 1,
                settings=self._named(point),
                grade=grade[k],
                recovery=recovery[k],
                chance_of_grade=float(chance[k]),
                chance_even=float(even[k]),
                expected_gain=gains[k],
                product_t_per_h=self._product_tonnes(point[None, :]),
                material_t=self._trial_tonnes(point),
                minutes=self.brief.trials.minutes,
                why=advice.reason(recovery[k], float(chance[k]), confidence, now.recovery, meets)
                if self.brief.goal.maximise == "recovery"
                else advice.reason_of_gain(
                    gains[k],
                    least_gain(self, now),
                    self.objective.unit,
                    None if self.brief.goal.min_grade is None else float(chance[k]),
                ),
            )
            for k, point in enumerate(picks)
        )

    def _trial_tonnes(self, point: Indices) -> float | None:
        return float(self.limits.tonnes(point[None, :])[0]) if self.limits.has_feed else None

    def _first_batch(self, count: int) -> Plan:
        """Trials spread over the limits when there is nothing to learn from yet."""
        known = int(self.evidence.measured.sum())
        self.warnings.append(
            "The history holds no measured run of this line"
            if known == 0
            else f"Only {known} measured run{'s' if known > 1 else ''} of this line"
        )
        self.warnings[-1] += (
            ": expected grade and recovery, their chance and the settings to run now cannot be "
            "known yet. These trials spread over the limits."
        )
        picks = spread(self.limits, np.vstack([self.tried, self.pending]), count)
        if len(picks) < count:
            self.warnings.append(f"Only {len(picks)} of {count} trials fit in the limits.")
        trials = unknown_trials(
            [self._named(point) for point in picks],
            [self._trial_tonnes(point) for point in picks],
            self.brief.trials.minutes,
        )
        why = f"{FEWEST_TO_LEARN} measured runs are needed before anything can be expected."
        return self._answer(None, trials, Stopping("continue", None, why))

    def _answer(
        self, now: RunNow | None, trials: tuple[Recommendation, ...], stopping: Stopping
    ) -> Plan:
        e, goal = self.evidence, self.brief.goal
        points, _ = distinct_rows(e.inputs[e.measured])
        return Plan(
            line=e.line,
            material=e.material,
            seed=self.seed,
            history_version=self.version,
            runs_used=len(e.grade),
            set_points=len(points),
            min_grade=self._shown_grade(now),
            confidence=goal.confidence,
            units={s.name: s.unit for s in e.space.settings},
            run_now=now,
            recommendations=in_order(trials, e.space, self.start()),
            stopping=stopping,
            warnings=tuple(self.warnings),
            brief=self.brief.as_document(),
            maximise=goal.maximise,
            prices=None if goal.prices is None else goal.prices.model_dump(),
            gain_unit=self.objective.unit,
        )

    def _shown_grade(self, now: RunNow | None) -> float | None:
        if now is None or self.brief.goal.maximise == "value":
            return self.brief.goal.min_grade
        return self.min_grade
