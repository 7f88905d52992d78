"""A brief becomes a plan: limits, a batch of trials, the settings to run now, when to stop.

In come the runs of a line and a brief; out comes a ``Plan``. The whole of it is one pass: gather
the evidence, fit, find what to run now, pick trials one after another (each knowing the ones
before it), say whether they are worth it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.errors import LimitError
from optimizer.evidence.cautions import cautions
from optimizer.interval import Interval
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.planning import explanations as advice
from optimizer.planning.acquisition import ConstrainedImprovement
from optimizer.planning.batch_order import in_order
from optimizer.planning.first_batch import spread, unknown_trials
from optimizer.planning.objective import Recovery
from optimizer.planning.plan import Plan, Recommendation, RunNow, Stopping
from optimizer.planning.search import best_point
from optimizer.planning.situation import Situation, situation_of
from optimizer.planning.stopping import least_gain, stopping_of
from optimizer.planning.trade_off import trade_off
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    from optimizer.history.history import History

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]
    Progress = Callable[[str], None]

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
    made = situation_of(history, site, brief, seed=seed, as_of=as_of, progress=progress)
    return plan_of(made)


def plan_of(situation: Situation) -> Plan:
    """The plan of a situation.

    Raises:
        LimitError: when the limits leave nothing to recommend.
    """
    # One thread: sums in another order would round differently, and with them the plan.
    with threadpool_limits(1):
        return _Planner(situation).plan()


class _Planner:
    """The steps of one plan, and the warnings that they collect."""

    def __init__(self, situation: Situation) -> None:
        self.situation = situation
        self.warnings = list(situation.evidence.warnings)

    def plan(self) -> Plan:
        """All steps in order."""
        count, notes = self.situation.limits.affordable()
        self.warnings += notes
        if self.situation.known_runs < FEWEST_TO_LEARN:
            return self._first_batch(count)
        self.situation.progress(f"learning from {len(self.situation.evidence.grade)} runs")
        self.warnings += cautions(
            self.situation.evidence, self.situation.min_grade, self.situation.brief
        )
        now, point = self._run_now()
        self.situation.progress(f"weighing {count} trials")
        picks, gains = self._batch(count, point)
        stopping = stopping_of(self.situation, gains, now, point)
        plan = self._answer(now, self._describe(picks, gains, now), stopping)
        if plan.maximise != "trade-off":
            return plan
        curve = trade_off(self.situation, now, point[None, :], plan.min_grade, plan.maximise)
        return replace(plan, trade_off=tuple(curve))

    # ------------------------------------------------------------------ steps

    def _run_now(self) -> tuple[RunNow, Indices]:
        confidence = self.situation.brief.goal.confidence

        def score(index: Indices, coarse: bool = False) -> Floats:
            inputs = self.situation.inputs(index)
            chance, worth = self.situation.surrogate.outlook(
                inputs, self.situation.min_grade, self.situation.evidence.feed_odds_today, coarse
            )
            chance = chance * self.situation.chance_even(index)
            # Settings sure enough of the grade rank by worth, above all that are not; those by the
            # recovery to be had with the grade.
            unsure = UNSURE + chance * worth
            if not isinstance(self.situation.objective, Recovery):
                worth = self.situation.surrogate.expect(
                    self.situation.objective.worth, inputs, coarse
                )
            value = np.where(chance >= confidence, worth, unsure)
            return np.where(self.situation.carried(index), value, -np.inf)

        point, value = best_point(
            score,
            self.situation.limits.region,
            self.situation.starts,
            coarse=lambda i: score(i, True),
        )
        if value == -np.inf:
            raise LimitError(
                "no settings keep product and reject inside the capacity.",
                code="no-capacity",
                hint="Raise max_product_rate or max_reject_rate, or allow a lower feed rate.",
            )
        index = point[None, :]
        grade, recovery, _ = self._expect(index)
        chance = self.situation.surrogate.chance_of_grade(
            self.situation.inputs(index),
            self.situation.min_grade,
            self.situation.evidence.feed_odds_today,
        )
        if value < 0.5 * UNSURE:
            self.warnings.append(
                f"No settings are {confidence:.0%} sure of grade {self.situation.min_grade:g} yet; "
                f"run_now has the most recovery times the chance of it, which is {chance[0]:.0%}."
            )
        worth = None
        if not isinstance(self.situation.objective, Recovery):
            worth = float(
                self.situation.surrogate.expect(
                    self.situation.objective.worth, self.situation.evidence.inputs_today(index)
                )[0]
            )
        tried = bool(len(self.situation.tried)) and bool(
            np.any(np.all(self.situation.tried == point, axis=1))
        )
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

    def _incumbents(self) -> Indices:
        """Tried settings that could still be the best today, and all pending ones."""
        settings, _ = distinct_rows(
            self.situation.evidence.settings[self.situation.evidence.measured]
        )
        even = np.unique(self.situation.evidence.space.nearest_index(settings), axis=0)
        even = even[self.situation.limits.region.contains(even)]
        if len(even) > MOST_INCUMBENTS:
            inputs = self.situation.evidence.inputs_today(even)
            odds = self.situation.evidence.feed_odds_today
            hope = self.situation.surrogate.predict(inputs, odds).recovery.high
            hope = hope * self.situation.surrogate.chance_of_grade(
                inputs, self.situation.min_grade, odds
            )
            even = even[np.sort(np.argsort(-hope, kind="stable")[:MOST_INCUMBENTS])]
        both = np.vstack([even, self.situation.pending])
        return both if len(both) else self.situation.tried[:1]

    def _batch(self, count: int, now: Indices) -> tuple[Indices, list[float]]:
        """Trials picked one after another, and the recovery each is expected to add.

        A trial is worth what it adds to the settings tried and to running ``now``, which may not
        have been tried: only then is a small gain a reason to stop.
        """
        e, objective = self.situation.evidence, self.situation.objective
        base = np.unique(np.vstack([self._incumbents(), now]), axis=0)
        if self.situation.limits.lot_binds:
            self.warnings.append(LOT_BINDS)
        improvement = ConstrainedImprovement(
            self.situation.surrogate,
            e.inputs_today(base),
            self.situation.min_grade,
            e.feed_odds_today,
            room=count,
            seed=self.situation.seed,
            objective=None if isinstance(objective, Recovery) else objective,
            reference=objective.reference if isinstance(objective, Recovery) else None,
        )
        picks = np.empty((0, len(e.space.names)), dtype=np.int64)
        gains: list[float] = []
        spent = 0.0
        for k in range(count):
            taken = np.vstack([self.situation.tried, self.situation.pending, picks])
            point, value = self._pick(improvement, taken, spent, count - k)
            if value == -np.inf:
                point, value = self._pick(
                    improvement, np.vstack([self.situation.pending, picks]), spent, 1
                )
                if value == -np.inf:
                    self.warnings.append(
                        f"Only {k} of {count} trials could be placed: the limits leave no other "
                        "settings."
                    )
                    break
            picks = np.vstack([picks, point])
            gains.append(float(np.exp(max(value, LEAST_LOG_GAIN))))
            spent += float(self.situation.limits.tonnes(point[None, :])[0])
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
            even = self.situation.chance_even(index)
            value = improvement.log_gain(self.situation.inputs(index), coarse) + np.log(even)
            # Likely failures rank below all else, by their chance: a plan of nothing else is
            # still a plan.
            value = np.where(even >= LEAST_EVEN, value, FAILING + np.log(even))
            if self.situation.limits.lot_binds:
                value = value - self.situation.limits.log_tonnes(index)
            allowed = self.situation.limits.within_lot(index, spent, left) & self.situation.carried(
                index
            )
            return np.where(allowed, value, -np.inf)

        point, value = best_point(
            score,
            self.situation.limits.region,
            self.situation.starts,
            coarse=lambda i: score(i, True),
            exclude=taken,
        )
        if self.situation.limits.lot_binds:
            value += float(self.situation.limits.log_tonnes(point[None, :])[0])
        return point, value

    def _expect(self, index: Indices) -> tuple[list[Interval], list[Interval], Floats]:
        """Grade and recovery intervals and chance of grade at lattice points."""
        inputs, odds = (
            self.situation.evidence.inputs_today(index),
            self.situation.evidence.feed_odds_today,
        )
        prediction = self.situation.surrogate.predict(inputs, odds)
        grade, recovery = (
            [Interval(*map(float, x)) for x in zip(q.mean, q.low, q.high, strict=True)]
            for q in (prediction.grade, prediction.recovery)
        )
        return (
            grade,
            recovery,
            self.situation.surrogate.chance_of_grade(inputs, self.situation.min_grade, odds),
        )

    def _named(self, point: Indices) -> dict[str, float]:
        space = self.situation.evidence.space
        return {n: float(v) for n, v in zip(space.names, space.values(point)[0], strict=True)}

    def _product_tonnes(self, index: Indices) -> float | None:
        if not self.situation.limits.has_feed:
            return None
        factor = self.situation.site.tonnes_per_hour(self.situation.evidence.line)
        return float(self.situation.product_rate(index)[0]) * factor

    # ------------------------------------------------------------------ answer

    def _describe(
        self, picks: Indices, gains: list[float], now: RunNow
    ) -> tuple[Recommendation, ...]:
        grade, recovery, chance = self._expect(picks)
        even = self.situation.chance_even(picks)
        confidence = self.situation.brief.goal.confidence
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
                minutes=self.situation.brief.trials.minutes,
                why=advice.reason(recovery[k], float(chance[k]), confidence, now.recovery, meets)
                if self.situation.brief.goal.maximise == "recovery"
                else advice.reason_of_gain(
                    gains[k],
                    least_gain(self.situation, now),
                    self.situation.objective.unit,
                    None if self.situation.brief.goal.min_grade is None else float(chance[k]),
                ),
            )
            for k, point in enumerate(picks)
        )

    def _trial_tonnes(self, point: Indices) -> float | None:
        return (
            float(self.situation.limits.tonnes(point[None, :])[0])
            if self.situation.limits.has_feed
            else None
        )

    def _first_batch(self, count: int) -> Plan:
        """Trials spread over the limits when there is nothing to learn from yet."""
        known = int(self.situation.evidence.measured.sum())
        self.warnings.append(
            "The history holds no measured run of this line"
            if known == 0
            else f"Only {known} measured run{'s' if known > 1 else ''} of this line"
        )
        self.warnings[-1] += (
            ": expected grade and recovery, their chance and the settings to run now cannot be "
            "known yet. These trials spread over the limits."
        )
        picks = spread(
            self.situation.limits, np.vstack([self.situation.tried, self.situation.pending]), count
        )
        if len(picks) < count:
            self.warnings.append(f"Only {len(picks)} of {count} trials fit in the limits.")
        trials = unknown_trials(
            [self._named(point) for point in picks],
            [self._trial_tonnes(point) for point in picks],
            self.situation.brief.trials.minutes,
        )
        why = f"{FEWEST_TO_LEARN} measured runs are needed before anything can be expected."
        return self._answer(None, trials, Stopping("continue", None, why))

    def _answer(
        self, now: RunNow | None, trials: tuple[Recommendation, ...], stopping: Stopping
    ) -> Plan:
        e, goal = self.situation.evidence, self.situation.brief.goal
        points, _ = distinct_rows(e.inputs[e.measured])
        return Plan(
            line=e.line,
            material=e.material,
            seed=self.situation.seed,
            history_version=self.situation.version,
            runs_used=len(e.grade),
            set_points=len(points),
            min_grade=self._shown_grade(now),
            confidence=goal.confidence,
            units={s.name: s.unit for s in e.space.settings},
            run_now=now,
            recommendations=in_order(trials, e.space, self.situation.start()),
            stopping=stopping,
            warnings=tuple(self.warnings),
            brief=self.situation.brief.as_document(),
            maximise=goal.maximise,
            prices=None if goal.prices is None else goal.prices.model_dump(),
            gain_unit=self.situation.objective.unit,
        )

    def _shown_grade(self, now: RunNow | None) -> float | None:
        if now is None or self.situation.brief.goal.maximise == "value":
            return self.situation.brief.goal.min_grade
        return self.situation.min_grade
