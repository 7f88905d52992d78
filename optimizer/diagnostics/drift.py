"""Whether a deck drifts: changes of grade and recovery that settings and material do not explain.

For each quantity of a line, one Gaussian process over settings and material is fitted on the logit
scale (the feed's log odds, if known, are subtracted from those of the grade). The residuals are
searched for a slow trend and for sudden steps (``trend_and_steps``), and for single days beyond
the limits of a control chart (``control_chart``). Each result states the power of its test, since
"nothing found" means little when the power is low.

A plan tells the same findings (``season_drifts``), since the slow component of its model says how
fast a deck changes at the moment of the plan, and may be unsure of that where the season's change
is plain.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_solve
from scipy.special import expit

from optimizer.diagnostics.control_chart import out_of_line
from optimizer.diagnostics.trend_and_steps import (
    Known,
    Step,
    Trend,
    better_explained,
    power,
    steps,
    trend,
)
from optimizer.evidence.line_model import LineModel
from optimizer.evidence.occasions import days_since_1970
from optimizer.gaussian_process.hyperparameters import NormalPrior
from optimizer.gaussian_process.kernel import Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.numerics.cholesky import inverse
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.text.sentences import Sentence, sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.evidence.record import Evidence

    Floats = NDArray[np.float64]

# With fewer dated runs, or runs on fewer days, than this, a slope is not estimated.
FEWEST_RUNS, FEWEST_DAYS = 20, 8
# A trend with a p-value below this counts as found.
LEVEL = 0.05
# A step smaller than this, as a fraction, is not reported even if it is significant: it rounds to
# zero tenths of a point.
LEAST_STEP = 0.0005
# The slope, as a fraction a day, for which the power is stated; and the number of standard errors
# of a slope that is found with a power of 80 %.
STATED_PER_DAY, VISIBLE_POWER_Z = 0.002 / 7.0, 1.96 + 0.8416
# The prior of the length scales in unit coordinates assumes smooth effects, as in the surrogate.
KERNEL, MEAN = Kernel(NormalPrior(-0.2, 0.8)), Mean("linear")

# The test fits a process to all set-points, which takes half a second at this number and grows
# with its cube; older runs are left out.
MOST_SET_POINTS = 400

_AIR = sentence("check_air")
_SHAKEN = sentence("check_shaken")
_MATERIAL = sentence("check_material")
CHECKS = {
    "both fall": (_AIR, sentence("check_surface"), _MATERIAL, _SHAKEN),
    "one falls": (
        sentence("check_belt"),
        _MATERIAL,
        _AIR,
        _SHAKEN,
    ),
    "rises": (
        _MATERIAL,
        sentence("check_sampling"),
        sentence("check_setting"),
    ),
}
"""Possible causes to check first, by the change that was found (common practice, no source)."""


@dataclass(frozen=True)
class ChangePoint:
    """A sudden change: its ISO date, its size as a fraction, and its p-value."""

    date: str
    size: float
    p_value: float


@dataclass(frozen=True)
class Drift:
    """Drift of one quantity of one line.

    Attributes:
        line: name of the line.
        quantity: ``grade`` or ``recovery``.
        pattern: ``none``, ``trend`` or ``step``.
        per_day, per_day_se: slope and its standard error, as fractions a day.
        p_value: probability that a slope at least as steep arises by chance.
        steps: sudden changes, the most significant first.
        power: probability that a slope of 0.2 points a week would have been found.
        visible_per_week: slope that would have been found with a probability of 80 %, as a fraction
            a week.
        days_out_of_line: ISO dates of days beyond the limits of the control chart.
        checks: possible causes to check; empty when nothing was found.
    """

    line: str | None
    quantity: str
    pattern: str
    per_day: float
    per_day_se: float
    p_value: float
    steps: tuple[ChangePoint, ...]
    power: float
    visible_per_week: float
    days_out_of_line: tuple[str, ...]
    checks: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        return {
            "line": self.line,
            "quantity": self.quantity,
            "pattern": self.pattern,
            "per_day": self.per_day,
            "per_day_se": self.per_day_se,
            "p_value": self.p_value,
            "change_points": [asdict(step) for step in self.steps],
            "power_at_0.2_points_a_week": self.power,
            "visible_per_week": self.visible_per_week,
            "days_out_of_line": list(self.days_out_of_line),
            "checks": [{"check": c, "basis": "common practice"} for c in self.checks],
        }


def drifts(model: LineModel) -> tuple[Drift, ...]:
    """The drift of grade and of recovery of a line; empty when too few runs are dated."""
    e = model.evidence
    started = days_since_1970(e.started_by_clock)
    dated = e.measured & np.isfinite(started)
    if dated.sum() < FEWEST_RUNS or len(np.unique(np.floor(started[dated]))) < FEWEST_DAYS:
        return ()
    offset = e.feed_odds if e.feed_grade_known else np.zeros(len(e.grade))
    found = [
        _quantity(
            model,
            "grade",
            e.readings.grade_logit - offset,
            e.readings.grade_variance,
            started,
            dated,
        ),
        _quantity(
            model,
            "recovery",
            e.readings.recovery_logit,
            e.readings.recovery_variance,
            started,
            dated,
        ),
    ]
    return tuple(_with_checks(found))


def _quantity(
    model: LineModel,
    name: str,
    logit: Floats,
    variance: Floats,
    started: Floats,
    dated: NDArray[np.bool_],
) -> Drift:
    """The drift of one quantity.

    Args:
        model: the fitted model of the line.
        name: ``grade`` or ``recovery``.
        logit: readings on the logit scale, shape (n,).
        variance: known variances of the readings, shape (n,).
        started: start of each run in days since 1970, shape (n,).
        dated: runs that are measured and dated, shape (n,).
    """
    e = model.evidence
    order = np.flatnonzero(dated)[np.argsort(started[dated], kind="stable")]
    time, X, y = started[order], e.quantities[order], logit[order]
    gp = GaussianProcess(KERNEL, MEAN, random_state=model.seed)
    gp.fit(X, y, variance[order])
    known = known_of(gp, X)
    spread = gp.readings_.spread
    scaled = (y - gp.readings_.center) / spread
    day = np.floor(time).astype(np.int64)
    _, group = np.unique(day, return_inverse=True)
    slope = trend(scaled, time, known, day)
    mean = float(np.mean(expit(e.readings.grade_logit[order] if name == "grade" else y)))
    points = mean * (1.0 - mean) * spread
    sudden = steps(scaled, np.floor(time), known, model.seed)
    sudden = [step for step in sudden if abs(points * step.size) >= LEAST_STEP]
    pattern = _pattern(slope, sudden)
    residual = known.noise * known.weigh(scaled)
    count = np.bincount(group)
    daily = np.bincount(group, weights=residual) / np.sqrt(count)
    days = np.unique(day)
    return Drift(
        line=e.line,
        quantity=name,
        pattern=pattern,
        per_day=points * slope.slope,
        per_day_se=points * slope.se,
        p_value=slope.p_value,
        steps=tuple(ChangePoint(iso_day(s.at), points * s.size, s.p_value) for s in sudden)
        if pattern == "step"
        else (),
        power=power(STATED_PER_DAY, points * slope.se),
        visible_per_week=7.0 * VISIBLE_POWER_Z * points * slope.se,
        days_out_of_line=tuple(iso_day(d) for d in days[out_of_line(daily)]),
    )


def _pattern(slope: Trend, sudden: list[Step]) -> str:
    """Whether a step, a trend or neither describes the readings best."""
    if sudden and (slope.p_value >= LEVEL or better_explained(sudden[0], slope)):
        return "step"
    return "trend" if slope.p_value < LEVEL else "none"


def known_of(gp: GaussianProcess, X: Floats) -> Known:
    """The known influences on readings at X, shape (n, d), from the process fitted to them.

    With Z the groups of replicates, K the covariance of their means, w the variance of a reading
    and D = w / counts, Woodbury's identity gives P u = (u - Z K (K + D)^-1 mean(u)) / w without an
    n by n matrix.
    """
    _, group = distinct_rows(X)
    posterior, count = gp.posteriors_[0], gp.readings_.counts
    w, noise = posterior.noise_of_readings, posterior.noise_of_means

    def weigh(u: Floats) -> Floats:
        columns = u.reshape(len(u), -1)
        mean = np.column_stack(
            [np.bincount(group, weights=c, minlength=len(count)) / count for c in columns.T]
        )
        smooth = mean - noise[:, None] * cho_solve((posterior.lower, True), mean)
        weighed = (columns - smooth[group]) / w[group][:, None]
        return weighed.reshape(u.shape)

    # A residual keeps the share w P_ii of its reading's variance; the fit has followed the rest.
    kept = 1.0 - (1.0 - noise * np.diag(inverse(posterior.lower))) / count
    return Known(weigh, w[group], kept[group])


def _with_checks(found: list[Drift]) -> list[Drift]:
    """Adds possible causes, by which quantities changed and in which direction."""
    way = {d.quantity: _direction(d) for d in found}
    down = [q for q, w in way.items() if w < 0]
    kind = "both fall" if len(down) == 2 else "one falls" if down else "rises"
    return [replace(d, checks=CHECKS[kind] if way[d.quantity] else ()) for d in found]


def _direction(drift: Drift) -> int:
    """1 for a rise, -1 for a fall, 0 for no change."""
    if drift.pattern == "none":
        return 0
    size = drift.steps[0].size if drift.steps else drift.per_day
    return int(np.sign(size))


def iso_day(days: float) -> str:
    """Converts days since 1970 to an ISO date.

    >>> iso_day(20000.7)
    '2024-10-04'
    """
    return str(np.datetime64(int(np.floor(days)), "D"))


def season_drifts(evidence: Evidence, seed: int) -> tuple[Drift, ...]:
    """The quantities whose drift the diagnosis would report, from the latest runs of a line.

    Args:
        evidence: evidence of a line, runs in any order.
        seed: seed of all random numbers.

    Returns:
        Drifts of grade and recovery, those found alone; empty where too few runs are dated.
    """
    return tuple(d for d in drifts(LineModel(latest(evidence), seed)) if d.pattern != "none")


def latest(evidence: Evidence) -> Evidence:
    """The latest dated runs with at most ``MOST_SET_POINTS`` set-points; all runs if so few."""
    if evidence.set_points <= MOST_SET_POINTS:
        return evidence
    dated = np.flatnonzero(evidence.measured & ~np.isnat(evidence.started))
    newest = dated[np.argsort(evidence.started[dated], kind="stable")[::-1]]
    _, first = np.unique(evidence.quantities[newest], axis=0, return_index=True)
    first = np.sort(first)
    rows = np.zeros(len(evidence.grade), dtype=bool)
    rows[newest[: first[MOST_SET_POINTS] if len(first) > MOST_SET_POINTS else None]] = True
    return evidence.take(rows)


def season_sentence(found: tuple[Drift, ...]) -> Sentence | str:
    """The drifts in one sentence; empty where there is none.

    >>> fall = Drift("deck-1", "recovery", "trend", -0.002, 0.0004, 1e-6, (), 0.9, 0.003, ())
    >>> print(season_sentence((fall,)))
    Over the season recovery fell by 1.4 points a week beyond settings and material.
    """
    changes = [_change(d) for d in found]
    return sentence("drift_of_season", changes=changes) if changes else ""


def _change(drift: Drift) -> Sentence:
    size = drift.steps[0].size if drift.steps else 7.0 * drift.per_day
    way, named = "rose" if size > 0.0 else "fell", sentence(f"the_{drift.quantity}")
    size = 100.0 * abs(size)
    if drift.steps:
        return sentence(f"{way}_at_once", quantity=named, size=size, date=drift.steps[0].date)
    return sentence(f"{way}_a_week", quantity=named, size=size)
