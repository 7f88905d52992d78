"""Studies one line on the basis: its recovery now, its attainable recovery, and causes of the gap.

An attainable recovery is reported only if some settings are sure enough of the grade
(``better_settings``). The recovery of the best such settings is a little too low, since the true
optimum lies where the runs do not make the model sure yet. The highest point of surfaces drawn from
the posterior is too high, since some drawn surface always has a high peak where little is known.
The reported value lies between the two, much nearer to the settings found. Its place between them
was chosen on simulated lines so that the true optimum lies inside the 90 % interval as often as it
should, and was checked on other lines (``reports/lines.md``).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from scipy.special import expit, logit
from threadpoolctl import threadpool_limits

from optimizer.comparison.attribution import corners, shapley
from optimizer.comparison.basis import Basis, brief_for_line, untried
from optimizer.comparison.better_settings import Search
from optimizer.comparison.middlings import LineMiddlings, middlings_of
from optimizer.comparison.recovery_at_grade import recovery_at_grade
from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.cautions import of_other_labels
from optimizer.evidence.line_model import LineModel, Surfaces
from optimizer.evidence.record import Evidence
from optimizer.interval import Interval
from optimizer.model.selection import chance_after_selection, sure_after_selection
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.plant.brief import Brief
from optimizer.plant.region import Region
from optimizer.plant.settings import FEED_RATE
from optimizer.plant.site import Site
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# Number of candidate settings, and of surfaces drawn.
POOL, DRAWS = 4096, 256
# Numbers of anchors of the drawn surfaces: the best settings by an optimistic and by a cautious
# score, and settings spread over the limits. The scores shift the sharpness by HOPE and CARE
# standard deviations.
HOPEFUL, CAREFUL, SPREAD = 192, 128, 96
HOPE, CARE = 1.0, -0.5
# Settings with a lower chance of an even deck than this are not candidates.
LEAST_EVEN = 0.5
# The worth of moving settings is this quantile of the draws.
CAREFUL_QUANTILE = 0.25
# Position of the reported value between the settings found (0) and the peaks (1), and a standard
# deviation of the logit that is added since the drawn surfaces agree too well far from the runs.
# Both were chosen on the 55 of 65 simulated lines (seeds 1000 to 1017 of
# ``tests.benchmarks.lines``) that have settings that are sure enough. There, 95 % of the true
# optima lay inside the 90 % interval, on average 1.0 points above its mean. The true recovery of
# the settings found always lay inside, on average 0.6 points below the mean.
TOWARDS_PEAK, UNKNOWN = 0.1, 0.25
# Standard deviations that are added to the draws of the present recovery. The first is of its
# logit, since the curve of varying runs is not the curve of their mean. The second is of the
# logarithm of the loss by moving the cut, since the loss depends on the assumed shape of the curve.
# Chosen on 158 simulated lines (seeds 1000 to 1017 and 1100 to 1129): 91 % of the true values lay
# inside the 90 % interval, and 73 % without the two.
VARYING, SHAPE = 0.03, 0.4
# Recoveries are moved at least this far away from 0 and 1, so that their logits exist; parts of a
# gap whose sizes sum to less than this count as zero.
LEAST = 1e-6
# Settings are not moved for a smaller gain than this, as a fraction: it rounds to zero tenths of a
# point.
LEAST_GAIN = 0.0005
# How far beyond the range tried a setting may be moved, as a share of its whole range: the best
# settings often lie outside the habitual range. Chosen on the same simulated lines.
BEYOND = 0.15


@dataclass(frozen=True)
class Task:
    """Everything that a worker needs to study one line."""

    line: str
    runs: pa.Table
    site: Site
    brief: Brief
    basis: Basis
    seed: int


@dataclass(frozen=True)
class Study:
    """The results of one line.

    Attributes:
        line: name of the line.
        runs, set_points: number of runs and of distinct set-points.
        names, units: names and units of the d settings.
        as_run: settings of recent practice, shape (d,).
        now: settings of recent practice at the basis' feed rate, on the deck's steps, shape (d,).
        better: better settings that are sure enough of the grade, shape (d,); None when none are.
        now_draws, reach_draws: joint draws of the recovery at the required grade, at ``now`` and
            attainable, shape (draws,); the second is None when no settings are sure enough.
        parts: contributions of the settings to the mean gap, shape (d,), which sum to it; None when
            no settings are sure enough.
        grade_now, recovery_now: predicted grade and recovery at ``now``, without moving the cut.
        chance_now: chance that the grade is met at ``now``.
        chance_better: chance that the grade is met at ``better``; when there are no such settings,
            the highest chance of the grade with an even deck that any settings have.
        warnings: what the runs cannot tell.
        middlings: middlings kept as a product; None where too few runs tell of them.
    """

    line: str
    runs: int
    set_points: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    as_run: Floats
    now: Floats
    better: Floats | None
    now_draws: Floats
    reach_draws: Floats | None
    parts: Floats | None
    grade_now: Interval
    recovery_now: Interval
    chance_now: float
    chance_better: float
    warnings: tuple[str, ...] = field(default=())
    middlings: LineMiddlings | None = None

    @property
    def gap_draws(self) -> Floats | None:
        """Draws of the attainable less the present recovery, shape (draws,); None when no settings
        are sure enough."""
        return None if self.reach_draws is None else self.reach_draws - self.now_draws


def study_line(task: Task) -> Study:
    """Studies one line; the result depends on the task alone."""
    with threadpool_limits(1):
        brief = brief_for_line(task.line, task.site, task.brief, task.basis)
        model = LineModel(evidence_of(task.runs, task.site, brief), task.seed)
        region = trusted(brief.region(model.evidence.space), model.evidence)
        said = untried(task.runs, task.site.space_of(task.line), task.site, task.basis)
        return _Study(model, region, task.basis, said).answer()


def trusted(region: Region, evidence: Evidence) -> Region:
    """The part of a region near the settings tried; farther away the surrogate extrapolates.

    Each setting is limited to the range of the measured runs, widened by ``BEYOND`` of its whole
    range. If that range and the limits of the region do not overlap, the limits are kept.
    """
    space, tried = evidence.space, evidence.settings[evidence.measured]
    for j, setting in enumerate(space.settings):
        reach = BEYOND * (setting.high - setting.low)
        low, high = tried[:, j].min() - reach, tried[:, j].max() + reach
        first, last = setting.levels_between(low, high)
        if max(first, region.first[j]) <= min(last, region.last[j]):
            region = region.narrow(setting.name, low, high, f"{setting.name} near what was tried")
    return region


@dataclass
class _Study:
    model: LineModel
    region: Region
    basis: Basis
    untried: list[str]

    def answer(self) -> Study:
        e = self.model.evidence
        space = e.space
        now = self._now()
        surfaces = self._surfaces(now)
        credits = self._at_grade(surfaces, self.pool)
        better = self._better(surfaces, now, credits)
        values = self._at_grade(surfaces, now[None, :] if better is None else corners(now, better))
        practice = self._practice(surfaces, now, values[:, 0])
        inputs, odds = e.inputs_today(now[None, :]), e.feed_odds_today
        plain = self.model.surrogate.predict(inputs, odds)
        reach = parts = None
        of_labels = of_other_labels(e, self.model.surrogate.agreement_)
        warnings = [*e.warnings, *of_labels, *self.untried]
        if better is None:
            surest = self.search.surest(self.pool)[0]
            chance = self._sureness(surest)
            warnings.append(_not_sure(self.basis, chance))
        else:
            chance = self._chance_selected(better)
            reach = practice
            if np.any(better != now):
                reach = self._reach(credits.max(axis=1), values[:, -1])
            gap = float((reach - practice).mean())
            parts = _sharing(shapley(values).mean(axis=0), gap, better != now)
        return Study(
            line=str(e.line),
            runs=len(e.grade),
            set_points=e.set_points,
            names=space.names,
            units=tuple(s.unit for s in space.settings),
            as_run=self.model.recent_settings,
            now=space.values(now)[0],
            better=None if better is None else space.values(better)[0],
            now_draws=practice,
            reach_draws=reach,
            parts=parts,
            grade_now=plain.grade[0],
            recovery_now=plain.recovery[0],
            chance_now=self._chance_of_grade(now),
            chance_better=chance,
            warnings=tuple(warnings),
            middlings=middlings_of(e, now, better, len(practice), self.model.seed),
        )

    def _better(self, surfaces: Surfaces, now: Indices, credits: Floats) -> Indices | None:
        """Settings with few changes that reach most of the gain of the best settings that are sure
        enough of the grade, also after they were selected.

        Args:
            surfaces: surfaces drawn from the posterior.
            now: lattice indices of the present settings, shape (d,).
            credits: recovery at the grade of the n candidates in the pool, shape (draws, n).

        Returns:
            Lattice indices, shape (d,); None when no settings are sure enough.
        """
        found = sure_after_selection(
            lambda wanted: self._found(
                replace(self.search, confidence=wanted), surfaces, now, credits
            ),
            lambda point: (float(self._chance(point[None, :])[0]), self._sureness(point)),
            self.basis.confidence,
        )
        if found is not None:
            return found
        surest = self.search.surest(self.pool)[0]
        return surest if self._sureness(surest) >= self.basis.confidence else None

    def _found(
        self, search: Search, surfaces: Surfaces, now: Indices, credits: Floats
    ) -> Indices | None:
        """Settings with few changes that reach most of the gain of the best that ``search`` finds;
        see ``_better``."""

        def mean(index: Indices) -> Floats:
            return np.asarray(self._at_grade(surfaces, index).mean(axis=0))

        def careful(index: Indices) -> Floats:
            draws = self._at_grade(surfaces, index)
            return np.asarray(np.quantile(draws, CAREFUL_QUANTILE, axis=0))

        best = search.best(self.pool, credits.mean(axis=0), mean)
        if best is None:
            return None
        simplest = search.simplest(careful, now, best)
        found = best if np.array_equal(simplest, now) else simplest
        before, after = mean(np.vstack([now, found]))
        if after - before < LEAST_GAIN and search.sure(now):
            return now
        return found

    @cached_property
    def search(self) -> Search:
        """The search for candidates that are sure enough of the grade."""
        return Search(self.region, self._chance, self.basis.confidence)

    def _chance(self, index: Indices) -> Floats:
        """Chance of an even deck that meets the grade, shape (n,)."""
        e = self.model.evidence
        chance = self.model.surrogate.chance_of_grade(
            e.inputs_today(index), self.basis.min_grade, e.feed_odds_today
        )
        return np.asarray(chance * self.model.chance_even(index))

    def _chance_of_grade(self, point: Indices) -> float:
        e = self.model.evidence
        inputs = e.inputs_today(point[None, :])
        grade, odds = self.basis.min_grade, e.feed_odds_today
        return float(self.model.surrogate.chance_of_grade(inputs, grade, odds)[0])

    def _chance_selected(self, point: Indices) -> float:
        """Chance that selected settings, shape (d,), meet the grade."""
        e = self.model.evidence
        inputs, grade = e.inputs_today(point[None, :]), self.basis.min_grade
        found = chance_after_selection(self.model.surrogate, inputs, grade, e.feed_odds_today)
        return float(found[0])

    def _sureness(self, point: Indices) -> float:
        """Chance that selected settings, shape (d,), run even and meet the grade."""
        return self._chance_selected(point) * float(self.model.chance_even(point[None, :])[0])

    def _now(self) -> Indices:
        """Lattice indices of recent practice at the basis' feed rate, shape (d,)."""
        space = self.model.evidence.space
        now = self.model.recent_settings.copy()
        if self.basis.feed_rate is not None:
            now[space.names.index(FEED_RATE)] = self.basis.feed_rate
        return space.nearest_index(now[None, :])[0]

    def _pool(self, now: Indices) -> Indices:
        """Candidates at the basis' feed rate: settings spread over the limits, and those tried."""
        e = self.model.evidence
        pool = self.region.sample(POOL, np.random.default_rng(self.model.seed))
        tried = e.space.nearest_index(distinct_rows(e.settings)[0])
        if self.basis.feed_rate is not None:
            tried[:, e.space.names.index(FEED_RATE)] = now[e.space.names.index(FEED_RATE)]
        tried = tried[self.region.contains(tried)]
        points = np.unique(np.vstack([pool, tried, now[None, :]]), axis=0)
        # Only where the deck probably runs even; the present settings are always kept.
        keep = self.model.chance_even(points) >= LEAST_EVEN
        return points[keep | np.all(points == now, axis=1)]

    def _surfaces(self, now: Indices) -> Surfaces:
        e, rng = self.model.evidence, np.random.default_rng(self.model.seed)
        self.pool = self._pool(now)
        latent = self.model.surrogate.latent(e.inputs_today(self.pool), coarse=True)
        S, C = latent.mean.mean(axis=0)
        sd = np.sqrt(latent.variance.mean(axis=0)[0] + latent.mean.var(axis=0)[0])
        parts = [now[None, :]]
        for many, steps in ((HOPEFUL, HOPE), (CAREFUL, CARE)):
            score = recovery_at_grade(S + steps * sd, C, self.basis.min_grade, e.feed_odds_today)
            parts.append(self.pool[np.argsort(-score, kind="stable")[:many]])
        parts.append(self.pool[rng.permutation(len(self.pool))[:SPREAD]])
        anchors = np.unique(np.vstack(parts), axis=0)
        return self.model.surfaces(e.inputs_today(anchors), DRAWS)

    def _at_grade(self, surfaces: Surfaces, index: Indices) -> Floats:
        """Recovery at the required grade on every surface, shape (draws, n)."""
        e = self.model.evidence
        S, C = surfaces.latent(e.inputs_today(index))
        return recovery_at_grade(S, C, self.basis.min_grade, e.feed_odds_today)

    def _practice(self, surfaces: Surfaces, now: Indices, credit: Floats) -> Floats:
        """Draws of the recovery of the present settings at the required grade, shape (draws,).

        Errors that the drawn surfaces do not contain (``VARYING``, ``SHAPE``) are added.
        """
        S, C = surfaces.latent(self.model.evidence.inputs_today(now[None, :]))
        plain = 0.5 * (C + S)[:, 0]
        varying, shape = np.random.default_rng([self.model.seed, 2]).standard_normal(
            (2, len(plain))
        )
        moved = (plain - _logits(credit)) * np.exp(SHAPE * shape)
        return np.asarray(expit(plain - moved + VARYING * varying))

    def _reach(self, peak: Floats, found: Floats) -> Floats:
        """Draws of the attainable recovery, shape (draws,).

        On the logit scale, each lies between the value at the settings found and the peak of its
        surface.
        """
        between = (1.0 - TOWARDS_PEAK) * _logits(found) + TOWARDS_PEAK * _logits(peak)
        rng = np.random.default_rng([self.model.seed, 1])
        return np.asarray(expit(between + UNKNOWN * rng.standard_normal(len(between))))


def _not_sure(basis: Basis, chance: float) -> str:
    asked = {"confidence": basis.confidence, "grade": basis.min_grade}
    return sentence("attainable_not_sure", chance=chance, **asked)


def _logits(draws: Floats) -> Floats:
    """Logits of fractions; values at 0 and 1 are moved inside so that their logits exist."""
    return np.asarray(logit(np.clip(draws, LEAST, 1.0 - LEAST)))


def _sharing(parts: Floats, gap: float, moved: NDArray[np.bool_]) -> Floats:
    """Scales the parts of the settings so that they sum to the gap.

    The difference between the gap and the sum of the parts is shared in proportion to the sizes of
    the parts, so that a setting that is not moved gets nothing.
    """
    size = np.abs(parts) if np.abs(parts).sum() > LEAST else moved.astype(float)
    return parts + (gap - parts.sum()) * size / max(float(size.sum()), LEAST)
