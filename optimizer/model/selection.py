"""The chance that chosen settings meet the grade, corrected for how they were chosen.

Settings to run now are the best of thousands by predictions that contain the errors of readings, so
they are more often settings whose readings were lucky than ones whose readings were unlucky. A
posterior allows for that only as far as its prior is right about how rare good settings are, and
the priors here are vague on purpose. The part of a prediction that is due to the errors of readings
is known, since a posterior mean is a weighted sum of readings. The prediction is lowered by a
multiple of its standard deviation: by nothing where a prediction is uncertain for lack of readings,
by most where many noisy readings were compared (the winner's curse; Smith & Winkler, Manag. Sci.
52, 2006, 311).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from scipy.special import expit, logit, ndtr, ndtri

from optimizer.gaussian_process.inputs import Inputs
from optimizer.model.coordinates import logit_slopes, logits_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.model.fitted_surrogate import FittedSurrogate
    from optimizer.model.joint import Pair

    Floats = NDArray[np.float64]

Point = TypeVar("Point")
# Standard deviations by which the best of many alike predictions exceeds its true value. Chosen on
# development decks by how often settings called 90 % sure met the grade: in 8 of 11 histories run
# by habit and 4 of 9 campaigns without it; in 8 of 8 and 7 of 9 with 0.75, where fewer are called
# sure.
INTENSITY = 0.5
# Searches for settings that are sure enough also after selection: their largest number, the highest
# chance before selection that is searched for, how much higher than needed each search aims, in
# standard deviations, and the lowest chance that sets the next aim.
MOST_SEARCHES, MOST_WANTED, AIM, LEAST_FOUND = 5, 0.9999, 0.08, 0.01


def chance_after_selection(
    surrogate: FittedSurrogate, A: Floats, min_grade: float, feed_odds: float
) -> Floats:
    """Chance that the true grade of chosen settings is at least ``min_grade``, shape (n,).

    Args:
        surrogate: the fitted surrogate.
        A: a few settings with today's material, as inputs of shape (n, d).
        min_grade: fraction.
        feed_odds: log odds of the feed grade.
    """
    inputs, chance = Inputs(A), np.zeros(len(A))
    members = surrogate.latent(inputs).members
    for pair, member in zip(surrogate.pairs_, members, strict=True):
        noise = noise_of_grade(pair, inputs, feed_odds)
        grade, _ = logits_of(*member.draws(surrogate.normals_), feed_odds)
        chance += np.mean(grade - INTENSITY * noise >= logit(min_grade), axis=0)
    return chance / len(members)


def sure_after_selection(
    search: Callable[[float], Point | None],
    chances: Callable[[Point], tuple[float, float]],
    asked: float,
) -> Point | None:
    """The settings of a search that are sure enough also after they were selected; None where no
    search finds any.

    Args:
        search: function from a chance to the best settings whose chance before selection is at
            least that, or None where there are none.
        chances: function from settings to their chance before and after selection.
        asked: chance after selection that is asked for.
    """
    wanted = asked
    for _ in range(MOST_SEARCHES):
        found = search(wanted)
        if found is None:
            return None
        before, after = chances(found)
        if after >= asked:
            return found
        wanted = raised(before, asked, after)
    return None


def raised(before: float, asked: float, after: float) -> float:
    """The chance before selection to search for next.

    Args:
        before: chance of the settings that the last search found, before selection.
        asked: chance after selection that is asked for.
        after: chance of the settings found, after selection, below ``asked``.

    >>> round(raised(0.95, 0.9, 0.89), 3)
    0.962
    """
    ends = ndtri(np.clip([before, asked, after], LEAST_FOUND, MOST_WANTED))
    return min(float(ndtr(ends[0] + ends[1] - ends[2] + AIM)), MOST_WANTED)


def noise_of_grade(pair: Pair, inputs: Inputs, feed_odds: float) -> Floats:
    """Standard deviation of the mean logit of the grade that errors of readings cause, shape (n,).

    The weights of all readings in a posterior mean are the posterior covariance with the true
    values at their set-points times the inverse of the covariance of their errors.

    Args:
        pair: a single member.
        inputs: n inputs.
        feed_odds: log odds of the feed grade.
    """
    here, there = pair.moments(inputs), pair.moments(pair.first.readings.inputs)
    n = len(inputs)
    covariance = pair.covariance(here, there)
    # From S and C - cut S to S and C, here and at the set-points.
    covariance[n:] += here.cut[:, None] * covariance[:n]
    of_s, of_c = np.split(covariance, 2, axis=1)
    with_readings = np.stack([of_s, of_c + there.cut * of_s], axis=-1)
    S, C = here.mean
    by_s, by_c = logit_slopes(expit(0.5 * (C + S)), expit(0.5 * (C - S)))[0]
    of_grade = by_s[:, None, None] * with_readings[:n] + by_c[:, None, None] * with_readings[n:]
    noise = pair.noise_of_latent_means()
    solved = np.linalg.solve(noise, of_grade[..., None])[..., 0]
    return np.sqrt(np.sum(of_grade * solved, axis=(1, 2)))
