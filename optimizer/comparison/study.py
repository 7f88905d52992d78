"""One line asked the question: what it gets now, what it could get, which settings make the gap.

What a line could reach is looked for on surfaces drawn from the posterior. The highest point of
each surface alone is too good: where little is known some peak is always high. The value of the
best settings found is too low: the true optimum is where nobody has been. What is reported lies
between, nearer to the settings found; how far between was set on simulated lines so that the true
optimum lies inside the 90 % interval as often as it should, and is judged on others
(``reports/lines.md``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from scipy.special import expit, logit
from threadpoolctl import threadpool_limits

from optimizer.comparison.attribution import corners, shapley
from optimizer.comparison.footing import Basis, brief_of, recovery_at_grade
from optimizer.config import Brief, Site
from optimizer.evidence import Evidence, gather
from optimizer.line_model import LineModel, Surfaces
from optimizer.rows import distinct_rows
from optimizer.settings import Region

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]
    Score = Callable[[Indices], Floats]

# Settings looked at, and surfaces drawn.
POOL, DRAWS = 4096, 256
# Anchors of the drawn surfaces: promising settings by a hopeful and by a careful score, and some
# spread over the limits.
HOPEFUL, CAREFUL, SPREAD = 192, 128, 96
HOPE, CARE = 1.0, -0.5
# A deck that is likelier to fail than not reaches nothing.
LEAST_EVEN = 0.5
# Settings are moved while it pays in all but one in four draws, until so much of what the best
# candidate adds is reached.
CAREFUL_QUANTILE = 0.25
ENOUGH = 0.8
# How far from the best settings found towards the peaks the report goes, and what no draw knows,
# as a standard deviation of the logit: the surfaces agree too well far from the runs. Chosen on 96
# simulated lines (seeds 1200 to 1223 of ``tests.benchmarks.lines``) and looked at on 65 more (1000
# to 1017): 94 % of their true optima lay inside the 90 % interval, off by 0.2 points on average.
TOWARDS_PEAK, UNKNOWN = 0.2, 0.25
# What no draw knows of the recovery now, as standard deviations: of its logit, since runs vary and
# a curve of varying runs is not that of their mean; and of the logarithm of how far the cut's move
# takes it down, since that rests on the curve's shape. Chosen on 158 simulated lines (seeds 1000 to
# 1017 and 1100 to 1129): 91 % of the truths lay inside the 90 % interval, 73 % without the two.
VARYING, SHAPE = 0.03, 0.4
# Recovery nearer than this to 0 or 1 is taken for it, so that its logit exists; a gap smaller
# than this is none.
LEAST = 1e-6
# How far outside the range tried a setting may be sought, as a share of its whole range: a habit is
# seldom around the best. Chosen on the same lines.
BEYOND = 0.15
# Moves to better neighbours of the best candidate, at most.
CLIMBS = 12
REACH = (1, 2, 4)


@dataclass(frozen=True)
class Task:
    """One line and the question, as it travels to whoever does the work."""

    line: str
    runs: pa.Table
    site: Site
    brief: Brief
    basis: Basis
    seed: int


@dataclass(frozen=True)
class Study:
    """What came out for one line.

    Attributes:
        line: its name.
        runs, set_points: how many it learned from.
        names, units: of the settings, d of them.
        as_run: settings of recent practice, shape (d,).
        now, better: settings compared, on the deck's steps at the basis' feed rate, (d,).
        now_draws, reach_draws: recovery at the grade there, drawn jointly, shape (draws,).
        parts: what each setting makes of the mean gap, shape (d,); sums to it.
        grade_now, recovery_now: mean, low and high of the plain values at ``now``.
        chance_now, chance_better: that the grade is met at ``now`` and at ``better``.
        warnings: what the runs cannot tell.
    """

    line: str
    runs: int
    set_points: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    as_run: Floats
    now: Floats
    better: Floats
    now_draws: Floats
    reach_draws: Floats
    parts: Floats
    grade_now: tuple[float, float, float]
    recovery_now: tuple[float, float, float]
    chance_now: float
    chance_better: float
    warnings: tuple[str, ...] = field(default=())


def study_line(task: Task) -> Study:
    """The whole of one line; depends on nothing but the task."""
    with threadpool_limits(1):
        brief = brief_of(task.line, task.site, task.brief, task.basis)
        model = LineModel(gather(task.runs, task.site, brief), task.seed)
        region = trusted(brief.region(model.evidence.space), model.evidence)
        return _Study(model, region, task.basis).answer()


def trusted(region: Region, evidence: Evidence) -> Region:
    """The part of a region near what was tried: beyond, the surrogate only guesses.

    Each setting keeps to the range of the measured runs, widened by ``BEYOND`` of its whole
    range. Where the limits and that range do not meet, the limits hold.
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

    def answer(self) -> Study:
        e = self.model.evidence
        space = e.space
        now = self._now()
        surfaces = self._surfaces(now)
        credits = self._at_grade(surfaces, self.pool)
        best = self._best(surfaces, credits.mean(axis=0))
        better = self._simplest(surfaces, now, best)
        if np.array_equal(better, now):
            better = best
        values = self._at_grade(surfaces, corners(now, better))
        practice = self._practice(surfaces, now, values[:, 0])
        reach = practice
        if np.any(better != now):
            reach = self._reach(credits.max(axis=1), practice, values[:, -1])
        pair = np.vstack([now, better])
        inputs, odds = e.inputs_today(pair), e.feed_odds_today
        plain = self.model.surrogate.predict(inputs[:1], odds)
        chance = self.model.surrogate.chance_of_grade(inputs, self.basis.min_grade, odds)
        return Study(
            line=str(e.line),
            runs=len(e.grade),
            set_points=len(distinct_rows(e.inputs[e.measured])[0]),
            names=space.names,
            units=tuple(s.unit for s in space.settings),
            as_run=self.model.recent_settings,
            now=space.values(now)[0],
            better=space.values(better)[0],
            now_draws=practice,
            reach_draws=reach,
            parts=_sharing(shapley(values).mean(axis=0), float((reach - practice).mean())),
            grade_now=_three(plain.grade),
            recovery_now=_three(plain.recovery),
            chance_now=float(chance[0]),
            chance_better=float(chance[1]),
            warnings=e.warnings,
        )

    def _now(self) -> Indices:
        """Recent practice at the basis' feed rate, on the nearest steps."""
        space = self.model.evidence.space
        now = self.model.recent_settings.copy()
        if self.basis.feed_rate is not None:
            now[space.names.index("feed_rate")] = self.basis.feed_rate
        return space.nearest_index(now[None, :])[0]

    def _pool(self, now: Indices) -> Indices:
        """Candidates: spread over the limits, and every setting tried, at the basis' feed rate."""
        e = self.model.evidence
        pool = self.region.sample(POOL, np.random.default_rng(self.model.seed))
        tried = e.space.nearest_index(distinct_rows(e.settings)[0])
        if self.basis.feed_rate is not None:
            tried[:, e.space.names.index("feed_rate")] = now[e.space.names.index("feed_rate")]
        tried = tried[self.region.contains(tried)]
        return self._even(np.unique(np.vstack([pool, tried, now[None, :]]), axis=0), now)

    def _even(self, points: Indices, now: Indices) -> Indices:
        """The points where the deck is likelier to run even than not; what runs now does."""
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
        """Recovery at the grade on every surface, shape (draws, n)."""
        e = self.model.evidence
        S, C = surfaces.latent(e.inputs_today(index))
        return recovery_at_grade(S, C, self.basis.min_grade, e.feed_odds_today)

    def _worth(self, surfaces: Surfaces, index: Indices) -> Floats:
        """What a candidate is chosen by, shape (n,): low enough in its draws to be careful."""
        return np.asarray(np.quantile(self._at_grade(surfaces, index), CAREFUL_QUANTILE, axis=0))

    def _practice(self, surfaces: Surfaces, now: Indices, credit: Floats) -> Floats:
        """What the settings of now get at the grade, shape (draws,), from what each surface
        credits them with: with the errors that all surfaces share."""
        S, C = surfaces.latent(self.model.evidence.inputs_today(now[None, :]))
        plain = 0.5 * (C + S)[:, 0]
        varying, shape = np.random.default_rng([self.model.seed, 2]).standard_normal(
            (2, len(plain))
        )
        moved = (plain - _logits(credit)) * np.exp(SHAPE * shape)
        return np.asarray(expit(plain - moved + VARYING * varying))

    def _reach(self, peak: Floats, now: Floats, found: Floats) -> Floats:
        """What the line could reach, shape (draws,), from the peak of every surface and the values
        of the best settings found; on the logit scale, where distances to 1 are alike. It can
        reach what it has."""
        between = (1.0 - TOWARDS_PEAK) * _logits(found) + TOWARDS_PEAK * _logits(peak)
        rng = np.random.default_rng([self.model.seed, 1])
        drawn = expit(between + UNKNOWN * rng.standard_normal(len(between)))
        return np.asarray(np.maximum(drawn, now))

    def _best(self, surfaces: Surfaces, values: Floats) -> Indices:
        """The candidate with the highest mean, moved to better neighbours until none is.

        ``values`` are the means of the pool, shape (n,).
        """

        def mean(index: Indices) -> Floats:
            return np.asarray(self._at_grade(surfaces, index).mean(axis=0))

        best, value = self.pool[int(np.argmax(values))], float(values.max())
        for _ in range(CLIMBS):
            best, gained = self._improve(mean, self.region.neighbours(best, REACH), best, value)
            if gained <= value:
                break
            value = gained
        return best

    def _improve(
        self, score: Score, points: Indices, best: Indices, value: float
    ) -> tuple[Indices, float]:
        """The best of some points, or what there was."""
        points = self._even(points[self.region.contains(points)], best)
        if not len(points):
            return best, value
        scores = score(points)
        k = int(np.argmax(scores))
        return (points[k], float(scores[k])) if scores[k] > value else (best, value)

    def _simplest(self, surfaces: Surfaces, now: Indices, best: Indices) -> Indices:
        """Fewest settings moved from ``now`` that bring most of what the best candidate does.

        Every further move is paid for with uncertainty and with an operator's time. Settings are
        added one by one, each time the one that brings most, all moved ones adjusted together.
        """

        def score(index: Indices) -> Floats:
            return self._worth(surfaces, index)

        start, goal = score(np.vstack([now, best]))
        point, value, moved = now, float(start), set[int]()
        enough = start + ENOUGH * (goal - start)
        while value < enough and len(moved) < len(now):
            tries = {
                j: self._improve(score, self._levels(point, j), point, value)
                for j in range(len(now))
                if j not in moved
            }
            j = max(tries, key=lambda key: tries[key][1])
            if tries[j][1] <= value:
                break
            point, value = tries[j]
            moved.add(j)
            point, value = self._adjust(score, point, value, moved)
        return point

    def _adjust(
        self, score: Score, point: Indices, value: float, moved: set[int]
    ) -> tuple[Indices, float]:
        """Moved settings adjusted together, the others left where they are."""
        still = [j for j in range(len(point)) if j not in moved]
        for _ in range(CLIMBS):
            before = value
            for j in moved:
                point, value = self._improve(score, self._levels(point, j), point, value)
            around = self.region.neighbours(point, REACH)
            around = around[np.all(around[:, still] == point[still], axis=1)]
            point, value = self._improve(score, around, point, value)
            if value <= before:
                break
        return point, value

    def _levels(self, point: Indices, j: int) -> Indices:
        """The point with setting j at each of its levels inside the limits."""
        levels = np.arange(self.region.first[j], self.region.last[j] + 1)
        points = np.tile(point, (len(levels), 1))
        points[:, j] = levels
        return points


def _three(estimate: Any) -> tuple[float, float, float]:
    return float(estimate.mean[0]), float(estimate.low[0]), float(estimate.high[0])


def _logits(draws: Floats) -> Floats:
    """Fractions on the logit scale; those at the very ends are held inside it."""
    return np.asarray(logit(np.clip(draws, LEAST, 1.0 - LEAST)))


def _sharing(parts: Floats, gap: float) -> Floats:
    """Parts that sum to the gap: what lies beyond the settings found is shared in proportion."""
    total = float(parts.sum())
    return parts * (gap / total) if abs(total) > LEAST else parts
