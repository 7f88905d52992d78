"""What the history says about one line, as the arrays a surrogate learns from.

In come the runs of a line and today's material; out comes an ``Evidence``: settings and material
in unit coordinates, readings with known errors, today's values, and a warning for everything
that the runs cannot tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow.compute as pc
from scipy.special import expit

from optimizer.borrowing import runs_to_learn_from
from optimizer.config import FEED_GRADE, Brief, Site
from optimizer.coordinates import guess_feed_odds, log_odds, log_unwanted
from optimizer.errors import nearest
from optimizer.intake.started import misdated
from optimizer.measurement.measured import measured_errors
from optimizer.rows import distinct_rows
from optimizer.settings import SettingSpace
from optimizer.units import scaled

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Material readings closer than this share of the declared range count as the same material, so
# that replicates collapse although a moisture meter never shows the same figure twice.
CONTEXT_GRID = 0.02
# Beyond so many set-points the grid of the material is coarsened.
MOST_SET_POINTS = 1200
# But no coarser than this: settings alone may make more set-points than that.
COARSEST_GRID = 0.16
# A material variable that moved by less than this share of its range tells nothing.
CONTEXT_MOVES = 0.02
# Labels of material become inputs when there are a few, each with a few runs; more are lot names.
FEWEST_LABEL_RUNS, MOST_LABELS = 5, 6
# Today's material, where the brief leaves it open, is the median of so many latest runs.
LATEST_RUNS = 10
# Share of runs that a measured feed grade may contradict before it is set aside.
MOST_CONTRADICTIONS = 0.05
COLLINEAR_FROM = 0.95
# Above this share of readings with a stated error the others are taken to be read as well.
MOSTLY_STATED = 0.5
FEWEST_FOR_CORRELATION = 8


@dataclass(frozen=True)
class Evidence:
    """The runs of one line, ready to learn from.

    Attributes:
        space: settings of the line.
        line: its name, or None when the history is empty and none was named.
        settings: values of every run, failed ones included, shape (n, d).
        context: material inputs of every run in unit coordinates, shape (n, m).
        today: material inputs today, shape (m,).
        grade, recovery: readings, NaN where a failed trial has none, shape (n,).
        grade_count: particles, where the grade is a count, else NaN, shape (n,).
        grade_se, recovery_se: standard errors as fractions, NaN where not known, shape (n,).
        grade_logit, recovery_logit: readings on the logit scale, NaN likewise, shape (n,).
        grade_variance, recovery_variance: their known variances, shape (n,).
        feed_odds: log odds of the feed grade of every run, shape (n,).
        feed_odds_today: the same today.
        feed_grade_known: whether the feed grade was measured or stated rather than guessed.
        even: whether the deck ran even, shape (n,).
        started: when each run started, in UTC, NaT where undated, shape (n,).
        material: today's material as the plan reports it.
        warnings: what the runs cannot tell.
        number: of the line among those that teach each other: 0 the own, 1 and up the others,
            shape (n,).
        by_line: whether lines teach each other; the number of a line is then an input.
        borrowed: measured runs of other lines, where this one has few, or None.
    """

    space: SettingSpace
    line: str | None
    settings: Floats
    context: Floats
    today: Floats
    grade: Floats
    recovery: Floats
    grade_count: Floats
    grade_se: Floats
    recovery_se: Floats
    grade_logit: Floats
    recovery_logit: Floats
    grade_variance: Floats
    recovery_variance: Floats
    feed_odds: Floats
    feed_odds_today: float
    feed_grade_known: bool
    even: NDArray[np.bool_]
    started: NDArray[np.datetime64]
    material: Mapping[str, Any]
    warnings: tuple[str, ...]
    number: Floats
    by_line: bool
    borrowed: Evidence | None = None

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Runs with both readings."""
        return np.isfinite(self.grade_logit) & np.isfinite(self.recovery_logit)

    @property
    def inputs(self) -> Floats:
        """Settings and material in unit coordinates, and the line's number where lines teach each
        other, shape (n, d + m) or (n, d + m + 1)."""
        inputs = [np.round(self.space.to_unit(self.settings), 9), self.context]
        return np.hstack([*inputs, self.number[:, None]] if self.by_line else inputs)

    def inputs_today(self, index: NDArray[np.int64]) -> Floats:
        """Lattice points, shape (k, d), with today's material, as ``inputs`` has them."""
        unit = np.round(self.space.to_unit(self.space.values(index)), 9)
        inputs = [unit, np.tile(self.today, (len(unit), 1))]
        return np.hstack([*inputs, np.zeros((len(unit), 1))] if self.by_line else inputs)

    def alone(self) -> Evidence:
        """Without what was borrowed from other lines."""
        return replace(self, by_line=False, borrowed=None)

    def take(self, rows: NDArray[np.bool_]) -> Evidence:
        """Some of the runs."""
        each = {
            f.name: getattr(self, f.name)[rows]
            for f in fields(self)
            if isinstance(getattr(self, f.name), np.ndarray) and f.name != "today"
        }
        return replace(self, **each)


