"""Fits the models of a line to its evidence: the surrogate, and the classifier of even runs."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from optimizer.evidence.occasions import occasions_of
from optimizer.evidence.record import Evidence
from optimizer.gaussian_process.estimation import SEARCH_POINTS
from optimizer.gaussian_process.solvers import EXACT, InducingPoints
from optimizer.measurement.run_readings import RunReadings
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.deck_state import deck_state_of
from optimizer.model.fitted_surrogate import FittedSurrogate
from optimizer.model.surrogate import Surrogate
from optimizer.plant.profiles import profiles_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# With more set-points than this, the model of a plan uses this many inducing points
# (reports/scale.md).
MOST_POINTS = 400


def fit_surrogate(evidence: Evidence, seed: int, exact: bool = False) -> FittedSurrogate:
    """Fit the surrogate to the measured runs of a line and to runs borrowed from other lines.

    Args:
        evidence: evidence of the line.
        seed: seed of all random numbers.
        exact: whether to use all set-points, however many there are.
    """
    own = evidence.take(evidence.measured)
    sources = [own] if evidence.borrowed is None else [own, evidence.borrowed]
    profiles = profiles_of(evidence.space)
    surrogate = Surrogate(
        profiles.names,
        random_state=seed,
        groupings=evidence.groupings,
        solver=EXACT if exact else InducingPoints(MOST_POINTS),
        coordinates=deck_coordinates_of(evidence.space),
        contrasts=profiles.contrasts,
    )
    X = np.vstack([e.inputs for e in sources])
    readings = RunReadings.joined([e.readings for e in sources])
    odds = np.concatenate([e.feed_odds for e in sources])
    return surrogate.fit(X, readings, odds, occasions_of(evidence))


def is_exact_fit(set_points: int) -> bool:
    """Whether ``fit_surrogate`` gives the same fit with and without ``exact``.

    Args:
        set_points: number of distinct set-points. With few, the search for hyperparameters uses all
            of them in either case.
    """
    return set_points <= min(SEARCH_POINTS, MOST_POINTS)


def chance_even_of(evidence: Evidence) -> Callable[[Floats], Floats]:
    """A function from values of the settings, shape (n, d), to the chance of an even deck, shape
    (n,).

    The chance is 1 everywhere for a line without failed runs.
    """
    if evidence.even.all():
        return lambda values: np.ones(len(values))
    profiles = profiles_of(evidence.space)
    contrasts = tuple(column for column, _, _ in profiles.contrasts)
    state = deck_state_of(deck_coordinates_of(evidence.space), contrasts)
    state.fit(profiles.inputs(evidence.settings), evidence.even)
    return lambda values: state.chance_even(profiles.inputs(values))
