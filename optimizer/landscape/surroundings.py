"""Computes the landscape of a plan.

In come a ``Situation``, with its fitted surrogate, and the plan that was made from it; out comes
the plan's ``Landscape``. No run is left out: if there are too many to show, neighboring runs are
collapsed to their means and counts.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.evidence.set_points import SetPoints, collapse_runs
from optimizer.landscape.progress import progress_of
from optimizer.landscape.record import Effect, Landscape, Map, Surroundings, Today
from optimizer.model.coordinates import from_latent, to_latent
from optimizer.planning.plan import Plan
from optimizer.planning.situation import Situation
from optimizer.planning.trade_off import trade_off
from optimizer.plant.profiles import profiles_of
from optimizer.plant.region import Region
from optimizer.plant.settings import SettingSpace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# The pair of settings that the map shows by default: speed and tilt are adjusted together.
PAIR = ("eccentric_speed", "side_tilt")
LEVELS, MAP_LEVELS = 41, 31
"""Most levels of a setting that are evaluated for an effect and for the map; the surface is smooth
between them."""
# Parts of a profile of gates that have an effect of their own: the level and the taper.
EFFECTS_OF_GATES = 2


def landscape(situation: Situation, plan: Plan, pair: tuple[str, str] | None = None) -> Landscape:
    """Computes the landscape of a plan.

    Args:
        situation: the situation from which the plan was made.
        plan: the plan.
        pair: names of the two settings that the map shows; None for speed and tilt, or for the
            first two settings of a line without them.
    """
    with threadpool_limits(1):
        points = collapse_runs(situation.evidence)
        return Landscape(
            plan=plan,
            today=today_of(situation),
            points=points,
            names=situation.evidence.space.names,
            progress=progress_of(situation, points, plan),
            run_now=_surroundings(situation, plan, points, pair),
            time_zone=situation.site.time_zone.name,
        )


def today_of(situation: Situation) -> Today:
    """The conditions of today: ranges inside the limits, the deck now."""
    region, space = situation.limits.region, situation.evidence.space
    edges = zip(space.settings, region.first, region.last, strict=True)
    return Today(
        site=situation.site.name,
        brief=situation.brief,
        ranges=tuple(
            (s, float(s.values(np.array(first))), float(s.values(np.array(last))))
            for s, first, last in edges
        ),
        start={name: float(value) for name, value in situation.start().items()},
    )


def _surroundings(
    situation: Situation, plan: Plan, points: SetPoints, pair: tuple[str, str] | None
) -> Surroundings | None:
    run_now = plan.run_now
    if run_now is None:
        return None
    here = situation.evidence.space.index_of(run_now.settings)
    curve = plan.trade_off
    if curve is None:
        curve = trade_off(situation, run_now, here, plan.min_grade, plan.maximise)
    return Surroundings(
        trade_off=curve,
        effects=_effects(situation, points, here[0]),
        map=None if plan.min_grade is None else _map(situation, here[0], pair),
    )


def _effects(situation: Situation, points: SetPoints, here: Indices) -> tuple[Effect, ...]:
    """The effect of each setting, with the other settings to run now, and with the runs' readings.
    Gates are shown by their level and their taper.

    Readings were taken at other settings and with other material. They are adjusted by the model:
    from a reading, the prediction at its own conditions is subtracted, and the prediction at the
    conditions shown is added, in the model's latent coordinates (component-plus-residual plot;
    W. A. Larsen & S. J. McCleary, Technometrics 14, 1972, 781).
    """
    evidence = situation.evidence
    space, profiles = evidence.space, profiles_of(evidence.space)
    own = situation.surrogate.latent(points.inputs).mean.mean(axis=0)
    read = np.array(to_latent(points.grade_logit, points.recovery_logit, points.feed_odds))
    effects = []
    for j in (j for j, degree in enumerate(profiles.degrees) if degree < EFFECTS_OF_GATES):
        index, low, high = _along(situation.limits.region, here, j)
        levels, told_by = _told(space, index, j), profiles.told_by[j]
        moved = np.tile(evidence.inputs_today(here[None, :]), (len(points.inputs), 1))
        moved[:, j] = points.inputs[:, j]
        there = situation.surrogate.latent(moved).mean.mean(axis=0)
        sharpness, balance = read - own + there
        grade, recovery = from_latent(sharpness, balance, evidence.feed_odds_today)
        effects.append(
            Effect(
                setting=profiles.setting(j),
                now=float(_told(space, here[None, :], j)[0]),
                low=low,
                high=high,
                levels=levels,
                expected=situation.expected(index),
                reading_levels=(profiles.low[j] + points.inputs[:, j] * profiles.span[j]) * told_by,
                reading_grade=grade,
                reading_recovery=recovery,
            )
        )
    return tuple(effects)


def _told(space: SettingSpace, index: Indices, j: int) -> Floats:
    """One input of the model at lattice points, shape (n, d), as people are told of it, (n,)."""
    profiles = profiles_of(space)
    return np.asarray(profiles.values(space.values(index))[:, j] * profiles.told_by[j])


def _along(region: Region, here: Indices, j: int) -> tuple[Indices, float, float]:
    """Lattice points in which one input of the model changes, as far as the ranges of the deck
    allow.

    Args:
        region: today's limits.
        here: lattice point that they pass through, shape (d,).
        j: column of the input: a setting, or the level or taper of gates.

    Returns:
        The points, shape (k, d); the lowest and the highest value of the input inside today's
        limits, for gates while the others stay as they are.
    """
    space = region.space
    profiles, tops = profiles_of(space), np.array([s.top for s in space.settings])
    row = profiles.shapes[profiles.told.index(j)]
    row = row / np.abs(row).max()
    offsets = np.arange(-tops.max(), tops.max() + 1)
    points = here + np.rint(offsets[:, None] * row).astype(np.int64)
    inside = offsets[np.all((points >= 0) & (points <= tops), axis=1)]
    chosen = inside[0] + _levels(int(-inside[0]), int(inside[-1] - inside[0]), LEVELS)
    if space.settings[j].gate_of is None:
        ends = space.values(np.array([region.first, region.last]))[:, j]
    else:
        ends = _told(space, np.vstack([points[region.contains(points)], here]), j)
    index = here + np.rint(chosen[:, None] * row).astype(np.int64)
    return index, float(ends.min()), float(ends.max())


def usual_pair(names: tuple[str, ...]) -> tuple[str, ...]:
    """The two settings that a map shows where none are chosen; fewer when there are fewer."""
    return PAIR if set(PAIR) <= set(names) else names[:2]


def _map(situation: Situation, here: Indices, pair: tuple[str, str] | None) -> Map | None:
    """The map of two settings; None when the site has only one setting."""
    space = situation.evidence.space
    names = pair or usual_pair(space.names)
    if len(names) < 2:
        return None
    i, j = (space.names.index(name) for name in names)
    across, up = (_levels(int(here[k]), space.settings[k].top, MAP_LEVELS) for k in (i, j))
    index = np.tile(here, (len(across) * len(up), 1))
    index[:, i], index[:, j] = np.tile(across, len(up)), np.repeat(up, len(across))
    expected, shape = situation.expected(index), (len(up), len(across))
    return Map(
        x=names[0],
        y=names[1],
        x_levels=space.settings[i].values(across),
        y_levels=space.settings[j].values(up),
        chance_of_grade=expected.chance_of_grade.reshape(shape),
        chance_even=expected.chance_even.reshape(shape),
        recovery=expected.recovery.mean.reshape(shape),
    )


def _levels(here: int, top: int, most: int) -> Indices:
    """Evenly spaced level numbers of a setting that include the present one, and both ends.

    Args:
        here: number of the present level.
        top: number of the highest level.
        most: about how many levels to return.
    """
    step = max(1, math.ceil(top / (most - 1)))
    inside = np.arange(here % step, top + 1, step)
    return np.unique(np.concatenate([[0], inside, [top]]))