def gather(runs: pa.Table, site: Site, brief: Brief) -> Evidence:
    """The evidence for a brief in the runs of a history.

    Args:
        runs: all runs read, settings in the site's units, in the history's order.
        site: the plant.
        brief: today's line and material.
    """
    warnings: list[str] = []
    line = _choose_line(runs, brief, warnings)
    runs, number = runs_to_learn_from(runs, line, site, warnings)
    warnings += misdated(runs)
    space = site.space_of(line)
    column = _columns(runs)
    settings = np.column_stack([column(name) for name in space.names])
    grade, recovery = column("grade"), column("recovery")
    errors = measured_errors(
        grade, recovery, column("grade_se"), column("recovery_se"), column("grade_count")
    )
    context, today, material = _material(runs, column, site, brief, warnings)
    odds, odds_today, known = _feed_odds(
        column, errors.grade_logit, errors.recovery_logit, site, material, warnings
    )
    fine = pc.fill_null(pc.equal(runs["deck_state"], "even"), True) if runs.num_rows else []
    whole = Evidence(
        space=space,
        line=line,
        settings=settings,
        context=context,
        today=today,
        grade=grade,
        recovery=recovery,
        grade_count=np.where(errors.counted, column("grade_count"), np.nan),
        grade_se=errors.grade_se,
        recovery_se=errors.recovery_se,
        grade_logit=errors.grade_logit,
        recovery_logit=errors.recovery_logit,
        grade_variance=_fill_unknown(grade, errors.grade_logit_var, errors.grade_se),
        recovery_variance=_fill_unknown(recovery, errors.recovery_logit_var, errors.recovery_se),
        feed_odds=odds,
        feed_odds_today=odds_today,
        feed_grade_known=known,
        even=np.array(fine, dtype=bool),
        started=_started(runs),
        material=material,
        warnings=(),
        number=number,
        by_line=bool(number.any()),
    )
    own, other = whole, None
    if whole.by_line:
        own, other = whole.take(number == 0), whole.take(number > 0)
    warnings += _habits(own)
    mine = runs.slice(int(np.sum(number > 0)))
    warnings += _unsettled(mine, own.settings, own.measured, brief.trials.settle_minutes)
    return replace(own, warnings=tuple(warnings), borrowed=other)


def _columns(runs: pa.Table) -> Any:
    def column(name: str) -> Floats:
        if name not in runs.column_names:
            return np.full(runs.num_rows, np.nan)
        values = runs[name].cast("float64").to_numpy()
        return np.asarray(values, dtype=float)

    return column


def _started(runs: pa.Table) -> NDArray[np.datetime64]:
    moments = runs["started_at"].cast("timestamp[us]").to_numpy()
    return np.asarray(moments, dtype="datetime64[us]")


