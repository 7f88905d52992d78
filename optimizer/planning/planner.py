"""From a brief to a plan: the settings to run now, a batch of trials, and whether to stop.

In comes a ``Situation``; out comes a ``Plan``. Planning is one pass: fit the model, choose the
settings to run now, pick trials one after another, advise whether more trials are worth it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.diagnostics.drift import season_drifts, season_sentence
from optimizer.evidence.cautions import (
    cautions,
    changes_unlogged,
    of_other_labels,
    over_the_shift,
)
from optimizer.evidence.drift_now import drift_at
from optimizer.measurement import count_for_grade
from optimizer.model.wrong_readings import WRONG_BELOW
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.planning.batch_order import in_order
from optimizer.planning.explanations import reason, reason_of_gain, with_profile
from optimizer.planning.first_batch import spread_trials, unknown_trials
from optimizer.planning.hold import expected_middlings, expected_over_shift
from optimizer.planning.objective import Recovery, told_prices
from optimizer.planning.plan import Plan, Recommendation, RunNow, Stopping
from optimizer.planning.run_now import choose_run_now
from optimizer.planning.situation import FEWEST_TO_LEARN, Situation, situation_of
from optimizer.planning.stopping import least_gain, stopping_of
from optimizer.planning.trade_off import trade_off
from optimizer.planning.trial_selection import Selection, select_trials
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    from optimizer.history.snapshot import Source

    Progress = Callable[[str], None]


def suggest(
    history: Source,
    site: Site | None = None,
    brief: Brief | None = None,
    *,
    seed: int = 0,
    progress: Progress | None = None,
) -> Plan:
    """Ranked next settings, and the settings to run now.

    Args:
        history: a history, whose latest version is used; one version of a history (``History.at``);
            or the runs as a table in the site's units.
        site: description of the plant; None for the defaults.
        brief: what is wanted today; None for the defaults.
        seed: seed of all random numbers; equal history, brief and seed give an equal plan.
        progress: function that is called with a line of text at each stage.

    Raises:
        InputError: when the brief has a name that the site does not declare.
        LimitError: when the limits leave nothing to recommend.
        HistoryError: when the history cannot be read.
    """
    made = situation_of(history, site, brief, seed=seed, progress=progress)
    return plan_of(made)


def plan_of(situation: Situation) -> Plan:
    """The plan of a situation.

    Raises:
        LimitError: when the limits leave nothing to recommend.
    """
    # With several threads, sums in another order would round differently and could change the plan.
    with threadpool_limits(1):
        if situation.known_runs < FEWEST_TO_LEARN:
            return _plan_without_model(situation)
        return _plan_with_model(situation)


def _plan_with_model(situation: Situation) -> Plan:
    """Trials by expected gain, from a model of the runs."""
    evidence, brief = situation.evidence, situation.brief
    count, shortages = situation.limits.affordable()
    situation.progress(sentence("stage_learning", count=len(evidence.grade)))
    open_questions = cautions(evidence, situation.min_grade, brief)
    chosen = choose_run_now(situation)
    run_now = chosen.run_now
    situation.progress(sentence("stage_weighing", count=count))
    selection = select_trials(situation, count, chosen.point)
    at = evidence.space.values(chosen.point[None, :])
    plan = _plan(
        situation,
        run_now,
        _described(situation, selection, run_now),
        stopping_of(situation, selection.gains, run_now, chosen.point),
        [
            *shortages,
            *open_questions,
            *of_other_labels(evidence, situation.surrogate.agreement_),
            *over_the_shift(evidence),
            *_contradicting(situation, run_now),
            *changes_unlogged(situation.surrogate, evidence, evidence.inputs_at(at)),
            *chosen.warnings,
            *selection.warnings,
        ],
    )
    drift = drift_at(situation.surrogate, evidence, at, evidence.feed_odds_today)
    if drift is not None:
        season = season_sentence(season_drifts(evidence, situation.seed))
        drift = replace(drift, season=season)
    plan = replace(plan, favored=situation.surrogate.favored_, drift=drift)
    if chosen.over_shift is not None:
        plan = replace(plan, hold=chosen.over_shift.as_dict())
    if plan.maximise != "trade-off":
        return plan
    curve = trade_off(situation, run_now, chosen.point[None, :], plan.min_grade, plan.maximise)
    return replace(plan, trade_off=curve)


def _contradicting(situation: Situation, run_now: RunNow) -> list[str]:
    """Warnings about runs that count little because their readings contradict all others; one that
    read better than the settings to run now is worth a repeat, which decides whether it was wrong,
    unless another run at its settings has decided that."""
    doubted = situation.surrogate.run_weights_ < WRONG_BELOW
    if not doubted.any():
        return []
    said: list[str] = [sentence("runs_count_little", count=int(doubted.sum()))]
    e = situation.evidence
    rows = np.flatnonzero(e.measured)
    own = doubted[: len(rows)]
    _, group = distinct_rows(e.settings[rows])
    decided = np.bincount(group, weights=~own) > 0
    rows = rows[own & ~decided[group]]
    within = situation.limits.region.contains(e.space.nearest_index(e.settings[rows]))
    recovery, expected = e.readings.recovery[rows], run_now.recovery.mean
    met = within & (e.grade[rows] >= situation.min_grade)
    if expected is not None:
        met &= recovery > expected
    if situation.brief.goal.maximise == "recovery" and met.any():
        best = rows[met][np.argmax(recovery[met])]
        named = zip(e.space.names, e.settings[best].tolist(), strict=True)
        said.append(
            sentence(
                "doubted_but_best",
                recovery=float(e.readings.recovery[best]),
                grade=float(e.grade[best]),
                settings=[sentence("setting_at", name=name, value=value) for name, value in named],
            )
        )
    return said


def _plan_without_model(situation: Situation) -> Plan:
    """Trials spread over the limits, where there are too few runs to learn from."""
    space, limits, brief = situation.evidence.space, situation.limits, situation.brief
    count, warnings = limits.affordable()
    known = int(situation.evidence.measured.sum())
    few = sentence("few_measured_runs", count=known) if known else sentence("no_measured_run")
    warnings = [*warnings, few]
    points = spread_trials(limits, np.vstack([situation.tried, situation.pending]), count)
    if len(points) < count:
        warnings.append(sentence("trials_inside", placed=len(points), asked=count))
    trials = unknown_trials(
        [space.named(point) for point in points],
        [situation.trial_tonnes(point) for point in points],
        brief.trials.minutes,
    )
    why = sentence("runs_needed", needed=FEWEST_TO_LEARN)
    return _plan(situation, None, trials, Stopping("continue", None, why), warnings)


def _described(
    situation: Situation, selection: Selection, run_now: RunNow
) -> tuple[Recommendation, ...]:
    """The selected trials, each with its expectations."""
    expected, space = expected_over_shift(situation, selection.points), situation.evidence.space
    middlings = expected_middlings(situation, selection.points)
    trials = []
    for k, (point, gain) in enumerate(zip(selection.points, selection.gains, strict=True)):
        chance = float(expected.chance_of_grade[k])
        trials.append(
            Recommendation(
                rank=k + 1,
                settings=space.named(point),
                grade=expected.grade[k],
                recovery=expected.recovery[k],
                chance_of_grade=chance,
                chance_even=float(expected.chance_even[k]),
                expected_gain=gain,
                product_t_per_h=situation.product_tonnes(point),
                material_t=situation.trial_tonnes(point),
                minutes=situation.brief.trials.minutes,
                why="",
                middlings=middlings[k],
            )
        )
    return tuple(
        replace(
            trial,
            why=with_profile(
                _why(situation, trial, run_now), space, trial.settings, run_now.settings
            ),
        )
        for trial in trials
    )


def _why(situation: Situation, trial: Recommendation, run_now: RunNow) -> str:
    """Why a trial is worth its material, in one sentence."""
    goal = situation.brief.goal
    chance, gain = trial.chance_of_grade, trial.expected_gain
    assert chance is not None
    assert gain is not None
    if goal.maximise == "recovery":
        sure = run_now.chance_of_grade is not None and run_now.chance_of_grade >= goal.confidence
        return reason(trial.recovery, chance, goal.confidence, run_now.recovery, sure)
    bar, objective = least_gain(situation, run_now), situation.objective
    chance_asked = None if goal.min_grade is None else chance
    over = objective.reference if isinstance(objective, Recovery) else None
    return reason_of_gain(gain, bar, objective.unit, chance_asked, over)


def _plan(
    situation: Situation,
    run_now: RunNow | None,
    trials: tuple[Recommendation, ...],
    stopping: Stopping,
    warnings: Sequence[str],
) -> Plan:
    """The whole plan, its trials in the order in which to run them."""
    evidence, goal = situation.evidence, situation.brief.goal
    by_wish = run_now is None or goal.maximise == "value"
    min_grade = goal.min_grade if by_wish else situation.min_grade
    difference = situation.site.measurement.grade_difference
    return Plan(
        line=evidence.line,
        material=evidence.material,
        seed=situation.seed,
        history_version=situation.snapshot.version,
        runs_used=len(evidence.grade),
        set_points=evidence.set_points,
        min_grade=min_grade,
        confidence=goal.confidence,
        units={s.name: s.unit for s in evidence.space.settings},
        run_now=run_now,
        recommendations=in_order(trials, evidence.space, situation.start()),
        stopping=stopping,
        warnings=(*evidence.warnings, *situation.under_way.warnings, *warnings),
        brief=situation.brief.as_document(),
        maximise=goal.maximise,
        prices=None if goal.prices is None else told_prices(goal.prices, situation.site.mass),
        gain_unit=situation.objective.unit,
        pending=situation.under_way.trials if situation.under_way.issued else None,
        mass=situation.site.mass,
        material_units=situation.site.material_units(evidence.material),
        sampling=None if min_grade is None else count_for_grade(min_grade, difference),
    )
