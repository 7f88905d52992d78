"""Material of past runs and of today as inputs of the model."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.evidence.columns import column_reader
from optimizer.model.coordinates import guess_feed_odds, log_odds, log_unwanted
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.plant.brief import Brief, Range
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.plant.units import scaled
from optimizer.text.sentences import quantity, sentence

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Material readings that are closer than this share of the declared range count as equal, so that
# replicates collapse although a moisture meter never shows the same figure twice.
CONTEXT_GRID = 0.02

# With more set-points than this, the grid of the material is made coarser.
MOST_SET_POINTS = 1200

# Widest step of the grid. A limit is needed because the settings alone may give more set-points
# than the model can hold.
COARSEST_GRID = 0.16

# A material variable that varied by less than this share of its range is left out of the model.
CONTEXT_MOVES = 0.02

# Where the brief does not give today's material, it is the median of this many latest runs.
LATEST_RUNS = 10

# Largest share of runs that a measured feed grade may contradict; above it the feed grade is not
# used.
MOST_CONTRADICTIONS = 0.05


def material_inputs(
    runs: pa.Table, settings: Floats, site: Site, brief: Brief, warnings: list[str]
) -> tuple[Floats, Floats, dict[str, Any], list[str]]:
    """Material inputs of every run and today, in unit coordinates, today's values, and the names of
    the properties behind these inputs; ``settings`` are those of the runs, shape (n, d)."""
    past, today, material, names = [], [], {}, []
    column = column_reader(runs)
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
                    sentence(
                        "property_never_moved",
                        name=name,
                        value=float(np.median(values[known])),
                        unit=variable.unit,
                        now=float(now),
                    )
                )
            elif isinstance(given, Range):
                warnings.append(sentence("property_hardly_moved", name=name))
            continue
        unit = (np.where(known, values, np.median(values[known])) - variable.low) / span
        names.append(name)
        past.append(unit)
        today.append((float(now) - variable.low) / span if now is not None else np.median(unit))
    context = np.column_stack(past) if past else np.zeros((runs.num_rows, 0))
    context = _on_grid(context, np.array(today), settings, len(past))
    return context, np.array(today), material, names


def _today(
    name: str, given: Any, values: Floats, known: Any, variable: Any, warnings: list[str]
) -> float | None:
    """Today's value of a material variable: from the brief, else from the latest runs."""
    if given is not None:
        ends = given.ends if isinstance(given, Range) else (given, given)
        if known.any():
            low, high = np.min(values[known]), np.max(values[known])
            margin = 0.02 * (variable.high - variable.low)
            if not low - margin <= ends[0] <= ends[1] <= high + margin:
                said = {"name": name, "unit": variable.unit, "low": float(low), "high": float(high)}
                start, end = (float(each) for each in ends)
                warnings.append(
                    sentence("property_outside", value=start, **said)
                    if start == end
                    else sentence("property_range_outside", start=start, end=end, **said)
                )
        return given.middle if isinstance(given, Range) else float(given)
    if not known.any():
        return None
    return float(np.round(np.median(values[known][-LATEST_RUNS:]), 6))


def _on_grid(context: Floats, today: Floats, settings: Floats, m: int) -> Floats:
    """Material rounded to a grid that is coarse enough for the exact model to hold all set-points.

    Today's material is a point of the grid, since the plan is made for it.
    """
    if not m or not len(context):
        return context
    grid = CONTEXT_GRID
    while True:
        binned = np.round(today + np.round((context - today) / grid) * grid, 9)
        points, _ = distinct_rows(np.hstack([settings, binned]))
        if len(points) <= MOST_SET_POINTS or grid >= COARSEST_GRID:
            return binned
        grid *= 2.0


def feed_odds(
    column: Any,
    grade_logit: Floats,
    recovery_logit: Floats,
    site: Site,
    material: dict[str, Any],
    warnings: list[str],
) -> tuple[Floats, float, bool]:
    """Log odds of the feed grade of each run and of today, and whether they are known.

    A run without a feed grade takes the median feed grade of the other runs. Where no run has one,
    all runs take the feed grade of the brief, and grade and recovery then split the mass of the
    feed by the two-product formula. Where the brief has none either, the feed grade is guessed.
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
                warnings.append(sentence("feed_grade_of_today", value=quantity(float(now), unit)))
            return odds, float(log_odds(today)), True
        warnings.append(sentence("feed_grade_contradicts", share=float(contradicts.mean())))
    guess = 0.0
    if measured.any():
        guess = guess_feed_odds(grade_logit[measured], recovery_logit[measured])
    return np.full(len(grade_logit), guess), guess, False