def _fill_unknown(reading: Floats, variance: Floats, se: Floats) -> Floats:
    """Variances with the unknown ones filled in, shape (n,).

    Where most readings state their error, the others take the median of what is stated. Where few
    or none do, the others take 0, and the estimated process noise holds all of their scatter: a
    handful of readings does not say how well the rest were taken. A reading of exactly 0 or 1 has
    a variance of its own (``measured_errors``), which says nothing of the others.

    Args:
        reading: fractions, NaN where there is none.
        variance: on the logit scale, NaN where not known.
        se: standard errors that are stated or follow from a count, else NaN.
    """
    stated = np.isfinite(se)
    most = stated.sum() > MOSTLY_STATED * np.isfinite(reading).sum()
    usual = float(np.median(variance[stated])) if most else 0.0
    return np.where(np.isfinite(variance), variance, usual)


def _choose_line(runs: pa.Table, brief: Brief, warnings: list[str]) -> str | None:
    lines: list[str] = sorted(pc.unique(runs["line"]).to_pylist()) if runs.num_rows else []
    if brief.line is not None:
        if lines and brief.line not in lines:
            hint = nearest(brief.line, lines)
            warnings.append(f"Line '{brief.line}' has no runs yet. {hint}")
        return brief.line
    if len(lines) <= 1:
        return lines[0] if lines else None
    started = runs["started_at"].cast("timestamp[us]").cast("int64").to_numpy()
    names = np.array(runs["line"].to_pylist())
    latest = {n: float(np.nanmax(np.append(started[names == n], -np.inf))) for n in lines}
    chosen = max(lines, key=lambda n: (latest[n], int(np.sum(names == n)), n))
    warnings.append(
        f"No line was named; this plan is for '{chosen}', the one with the latest run. "
        f"Lines here: {', '.join(lines)}."
    )
    return chosen


def _material(
    runs: pa.Table, column: Any, site: Site, brief: Brief, warnings: list[str]
) -> tuple[Floats, Floats, dict[str, Any]]:
    """Material inputs of every run and today, in unit coordinates, and today's values."""
    past, today, material = [], [], {}
    for name, variable in site.material.items():
        values = column(name)
        known = np.isfinite(values)
        given = brief.material.get(name)
        now = _today(name, given, values, known, variable, warnings)
        if now is not None:
            material[name] = now
        span = variable.high - variable.low
        if not known.any() or np.ptp(values[known]) < CONTEXT_MOVES * span:
            if (
                known.any()
                and now is not None
                and abs(now - np.median(values[known])) > (CONTEXT_MOVES * span)
            ):
                warnings.append(
                    f"{name} was {np.median(values[known]):g} {variable.unit} in every run; what "
                    f"{now:g} does cannot be known."
                )
            continue
        unit = (np.where(known, values, np.median(values[known])) - variable.low) / span
        past.append(unit)
        today.append((float(now) - variable.low) / span if now is not None else np.median(unit))
    context = np.column_stack(past) if past else np.zeros((runs.num_rows, 0))
    context = _on_grid(context, np.array(today), column, site, len(past))
    labels, label_today = _labels(runs, brief, material, warnings)
    return (
        np.hstack([context, labels]),
        np.concatenate([today, label_today]),
        material,
    )


def _today(
    name: str, given: Any, values: Floats, known: Any, variable: Any, warnings: list[str]
) -> float | None:
    """Today's value of a material variable: the brief's, else that of the latest runs."""
    if given is not None:
        if known.any():
            low, high = np.min(values[known]), np.max(values[known])
            margin = 0.02 * (variable.high - variable.low)
            if not low - margin <= given <= high + margin:
                warnings.append(
                    f"{name} {given:g} {variable.unit} lies outside the runs "
                    f"({low:g} to {high:g}): the plan extrapolates."
                )
        return float(given)
    if not known.any():
        return None
    return float(np.round(np.median(values[known][-LATEST_RUNS:]), 6))


