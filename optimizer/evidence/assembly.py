"""From the runs of a history to the evidence of one line.

In come the runs and today's material; out comes an ``Evidence``: settings and material in unit
coordinates, readings with their errors, today's values, and warnings about what the runs cannot
show.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow.compute as pc
import pyarrow.types as pa_types

from optimizer.errors import closest
from optimizer.evidence.borrowing import runs_to_learn_from
from optimizer.evidence.cautions import days_by_habit, habits, unsettled
from optimizer.evidence.columns import codes_of, column_reader, moment64, settings_of, start_times
from optimizer.evidence.labels import LABEL, labels_of
from optimizer.evidence.material import feed_odds, material_inputs
from optimizer.evidence.record import Evidence
from optimizer.evidence.shift import shift_of
from optimizer.history.description import undeclared
from optimizer.history.start_times import misdated
from optimizer.measurement.joint_errors import JointErrors
from optimizer.measurement.run_readings import RunReadings
from optimizer.measurement.share_readings import ShareReadings
from optimizer.plant.brief import Brief
from optimizer.plant.moments import instant_of
from optimizer.plant.run_columns import EVEN, FEED_GRADE_SE, JOINT_ERRORS
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.plant.units import scaled
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def evidence_of(runs: pa.Table, site: Site, brief: Brief) -> Evidence:
    """The evidence that the runs of a history hold for a brief.

    Args:
        runs: all runs of the history, in its order, with settings in the site's units.
        site: description of the plant.
        brief: what is wanted today, of which the line and the material are used.
    """
    warnings: list[str] = [sentence("variable_not_used", name=n) for n in _unused(runs, site)]
    line = _choose_line(runs, brief, warnings)
    runs, number = runs_to_learn_from(runs, line, site, warnings)
    warnings += misdated(runs)
    space = site.space_of(line)
    column = column_reader(runs)
    settings = settings_of(runs, space)
    readings = _readings(column, site)
    context, today, material, names = material_inputs(runs, settings, site, brief, warnings)
    asked = brief.material.get(LABEL)
    labels = labels_of(runs, None if asked is None else str(asked), space)
    if labels.today is not None:
        material[LABEL] = labels.today
    odds, odds_today, known = feed_odds(
        column, readings.grade_logit, readings.recovery_logit, site, material, warnings
    )
    if not known:
        readings = readings.with_exact_feed()
    today = np.concatenate([today, labels.inputs_today])
    whole = Evidence(
        space=space,
        line=line,
        settings=settings,
        context=np.hstack([context, labels.inputs]),
        today=today,
        readings=readings.with_usual_errors(),
        middlings_share=_share(column, "middlings_share"),
        middlings_grade=_share(column, "middlings_grade"),
        feed_odds=odds,
        feed_odds_today=odds_today,
        feed_grade_known=known,
        even=_ran_even(runs),
        started=start_times(runs),
        lot=codes_of(runs, "lot"),
        now=_now(runs, line, site, brief),
        events=tuple(moment64(at) for at in site.events_of(line)),
        material=material,
        warnings=(),
        number=number,
        by_line=bool(number.any()),
        label=labels.number,
        other_labels=labels.others,
        zone=site.time_zone,
        shift=shift_of(brief.ranges, site, today, names, odds_today, known),
    )
    here = number == 0
    own, other = (whole.take(here), whole.take(~here)) if whole.by_line else (whole, None)
    warnings += habits(own) + days_by_habit(own)
    mine = runs.slice(int(np.sum(number > 0)))
    warnings += unsettled(mine, own, brief.trials.settle_minutes)
    return replace(own, warnings=tuple(warnings), borrowed=other)


def _ran_even(runs: pa.Table) -> NDArray[np.bool_]:
    """Whether the deck ran even, shape (n,); a run that does not say did."""
    fine = pc.fill_null(pc.equal(runs["deck_state"], EVEN), True) if runs.num_rows else []
    return np.array(fine, dtype=bool)


def _now(runs: pa.Table, line: str | None, site: Site, brief: Brief) -> np.datetime64 | None:
    """The moment that the plan is for, in UTC: that of the brief, else that of the latest run."""
    if brief.goal.at is not None:
        return moment64(instant_of(brief.goal.at, site.time_zone, "goal.at"))
    own = runs.filter(pc.equal(runs["line"], line)) if runs.num_rows and line is not None else runs
    started = start_times(own)
    dated = started[~np.isnat(started)]
    return np.max(dated) if len(dated) else None


def _unused(runs: pa.Table, site: Site) -> list[str]:
    """Names of the columns with numbers that the site does not declare."""
    return [
        name
        for name in undeclared(runs.column_names, site)
        if pa_types.is_floating(runs[name].type) and runs[name].null_count < runs.num_rows
    ]


def _readings(column: Callable[[str], Floats], site: Site) -> RunReadings:
    """The readings of the runs, with the errors that the log states.

    Args:
        column: gives the values of a column by its name, shape (n,).
        site: the plant, which declares the unit of the feed grade and of its error.
    """
    together = {name: column(name) for name in (FEED_GRADE, *JOINT_ERRORS)}
    for name in (FEED_GRADE, FEED_GRADE_SE):
        together[name] = scaled(together[name], site.feed_grade_scale)
    return RunReadings.from_shares(
        column("grade"),
        column("recovery"),
        column("grade_se"),
        column("recovery_se"),
        column("grade_count"),
        JointErrors(**together),
    )


def _share(column: Callable[[str], Floats], name: str) -> ShareReadings:
    """The readings of one share of the runs, with the errors that the log states."""
    return ShareReadings.from_shares(column(name), column(f"{name}_se"))


def _choose_line(runs: pa.Table, brief: Brief, warnings: list[str]) -> str | None:
    lines: list[str] = sorted(pc.unique(runs["line"]).to_pylist()) if runs.num_rows else []
    if brief.line is not None:
        if lines and brief.line not in lines:
            near = closest(brief.line, lines)
            hint = sentence("known_here", names=lines)
            hint = hint if near is None else sentence("did_you_mean", name=near)
            warnings.append(sentence("line_without_runs", line=brief.line, hint=hint))
        return brief.line
    if len(lines) <= 1:
        return lines[0] if lines else None
    started = runs["started_at"].cast("timestamp[us]").cast("int64").to_numpy()
    names = np.array(runs["line"].to_pylist())
    latest = {n: float(np.nanmax(np.append(started[names == n], -np.inf))) for n in lines}
    chosen = max(lines, key=lambda n: (latest[n], int(np.sum(names == n)), n))
    warnings.append(sentence("line_not_named", line=chosen, lines=lines))
    return chosen
