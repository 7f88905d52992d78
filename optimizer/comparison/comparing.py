"""``compare``: the same question asked of every line, and the lines ranked by the answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.comparison.density_fractions import CurvesCompared, Fractions, compare_curves
from optimizer.comparison.footing import Basis, choose_basis, labels_of, why_not
from optimizer.comparison.ranking import Ranking, rank_known_first, rank_lines
from optimizer.comparison.record import RANKED_BY, Comparison, LineResult, Prices
from optimizer.comparison.study import Study, Task, study_line
from optimizer.errors import InputError, nearest
from optimizer.history.started import misdated, unmarked
from optimizer.interval import Interval
from optimizer.parallel import run_all
from optimizer.plant.brief import Brief
from optimizer.plant.site import FEED_GRADE, Site

if TYPE_CHECKING:
    from optimizer.history.history import History

    Progress = Callable[[str], None]

MOST_LINES = 200


def compare(
    history: History | pa.Table,
    site: Site | None = None,
    brief: Brief | None = None,
    *,
    lines: Sequence[str] | None = None,
    feed_rate: float | None = None,
    prices: Prices | None = None,
    fractions: Fractions | None = None,
    ranked_by: str = "attainable",
    anonymous: bool = False,
    seed: int = 0,
    as_of: int | None = None,
    scheduler: str | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Comparison:
    """Lines side by side on the same material, feed rate and grade.

    Args:
        history: the run history, or its runs as a table in the site's units.
        site: the plant; the defaults when None.
        brief: material, grade and limits that hold for all lines; what it leaves open is taken
            from what the lines run at recently. Its line is not used.
        lines: names; all lines when None.
        feed_rate: in the site's unit; the middle of the lines' own when None.
        prices: turn the gap into value per season.
        fractions: of density, for a partition curve a line; they may be of other lines too.
        ranked_by: ``attainable``, ``current`` or ``gap``.
        anonymous: whether lines are called by letters, in the order of their rank.
        seed: of everything random.
        as_of: history version to compare; the latest when None.
        scheduler, workers: where the work is done, see ``run_all``; the answer is the same.
        progress: called with a line of text at each stage.

    Raises:
        InputError: when a line is not in the history, or the brief names what the site lacks.
        LimitError: when the limits leave a line nothing.
        HistoryError: when the history cannot be read.
    """
    site = site or Site()
    brief = (brief or Brief()).check_names(site)
    if ranked_by not in RANKED_BY:
        raise InputError(f"ranked_by '{ranked_by}': expected one of {', '.join(RANKED_BY)}.")
    version = None
    runs: Any = history
    if hasattr(history, "read_version"):
        version, runs = history.read_version(None, as_of, site)
    tables = _tables(runs, lines)
    basis = choose_basis(tables, site, brief, feed_rate)
    reasons = {line: why_not(table, line, site, basis) for line, table in tables.items()}
    tasks = [
        Task(line, unmarked(table), site, brief, basis, seed)  # told once, below
        for line, table in tables.items()
        if reasons[line] is None
    ]
    (progress or (lambda _: None))(f"learning from {len(tasks)} lines")
    studies = run_all(study_line, tasks, scheduler, workers)
    left_out = [(line, why) for line, why in reasons.items() if why is not None]
    curves = None
    if fractions is not None:
        every = sorted({*tables, *fractions.line}) if lines is None else list(tables)
        curves = compare_curves(fractions, every, seed)
    found = _comparison(
        studies, left_out, curves, site, basis, prices, ranked_by, anonymous, seed, version
    )
    doubts = [said for table in tables.values() for said in misdated(table, named=not anonymous)]
    return replace(found, warnings=(*doubts, *found.warnings))


def _tables(runs: pa.Table, asked: Sequence[str] | None) -> dict[str, pa.Table]:
    """Runs of each line asked for, in the history's order.

    Raises:
        InputError: when a line has no runs, or there are too many.
    """
    known = sorted(pc.unique(runs["line"]).to_pylist())
    for line in asked or ():
        if line not in known:
            raise InputError(f"line '{line}' has no runs.", hint=nearest(line, known))
    names = list(dict.fromkeys(asked)) if asked else known
    if len(names) > MOST_LINES:
        raise InputError(
            f"{len(names)} lines: at most {MOST_LINES} are compared at once.",
            hint="Name some of them with lines.",
        )
    return {line: runs.filter(pc.equal(runs["line"], line)) for line in names}


def _comparison(
    studies: list[Study],
    left_out: list[tuple[str, str]],
    curves: CurvesCompared | None,
    site: Site,
    basis: Basis,
    prices: Prices | None,
    ranked_by: str,
    anonymous: bool,
    seed: int,
    version: int | None,
) -> Comparison:
    rankings = _rankings(studies, seed)
    order = np.argsort(rankings[ranked_by].rank) if studies else np.zeros(0, dtype=int)
    every = [*(studies[k].line for k in order), *(line for line, _ in left_out)]
    every += [] if curves is None else [n for n in curves.names() if n not in every]
    hidden = labels_of(every, anonymous)
    results = tuple(
        LineResult(
            name=hidden[studies[k].line],
            study=studies[k],
            rank=int(rankings[ranked_by].rank[k]),
            rank_probability=float(rankings[ranked_by].probability[k]),
            ranks={by: (int(r.rank[k]), float(r.probability[k])) for by, r in rankings.items()},
            value=_value(studies[k], site, basis, prices),
        )
        for k in order
    )
    warnings = []
    if len(results) < 2:
        warnings.append("Fewer than two lines can be compared on this basis.")
    return Comparison(
        basis=basis,
        ranked_by=ranked_by,
        ranking=rankings[ranked_by] if studies else None,
        lines=results,
        left_out=tuple((hidden[line], why) for line, why in left_out),
        prices=prices,
        curves=None if curves is None else curves.called(hidden),
        units={s.name: s.unit for s in site.space.settings},
        seed=seed,
        history_version=version,
        warnings=tuple(warnings),
    )


def _rankings(studies: list[Study], seed: int) -> dict[str, Ranking]:
    """Rankings by each quantity; lines of which nothing is sure come last, by what they get now.

    Lines are fitted with one seed; shuffled draws make them independent of each other.
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


def _value(study: Study, site: Site, basis: Basis, prices: Prices | None) -> Interval | None:
    """Value of the gap over a season; None without prices, a feed rate or a feed grade, and where
    there is no gap that is sure."""
    feed_grade = basis.material.get(FEED_GRADE)
    if prices is None or basis.feed_rate is None or feed_grade is None or study.gap_draws is None:
        return None
    tonnes = basis.feed_rate * site.tonnes_per_hour(study.line)
    fed = feed_grade * site.feed_grade_scale
    draws = prices.season(study.gap_draws, tonnes, fed, basis.min_grade)
    low, high = np.quantile(draws, [0.05, 0.95])
    return Interval(float(draws.mean()), float(low), float(high))
