"""The command ``compare``: studies every line on the same basis and ranks the lines."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.comparison.basis import Basis, choose_basis, labels_of, why_not
from optimizer.comparison.density_fractions import CurvesCompared, compare_curves
from optimizer.comparison.line_study import Study, Task, study_line
from optimizer.comparison.ranking import Ranking, rank_known_first, rank_lines
from optimizer.comparison.record import Comparison, LineResult, SeasonValue
from optimizer.comparison.request import ComparisonRequest, Prices
from optimizer.errors import InputError
from optimizer.history.snapshot import Snapshot, snapshot_of
from optimizer.history.start_times import misdated, unmarked
from optimizer.interval import Interval
from optimizer.parallel import run_all
from optimizer.plant.brief import Brief
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    import pyarrow as pa

    from optimizer.history.snapshot import Source

    Progress = Callable[[str], None]

MOST_LINES = 200


def compare(
    history: Source,
    site: Site | None = None,
    brief: Brief | None = None,
    request: ComparisonRequest | None = None,
    *,
    seed: int = 0,
    scheduler: str | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Comparison:
    """Compares lines on the same material, feed rate and grade.

    Args:
        history: the history, whose latest version is used; or one version of it (``History.at``);
            or its runs as a table in the site's units.
        site: the plant; the defaults when None.
        brief: material, grade and limits that hold for all lines; values that it leaves open are
            taken from the lines' recent practice. Its line is not used.
        request: which lines, at which feed rate, and how they are shown; the defaults when None.
        seed: seed of all random draws.
        scheduler, workers: where the work is done, see ``run_all``; they do not change the result.
        progress: called with a line of text at each stage.

    Raises:
        InputError: when a line has no runs, or the brief names something that the site lacks.
        LimitError: when the limits leave a line no settings.
        HistoryError: when the history cannot be read.
    """
    site, request = site or Site(), request or ComparisonRequest()
    request = request.in_currency(site.currency)
    brief = (brief or Brief()).check_names(site)
    snapshot = snapshot_of(history, site)
    tables = _runs_of_each(snapshot, site, request.lines)
    basis = choose_basis(tables, site, brief, request.feed_rate)
    reasons = {line: why_not(table, line, site, basis) for line, table in tables.items()}
    tasks = [
        Task(line, unmarked(table), site, brief, basis, seed)  # ``doubts`` names impossible times
        for line, table in tables.items()
        if reasons[line] is None
    ]
    (progress or (lambda _: None))(sentence("stage_lines", count=len(tasks)))
    found = _Findings(
        studies=tuple(run_all(study_line, tasks, scheduler, workers)),
        left_out=tuple((line, why) for line, why in reasons.items() if why is not None),
        curves=_curves(request, tables, seed),
    )
    hidden = request.anonymous
    doubts = [text for table in tables.values() for text in misdated(table, named=not hidden)]
    return _side_by_side(found, site, basis, request, seed, snapshot.version, tuple(doubts))


def _runs_of_each(
    snapshot: Snapshot, site: Site, asked: Sequence[str] | None
) -> dict[str, pa.Table]:
    """Runs of each line to compare, in order of time.

    Raises:
        InputError: when a line has no runs, or there are too many lines.
    """
    names = snapshot.chosen_lines(asked)
    if len(names) > MOST_LINES:
        raise InputError(
            f"{len(names)} lines: at most {MOST_LINES} can be compared at once.",
            hint="Choose some of them with lines.",
        )
    return {line: snapshot.runs(site, [line]) for line in names}


def _curves(
    request: ComparisonRequest, tables: Mapping[str, pa.Table], seed: int
) -> CurvesCompared | None:
    """Partition curves of the lines to compare; None when no density fractions were given."""
    fractions = request.fractions
    if fractions is None:
        return None
    every = list(tables) if request.lines is not None else sorted({*tables, *fractions.line})
    return compare_curves(fractions, every, seed)


@dataclass(frozen=True)
class _Findings:
    """Results of the single lines, before the lines are ranked and named.

    Attributes:
        studies: results of the lines that can be compared.
        left_out: names of the other lines, each with the reason.
        curves: partition curves; None when no density fractions were given.
    """

    studies: tuple[Study, ...]
    left_out: tuple[tuple[str, str], ...]
    curves: CurvesCompared | None

    def names(self, order: Sequence[int]) -> list[str]:
        """Names of all lines: first the compared ones, in the given order, then the others."""
        every = [*(self.studies[k].line for k in order), *(line for line, _ in self.left_out)]
        curves = () if self.curves is None else self.curves.names()
        return [*every, *(line for line in curves if line not in every)]


def _side_by_side(
    found: _Findings,
    site: Site,
    basis: Basis,
    request: ComparisonRequest,
    seed: int,
    version: int | None,
    doubts: tuple[str, ...],
) -> Comparison:
    """Ranks and names the lines."""
    studies, ranked_by = found.studies, request.ranked_by
    rankings = _rankings(studies, seed)
    order = np.argsort(rankings[ranked_by].rank).tolist() if studies else []
    called = labels_of(found.names(order), request.anonymous)
    results = tuple(
        LineResult(
            name=called[studies[k].line],
            study=studies[k],
            rank=rankings[ranked_by].of(k),
            ranks={by: ranking.of(k) for by, ranking in rankings.items()},
            value=_value(studies[k], site, basis, request.prices),
        )
        for k in order
    )
    few = (sentence("few_lines"),) if len(results) < 2 else ()
    return Comparison(
        basis=basis,
        ranked_by=ranked_by,
        ranking=rankings[ranked_by] if studies else None,
        lines=results,
        left_out=tuple((called[line], why) for line, why in found.left_out),
        prices=request.prices,
        mass=site.mass,
        curves=None if found.curves is None else found.curves.called(called),
        units={name: site.setting(name, None).unit for name in site.set_names},
        material_units=site.material_units(basis.material),
        seed=seed,
        history_version=version,
        warnings=(*doubts, *few),
    )


def _rankings(studies: Sequence[Study], seed: int) -> dict[str, Ranking]:
    """Rankings by each quantity; lines without sure settings come last, by their present recovery.

    All lines are fitted with the same seed; shuffling the draws makes them independent.
    """
    if not studies:
        return {}
    rng = np.random.default_rng(seed)
    now, reach = [], []
    for study in studies:
        shuffle = rng.permutation(len(study.now_draws))
        now.append(study.now_draws[shuffle])
        if study.reach_draws is not None:
            reach.append(study.reach_draws[shuffle])
    known = np.array([study.reach_draws is not None for study in studies])
    current = np.column_stack(now)
    attainable = np.column_stack(reach) if reach else np.zeros((len(current), 0))
    otherwise = current.mean(axis=0)
    return {
        "attainable": rank_known_first(attainable, known, otherwise),
        "current": rank_lines(current),
        "gap": rank_known_first(attainable - current[:, known], known, otherwise),
    }


def _value(study: Study, site: Site, basis: Basis, prices: Prices | None) -> SeasonValue | None:
    """Value of the gap over a season.

    None if prices, feed rate, feed grade or gap are missing, or no setting is to be changed.
    """
    feed_grade = basis.material.get(FEED_GRADE)
    if prices is None or basis.feed_rate is None or feed_grade is None or study.gap_draws is None:
        return None
    if study.better is None or not np.any(study.better != study.now):
        return None
    feed = basis.feed_rate * site.mass_per_hour(study.line)
    fed = feed_grade * site.feed_grade_scale
    draws = prices.season(study.gap_draws, feed, fed, basis.min_grade)
    if study.middlings is not None and study.middlings.gain is not None:
        draws = draws + prices.season_of_middlings(study.middlings.gain, feed)
    sure = max(0.0, float(np.quantile(draws, 1.0 - basis.confidence)))
    return SeasonValue(Interval.of_draws(draws), sure)
