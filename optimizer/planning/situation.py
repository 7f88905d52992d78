"""All that a plan depends on: the evidence of a line, the brief, the fitted model, the limits.

In come the runs of a history, the site and a brief; out comes a ``Situation``. It is frozen: a
derived quantity is computed once, and equal calls always give equal results.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.borrowing import knows_enough
from optimizer.evidence.fitting import chance_even_of, fit_surrogate
from optimizer.evidence.middlings import Middlings, fit_middlings
from optimizer.evidence.record import Evidence
from optimizer.gaussian_process.inputs import Inputs
from optimizer.history.issued import ISSUED, issued_batches
from optimizer.history.issued_numbers import unsettled_ids
from optimizer.history.snapshot import Snapshot, snapshot_of
from optimizer.interval import Intervals
from optimizer.model.fitted_surrogate import FittedSurrogate
from optimizer.model.selection import chance_after_selection
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.planning.limits import Limits
from optimizer.planning.objective import Objective, objective_of
from optimizer.planning.plan import PendingTrial
from optimizer.plant.brief import Brief
from optimizer.plant.gates import values_on
from optimizer.plant.settings import FEED_RATE, SettingSpace
from optimizer.plant.site import Site
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.history.snapshot import Source

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]
    Progress = Callable[[str], None]

# With fewer measured runs than this, a plan spreads its trials over the limits and fits no model.
FEWEST_TO_LEARN = 3
# The grade to reach where only prices count: every product meets it.
ANY_GRADE = 1e-6


def situation_of(
    history: Source,
    site: Site | None = None,
    brief: Brief | None = None,
    *,
    seed: int = 0,
    progress: Progress | None = None,
) -> Situation:
    """The situation that a brief describes, with its names and material checked.

    Arguments and errors are those of ``planner.suggest``.
    """
    site = site or Site()
    brief = (brief or Brief()).check_names(site)
    snapshot = snapshot_of(history, site)
    # Runs of other lines matter only where a line has few runs.
    runs = snapshot.runs(site, None if brief.line is None else [brief.line])
    if brief.line is not None and not knows_enough(runs, site.space_of(brief.line)):
        runs = snapshot.runs(site)
    evidence = evidence_of(runs, site, brief)
    under_way = _under_way(snapshot, site, brief, evidence.line)
    return Situation(snapshot, evidence, site, brief, seed, progress or (lambda _: None), under_way)


@dataclass(frozen=True)
class UnderWay:
    """Trials that were started or issued and are not measured yet.

    Attributes:
        trials: the trials, those of issued batches first; each settings once if there are any.
        issued: whether the history holds an issued batch.
        warnings: sentences about issued trials that cannot be taken into account.
    """

    trials: tuple[PendingTrial, ...]
    issued: bool = False
    warnings: tuple[str, ...] = ()


def _under_way(snapshot: Snapshot, site: Site, brief: Brief, line: str | None) -> UnderWay:
    """The pending trials of issued batches of a line, and those that the brief names."""
    space = site.space_of(line)
    named = [PendingTrial(None, settings) for settings in brief.pending_on(space)]
    if not any(event.what == ISSUED for event in snapshot.events):
        return UnderWay(tuple(named))
    found, warnings = [], []
    still_open = [] if line is None else unsettled_ids(snapshot, line)
    for batch in issued_batches(snapshot, site, line, still_open):
        unlike = [
            s.name
            for s in space.settings
            if batch.units.get(s.name, batch.units.get(s.gate_of or "")) != s.unit
        ]
        if unlike and batch.pending:
            warnings.append(sentence("batch_in_another_unit", batch=batch.batch, names=unlike))
        elif batch.pending:
            found += [PendingTrial(t.trial, _only(t.planned, space)) for t in batch.pending]
    once: dict[tuple[int, ...], PendingTrial] = {}
    for trial in (*found, *named):
        once.setdefault(tuple(space.index_of(trial.settings)[0].tolist()), trial)
    return UnderWay(tuple(once.values()), True, tuple(warnings))


def _only(settings: Mapping[str, float], space: SettingSpace) -> dict[str, float]:
    """The settings of a space, in its order; a trial that was issued when all gates had one control
    has them alike."""
    known = {name for name in settings if name in space.names or name in space.gates}
    return values_on(space, {name: settings[name] for name in known}, "trial")


@dataclass(frozen=True)
class Expectation:
    """Expectations of the model for n settings with today's material.

    Attributes:
        grade, recovery: predicted mean and interval of the true values.
        chance_of_grade: chance that the true grade is at least the grade to reach, shape (n,).
        chance_even: chance that the deck runs even, shape (n,).
    """

    grade: Intervals
    recovery: Intervals
    chance_of_grade: Floats
    chance_even: Floats


@dataclass(frozen=True)
class Situation:
    """The data and the model that all steps of a plan use.

    Args:
        snapshot: the runs of the history at the version that the plan is based on.
        evidence: runs of the line, as arrays.
        site: description of the plant.
        brief: what is wanted today, with names and material already checked.
        seed: seed of all random numbers.
        progress: function that is called with a line of text at each stage.
        under_way: trials that were started or issued and are not measured yet.
    """

    snapshot: Snapshot
    evidence: Evidence
    site: Site
    brief: Brief
    seed: int
    progress: Progress
    under_way: UnderWay

    @property
    def known_runs(self) -> int:
        """Number of measured runs to learn from, borrowed runs included."""
        e = self.evidence
        return int(e.measured.sum()) + (0 if e.borrowed is None else len(e.borrowed.grade))

    @cached_property
    def limits(self) -> Limits:
        """The limits of the batch."""
        e = self.evidence
        factor = self.site.tonnes_per_hour(e.line)
        return Limits(e.space, self.brief, factor, self.seed, self.site.mass)

    def product_rate(self, index: Indices) -> Floats:
        """Expected rate of product, in the site's unit of feed rate, shape (n,); where the material
        varies over the shift, the mean rate."""
        return self.limits.feed(index) * (self._shares(index) @ self._share_of_feed)

    def _shares(self, index: Indices) -> Floats:
        """Share of the feed that goes to the product, for each material of the shift, (n, k)."""
        if self.evidence.shift is None:
            share = self.surrogate.mean_yield
            return share(self.inputs(index), self.evidence.feed_odds_today)[:, None]
        return self._shares_at(self.evidence.space.values(index))

    def _shares_at(self, values: Floats) -> Floats:
        """The same for values of the settings, shape (n, d), on the lattice or not."""
        e, share = self.evidence, self.surrogate.mean_yield
        if e.shift is None:
            return share(e.inputs_at(values), e.feed_odds_today)[:, None]
        each = zip(e.shift.today, e.shift.feed_odds, strict=True)
        return np.column_stack([share(e.inputs_at(values, today), odds) for today, odds in each])

    @property
    def _share_of_feed(self) -> Floats:
        """Share of each material of the shift in its feed, shape (k,)."""
        shift = self.evidence.shift
        return np.ones(1) if shift is None else shift.share

    def product_tonnes(self, point: Indices) -> float | None:
        """Expected rate of product, t/h, at a lattice point, shape (d,); None without a feed
        rate."""
        return self.product_tonnes_at(self.evidence.space.values(point))

    def product_tonnes_at(self, values: Floats) -> float | None:
        """Expected rate of product, t/h, at settings, shape (1, d), on the lattice or not; None
        without a feed rate. Where the material varies over the shift, it is the mean rate."""
        if not self.limits.has_feed:
            return None
        e = self.evidence
        share = (self._shares_at(values) @ self._share_of_feed)[0]
        product = values[0, e.space.names.index(FEED_RATE)] * share
        return float(product) * self.site.tonnes_per_hour(e.line)

    def trial_tonnes(self, point: Indices) -> float | None:
        """Feed, t, that a trial at a lattice point, shape (d,), consumes; None without a feed
        rate."""
        return float(self.limits.tonnes(point[None, :])[0]) if self.limits.has_feed else None

    def within_capacity(self, index: Indices) -> NDArray[np.bool_]:
        """Which lattice points, (n, d), keep product and reject inside the capacity with every
        material of the shift; shape (n,)."""
        capacity = self.brief.capacity
        most_product, most_reject = capacity.max_product_rate, capacity.max_reject_rate
        inside = np.ones(len(index), dtype=bool)
        if not self.limits.has_feed or (most_product is None and most_reject is None):
            return inside
        feed, shares = self.limits.feed(index), self._shares(index)
        if most_product is not None:
            inside &= feed * shares.max(axis=1) <= most_product + 1e-9
        if most_reject is not None:
            rest = (1.0 - shares - self._middlings_shares(index)).max(axis=1)
            inside &= feed * rest <= most_reject + 1e-9
        return inside

    def _middlings_shares(self, index: Indices) -> Floats:
        """Share of the feed that goes to the middlings, for each material of the shift, shape
        (n, k); 0 where nothing is known of them, shape (1, 1)."""
        if self.middlings is None:
            return np.zeros((1, 1))
        values, shift = self.evidence.space.values(index), self.evidence.shift
        each = [self.evidence.today] if shift is None else shift.today
        found = [self.middlings.share.mean(self.evidence.inputs_at(values, m)) for m in each]
        return np.column_stack(found)

    @cached_property
    def surrogate(self) -> FittedSurrogate:
        """The surrogate of grade and recovery, fitted to the measured runs."""
        return fit_surrogate(self.evidence, self.seed)

    @cached_property
    def middlings(self) -> Middlings | None:
        """The middlings as the runs tell of them; None where too few do."""
        return fit_middlings(self.evidence, self.seed)

    @cached_property
    def objective(self) -> Objective:
        """The worth that the plan maximizes."""
        e, found = self.evidence, self.middlings
        mass = self.site.mass_per_hour(e.line)
        share = None if found is None else found.share.mean
        return objective_of(self.brief.goal, e.space, mass, e.feed_odds_today, share)

    def expected_worth(self, inputs: Inputs, coarse: bool = False) -> Floats:
        """Posterior mean of the worth at n inputs, shape (n,)."""
        worth = self.objective.at(inputs.values)
        return self.surrogate.expect(lambda S, C, _: worth(S, C), inputs, coarse)

    @cached_property
    def chance_even_at(self) -> Callable[[Floats], Floats]:
        """Function from values of the settings, shape (n, d), to the chance of an even deck,
        (n,)."""
        return chance_even_of(self.evidence)

    def chance_even(self, index: Indices) -> Floats:
        """Chance of an even deck at lattice points, shape (n, d); shape (n,)."""
        return self.chance_even_at(self.evidence.space.values(index))

    @cached_property
    def min_grade(self) -> float:
        """The grade to reach: the grade of the brief; else the median grade of the runs. Where only
        prices count, or no grade was measured yet, it is a grade that every product meets."""
        goal = self.brief.goal
        if goal.min_grade is not None or goal.maximise == "value":
            return goal.min_grade or ANY_GRADE
        e = self.evidence
        grades = [e.grade[e.measured], *([] if e.borrowed is None else [e.borrowed.grade])]
        usual = next((g for g in grades if len(g)), None)
        return ANY_GRADE if usual is None else float(np.round(np.median(usual), 4))

    @cached_property
    def starts(self) -> Indices:
        """Lattice points where searches start, shape (n, d): points spread over the limits, and the
        points that were tried."""
        inside = self.tried[self.limits.region.contains(self.tried)]
        return np.unique(np.vstack([self.limits.pool, inside]), axis=0)

    @cached_property
    def _start_inputs(self) -> Inputs:
        return Inputs(self.evidence.inputs_today(self.starts))

    def inputs(self, index: Indices) -> Inputs:
        """Lattice points, shape (n, d), as inputs of the surrogate. For ``starts`` it returns one
        object every time, so that the surrogate computes its results at these points once."""
        if index is self.starts:
            return self._start_inputs
        return Inputs(self.evidence.inputs_today(index))

    def expected(self, index: Indices) -> Expectation:
        """Expectations of the model for lattice points, shape (n, d), with today's material."""
        return self.expected_at(self.evidence.space.values(index), self.min_grade)

    def expected_at(self, values: Floats, min_grade: float) -> Expectation:
        """Expectations of the model for values of the settings, shape (n, d), on the lattice or
        not, with today's material and a grade to reach."""
        inputs, odds = self.evidence.inputs_at(values), self.evidence.feed_odds_today
        outcome = self.surrogate.predict(inputs, odds)
        return Expectation(
            grade=outcome.grade,
            recovery=outcome.recovery,
            chance_of_grade=self.surrogate.chance_of_grade(inputs, min_grade, odds),
            chance_even=self.chance_even_at(values),
        )

    def chance_selected(self, index: Indices) -> Floats:
        """Chance that settings which were selected meet the grade, for a few lattice points, shape
        (n, d); shape (n,)."""
        e = self.evidence
        inputs = e.inputs_today(index)
        return chance_after_selection(self.surrogate, inputs, self.min_grade, e.feed_odds_today)

    @cached_property
    def tried(self) -> Indices:
        """Distinct lattice points that were run, shape (k, d)."""
        settings, _ = distinct_rows(self.evidence.settings)
        return np.unique(self.evidence.space.nearest_index(settings), axis=0)

    @cached_property
    def pending(self) -> Indices:
        """Lattice points, shape (k, d), of trials that were started and are not measured yet."""
        return self.evidence.space.index_of(*(trial.settings for trial in self.under_way.trials))

    def start(self) -> dict[str, float]:
        """Settings of the deck before the first trial: from the brief, else from the last run."""
        last = self.evidence.settings[-1] if len(self.evidence.settings) else None
        space = self.evidence.space
        known = {} if last is None else dict(zip(space.names, map(float, last), strict=True))
        return {**known, **self.brief.current_on(space)}
