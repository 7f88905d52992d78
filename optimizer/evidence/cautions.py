"""Warnings of a plan about what the runs of a line cannot show."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

from optimizer.evidence.middlings import FEWEST, middlings_readings
from optimizer.evidence.occasions import occasions_of
from optimizer.evidence.record import Evidence
from optimizer.evidence.unlogged import unlogged
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.plant.brief import Brief, Prices
from optimizer.plant.profiles import profiles_of
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    from optimizer.model.fitted_surrogate import FittedSurrogate

    Floats = NDArray[np.float64]

COLLINEAR_FROM = 0.95

FEWEST_FOR_CORRELATION = 8
# Below this correlation, runs of other labels say less than a few runs of today's own.
AGREES_FROM = 0.5


def unsettled(runs: pa.Table, evidence: Evidence, settle_minutes: float) -> list[str]:
    """Warnings about runs that were sampled before the deck had settled.

    Args:
        runs: the runs, n rows.
        evidence: the evidence of the same runs.
        settle_minutes: minutes that the deck needs after a change of settings.
    """
    said: list[str] = []
    settings, measured, zone = evidence.settings, evidence.measured, evidence.zone
    if not runs.num_rows:
        return said
    if "settled" in runs.column_names:
        flag = np.asarray(runs["settled"].to_numpy(), dtype=object)
        restless = int(np.sum((flag == False) & measured))  # noqa: E712 - null is neither true nor false
        if restless:
            said.append(sentence("not_settled", count=restless))
    started = evidence.started
    order = np.argsort(started, kind="stable")  # undated runs are last
    minutes = np.diff(started[order]) / np.timedelta64(1, "m")
    changed = np.any(np.diff(settings[order], axis=0) != 0, axis=1)
    hasty = changed & (minutes > 0) & (minutes < settle_minutes) & measured[order[:-1]]
    if hasty.any():
        at = evidence.started_by_clock[order[np.flatnonzero(hasty)[0]]]
        said.append(
            sentence(
                "hasty",
                count=int(hasty.sum()),
                minutes=settle_minutes,
                first=str(at.astype("datetime64[m]")),
                zone="" if zone.is_utc else f" {zone.name}",
            )
        )
    return said


def habits(evidence: Evidence) -> list[str]:
    """Warnings about settings that never changed and pairs of settings that always changed
    together. The gates of a setting count as their level; what their profile does is not known
    where it never changed."""
    warnings: list[str] = []
    profiles = profiles_of(evidence.space)
    whole = [j for j, degree in enumerate(profiles.degrees) if degree == 0]
    values = profiles.values(evidence.settings)
    settings, names = values[:, whole], [profiles.names[j] for j in whole]
    if len(settings) < FEWEST_FOR_CORRELATION:
        return warnings
    for gates in profiles.gates:
        if not np.any(np.std(values[:, list(gates.columns[1:])], axis=0) > 1e-9):
            warnings.append(sentence("gates_alike", name=gates.name))
    moved = np.std(settings, axis=0) > 1e-9
    for name, value in zip(
        np.array(names)[~moved], settings[0][~moved] if len(settings) else (), strict=False
    ):
        warnings.append(sentence("never_moved", name=str(name), value=float(value)))
    columns = np.flatnonzero(moved)
    if len(columns) > 1:
        correlation = np.atleast_2d(np.corrcoef(settings[:, columns].T))
        for i in range(len(columns)):
            for j in range(i + 1, len(columns)):
                if abs(correlation[i, j]) >= COLLINEAR_FROM:
                    warnings.append(
                        sentence(
                            "moved_together",
                            one=names[columns[i]],
                            other=names[columns[j]],
                            correlation=float(correlation[i, j]),
                        )
                    )
    return warnings


def days_by_habit(evidence: Evidence) -> list[str]:
    """A warning where days and settings always changed together, with a set-point to run again."""
    occasions = occasions_of(evidence)
    if occasions is None or not occasions.by_habit:
        return []
    own = evidence.take(evidence.measured)
    points, which = distinct_rows(own.settings)
    day = occasions.day[: len(which)]
    before = (day >= 0) & (day != np.max(day))
    again = int(np.argmax(np.bincount(which[before], minlength=len(points))))
    last = np.max(own.started_by_clock[before & (which == again)]).astype("datetime64[D]")
    settings = [
        sentence("setting_at", name=name, value=float(value))
        for name, value in zip(own.space.names, points[again], strict=True)
    ]
    return [sentence("days_by_habit", last=str(last), settings=settings)]


def changes_unlogged(surrogate: FittedSurrogate, evidence: Evidence, A: Floats) -> list[str]:
    """Warnings about something that differs by day or by lot and is not logged.

    Args:
        surrogate: fitted to the evidence.
        evidence: evidence of the line.
        A: the settings to run now with today's material, as inputs of shape (1, d + m).
    """
    return [found.sentences for found in unlogged(surrogate, evidence, A) if found.found]


def feed_grade_of(odds: float) -> float:
    """The feed grade, a fraction, that has these log odds."""
    return float(expit(odds))


def of_other_labels(evidence: Evidence, agreement: float | None) -> list[str]:
    """What is learned for a label of the material with few runs from runs of other labels.

    Args:
        evidence: evidence of the line.
        agreement: correlation between today's label and the others, as the model estimates it.
    """
    if not evidence.by_label or agreement is None:
        return []
    runs = int(np.sum(evidence.measured & (evidence.label == 0)))
    label = evidence.material["material"]
    rest = int(np.sum(evidence.measured & (evidence.label > 0)))
    if evidence.borrowed is not None:
        rest += len(evidence.borrowed.grade)
    labels = list(evidence.other_labels)
    told = {"label": label, "rest": rest, "labels": labels, "agreement": float(agreement)}
    if not runs:
        return [sentence("label_none", **told)]
    key = "label_hardly" if agreement < AGREES_FROM else "label_agrees"
    return [sentence(key, count=runs, **told)]


def over_the_shift(evidence: Evidence) -> list[str]:
    """What to mind where the material varies over the shift."""
    if evidence.shift is None:
        return []
    ranges = [
        sentence("range_of", name=name, low=low, high=high)
        for name, (low, high) in ((n, r.ends) for n, r in evidence.shift.over.items())
    ]
    return [sentence("over_the_shift", ranges=ranges)]


def cautions(evidence: Evidence, min_grade: float, brief: Brief) -> list[str]:
    """Warnings about a goal that the runs do not support."""
    said: list[str] = []
    if brief.goal.min_grade is None and brief.goal.maximise != "value":
        said.append(sentence("no_grade_asked", grade=min_grade))
    best = float(np.max(evidence.grade[evidence.measured], initial=0.0))
    if 0.0 < best < min_grade:
        said.append(sentence("grade_never_reached", grade=min_grade, best=best))
    capacity, goal = brief.capacity, brief.goal.maximise
    limited = capacity.max_product_rate is not None or capacity.max_reject_rate is not None
    if (limited or goal == "value") and not evidence.feed_grade_known:
        key = "feed_grade_unknown_value" if goal == "value" else "feed_grade_unknown"
        said.append(sentence(key, value=feed_grade_of(evidence.feed_odds_today)))
    said += doubts_of_middlings(evidence, brief.goal.prices)
    few = 2 * profiles_of(evidence.space).whole + 3
    if len(distinct_rows(evidence.settings)[0]) < few:
        said.append(sentence("few_settings_tried", few=few))
    return said


def doubts_of_middlings(evidence: Evidence, prices: Prices | None) -> list[str]:
    """Warnings about prices of middlings without readings, and readings without a price."""
    if prices is None:
        return []
    known = middlings_readings(evidence)
    if prices.middlings is not None and known < FEWEST:
        key = "middlings_in_few_runs" if known else "middlings_in_no_run"
        return [sentence(key, needed=FEWEST, **({"count": known} if known else {}))]
    if prices.middlings is None and known >= FEWEST:
        return [sentence("middlings_without_price", runs=known)]
    return []