def _on_grid(context: Floats, today: Floats, column: Any, site: Site, m: int) -> Floats:
    """Material on a grid coarse enough that the exact model can hold the set-points.

    The grid is anchored at today's material, which the plan is about.
    """
    if not m or not len(context):
        return context
    space = site.space
    settings = np.column_stack([column(name) for name in space.names])
    grid = CONTEXT_GRID
    while True:
        binned = np.round(today + np.round((context - today) / grid) * grid, 9)
        points, _ = distinct_rows(np.hstack([settings, binned]))
        if len(points) <= MOST_SET_POINTS or grid >= COARSEST_GRID:
            return binned
        grid *= 2.0


def _labels(
    runs: pa.Table, brief: Brief, material: dict[str, Any], warnings: list[str]
) -> tuple[Floats, Floats]:
    """Material labels as one 0/1 input each, when there are a few with a few runs each."""
    kinds, place = np.array([""]), np.zeros(runs.num_rows, np.int64)
    if "material" in runs.column_names and runs.num_rows:
        column = pc.fill_null(runs["material"].cast("string"), "")
        found = pc.unique(column).sort()
        kinds, place = np.array(found.to_pylist()), pc.index_in(column, found).to_numpy()
    counts = np.bincount(place, minlength=len(kinds))
    given = brief.material.get("material")
    named = np.flatnonzero(kinds[place] != "")
    latest = str(kinds[place[named[-1]]]) if len(named) else None
    now = str(given) if given is not None else latest
    if now is not None:
        material["material"] = now
    label = np.flatnonzero(kinds != "")
    counts, kinds = counts[label], kinds[label]
    usable = 1 < len(kinds) <= MOST_LABELS and counts.min() >= FEWEST_LABEL_RUNS
    if not usable:
        return np.zeros((runs.num_rows, 0)), np.zeros(0)
    if now not in kinds:
        warnings.append(f"Material '{now}' has no runs. Known here: {', '.join(kinds)}.")
    today = (kinds == now).astype(float)
    return (place[:, None] == label).astype(float), today


def _feed_odds(
    column: Any,
    grade_logit: Floats,
    recovery_logit: Floats,
    site: Site,
    material: dict[str, Any],
    warnings: list[str],
) -> tuple[Floats, float, bool]:
    """Log odds of the feed grade of each run and today, and whether they are known.

    Runs that carry none are taken to have been fed as the others were, and where no run carries
    one, as the brief says: grade and recovery then split the mass of today's feed as the
    two-product formula says. Without either it is guessed.
    """
    measured = np.isfinite(grade_logit) & np.isfinite(recovery_logit)
    feed = scaled(column(FEED_GRADE), site.feed_grade_scale)
    known = np.isfinite(feed)
    now = material.get(FEED_GRADE)
    if now is not None:
        today = float(scaled(np.array(now), site.feed_grade_scale))
        usual = float(np.median(feed[known])) if known.any() else today
        odds = log_odds(np.where(known, feed, usual))
        contradicts = log_unwanted(grade_logit, recovery_logit, odds)[measured] > 0
        if contradicts.sum() <= MOST_CONTRADICTIONS * len(contradicts):
            if measured.any() and not known.any():
                unit = site.material[FEED_GRADE].unit
                warnings.append(
                    f"feed_grade is in no run: all are taken to have been fed today's {now:g} "
                    f"{unit}".rstrip()
                    + "."
                )
            return odds, float(log_odds(today)), True
        warnings.append(
            f"feed_grade contradicts grade and recovery in {contradicts.mean():.0%} of the runs "
            "(more unwanted material in the product than was fed) and was set aside."
        )
    guess = 0.0
    if measured.any():
        guess = guess_feed_odds(grade_logit[measured], recovery_logit[measured])
    return np.full(len(grade_logit), guess), guess, False


def _unsettled(
    runs: pa.Table, settings: Floats, measured: NDArray[np.bool_], settle_minutes: float
) -> list[str]:
    """Runs whose readings may belong to the way to their settings rather than to the settings."""
    said: list[str] = []
    if not runs.num_rows:
        return said
    if "settled" in runs.column_names:
        flag = np.asarray(runs["settled"].to_numpy(), dtype=object)
        restless = int(np.sum((flag == False) & measured))  # noqa: E712 - null is neither
        if restless:
            said.append(
                f"{restless} run{'s' if restless > 1 else ''} had not settled when sampled: their "
                "readings drifted or surged to the end; repeat them before trusting them."
            )
    started = _started(runs)
    order = np.argsort(started, kind="stable")  # undated runs come last
    minutes = np.diff(started[order]) / np.timedelta64(1, "m")
    changed = np.any(np.diff(settings[order], axis=0) != 0, axis=1)
    hasty = changed & (minutes > 0) & (minutes < settle_minutes) & measured[order[:-1]]
    if hasty.any():
        first = str(started[order[np.flatnonzero(hasty)[0]]].astype("datetime64[m]"))
        count = int(hasty.sum())
        said.append(
            f"{count} run{'s' if count > 1 else ''} ended less than the {settle_minutes:g} minutes "
            f"of settling after their settings were made (the first from {first}): doubt them."
        )
    return said


def _habits(evidence: Evidence) -> list[str]:
    """Settings that never moved, and pairs that always moved together."""
    warnings: list[str] = []
    settings, names = evidence.settings, evidence.space.names
    if len(settings) < FEWEST_FOR_CORRELATION:
        return warnings
    moved = np.std(settings, axis=0) > 1e-9
    for name, value in zip(
        np.array(names)[~moved], settings[0][~moved] if len(settings) else (), strict=False
    ):
        warnings.append(f"{name} was {value:g} in every run: its effect is not known.")
    columns = np.flatnonzero(moved)
    if len(columns) > 1:
        correlation = np.atleast_2d(np.corrcoef(settings[:, columns].T))
        for i in range(len(columns)):
            for j in range(i + 1, len(columns)):
                if abs(correlation[i, j]) >= COLLINEAR_FROM:
                    warnings.append(
                        f"{names[columns[i]]} and {names[columns[j]]} always moved together "
                        f"(correlation {correlation[i, j]:.2f}): their effects cannot be told "
                        "apart yet."
                    )
    return warnings


def feed_grade_of(odds: float) -> float:
    """Feed grade of log odds."""
    return float(expit(odds))


def cautions(evidence: Evidence, min_grade: float, brief: Brief) -> list[str]:
    """What the runs leave open of what is asked for."""
    said = []
    if brief.goal.min_grade is None and brief.goal.maximise != "value":
        said.append(f"No grade was asked for; the line's usual {min_grade:g} is kept.")
    best = float(np.max(evidence.grade[evidence.measured], initial=0.0))
    if 0.0 < best < min_grade:
        said.append(f"No run has reached grade {min_grade:g} yet; the best read {best:.4g}.")
    capacity, goal = brief.capacity, brief.goal.maximise
    limited = capacity.max_product_rate is not None or capacity.max_reject_rate is not None
    if (limited or goal == "value") and not evidence.feed_grade_known:
        what = "product and reject rates" + (", and with them value," if goal == "value" else "")
        said.append(
            f"The feed grade is not known; {what} take it as "
            f"{feed_grade_of(evidence.feed_odds_today):.2f}. Log feed_grade, or state it in the "
            "brief, to make them reliable."
        )
    few = 2 * len(evidence.space.names) + 3
    if len(distinct_rows(evidence.settings)[0]) < few:
        said.append(
            f"Fewer than {few} different settings were tried: intervals are wide, and what "
            "lies beyond them is guessed from the trend."
        )
    return said
