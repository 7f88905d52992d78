"""Finds better settings for a line: the best settings that are sure enough of the grade, and
settings with fewer changes that reach most of the same gain.

Settings are sure enough if the chance of meeting the grade times the chance of an even deck reaches
the required confidence, as for the settings to run now. They are ranked by worth. All other
settings rank below them, by worth times chance, so that a search that starts among them moves
towards settings that are sure enough.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.numerics.lattice_climb import climb
from optimizer.plant.region import Region

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]
    Score = Callable[[Indices], Floats]

# Settings are moved until this share of the best candidate's gain is reached.
ENOUGH = 0.8
# Most moves of a climb, and the numbers of steps to a neighbor of a candidate.
CLIMBS = 12
REACH = (1, 2, 4)
# Added to the score of settings that are not sure enough; worths lie between 0 and 1.
UNSURE = -1.0


@dataclass(frozen=True)
class Search:
    """A search for settings inside a region. Candidates are lattice indices of d settings.

    Args:
        region: the region of allowed settings.
        chance: maps candidates, shape (n, d), to the chance that the deck runs even and the grade
            is met, shape (n,).
        confidence: the required chance.
    """

    region: Region
    chance: Score
    confidence: float

    def sure(self, point: Indices) -> bool:
        """Whether one candidate, shape (d,), is sure enough."""
        return bool(self.chance(point[None, :])[0] >= self.confidence)

    def sure_first(self, worth: Score) -> Score:
        """A score that is the worth for candidates that are sure enough, and below 0 for others."""

        def score(index: Indices) -> Floats:
            chance, value = self.chance(index), worth(index)
            return np.where(chance >= self.confidence, value, UNSURE + chance * value)

        return score

    def best(self, starts: Indices, worths: Floats, worth: Score) -> Indices | None:
        """The candidate of the highest worth among those that are sure enough.

        Args:
            starts: candidates to start from, shape (n, d).
            worths: worths of the starts, between 0 and 1, shape (n,).
            worth: maps candidates, shape (n, d), to worths between 0 and 1, shape (n,).

        Returns:
            The candidate, shape (d,); None when none was found that is sure enough.
        """
        sure = self.chance(starts) >= self.confidence
        if sure.any():
            start = starts[int(np.argmax(np.where(sure, worths, UNSURE)))]
        else:
            start, chance = self.surest(starts)
            if chance < self.confidence:
                return None
        return self._climb(self.sure_first(worth), start[None, :])[0]

    def surest(self, starts: Indices) -> tuple[Indices, float]:
        """The candidate with the highest chance, shape (d,), and that chance."""
        return self._climb(self.chance, starts)

    def simplest(self, worth: Score, now: Indices, best: Indices) -> Indices:
        """A sure enough candidate that moves few settings and reaches most of the best gain.

        Every further move adds uncertainty and takes an operator's time. Settings are added one by
        one, each time the one that adds most; then all moved settings are adjusted together.

        Args:
            worth: maps candidates, shape (n, d), to worths between 0 and 1, shape (n,).
            now, best: the present and the best candidate, shape (d,); ``best`` is sure enough.
        """
        score = self.sure_first(worth)
        start, goal = worth(np.vstack([now, best]))
        enough = goal - (1.0 - ENOUGH) * max(goal - start, 0.0)
        point, value, moved = now, float(score(now[None, :])[0]), set[int]()
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
        return point if value >= 0.0 else best

    def _climb(self, score: Score, starts: Indices) -> tuple[Indices, float]:
        """Moves every start to better neighbors; returns the best end point and its score."""
        points, values = climb(
            starts, score(starts), score, lambda at: self.region.neighbors(at[0], REACH), CLIMBS
        )
        best = int(np.argmax(values))
        return points[best], float(values[best])

    def _improve(
        self, score: Score, points: Indices, best: Indices, value: float
    ) -> tuple[Indices, float]:
        """The best of ``points`` and its score, or ``best`` and ``value`` if none is better."""
        points = points[self.region.contains(points)]
        if not len(points):
            return best, value
        scores = score(points)
        k = int(np.argmax(scores))
        return (points[k], float(scores[k])) if scores[k] > value else (best, value)

    def _adjust(
        self, score: Score, point: Indices, value: float, moved: set[int]
    ) -> tuple[Indices, float]:
        """Adjusts the moved settings of a point together and leaves the others unchanged."""
        still = [j for j in range(len(point)) if j not in moved]
        for _ in range(CLIMBS):
            before = value
            for j in moved:
                point, value = self._improve(score, self._levels(point, j), point, value)
            around = self.region.neighbors(point, REACH)
            around = around[np.all(around[:, still] == point[still], axis=1)]
            point, value = self._improve(score, around, point, value)
            if value <= before:
                break
        return point, value

    def _levels(self, point: Indices, j: int) -> Indices:
        """Copies of a point with setting j at each of its levels inside the limits."""
        levels = np.arange(self.region.first[j], self.region.last[j] + 1)
        points = np.tile(point, (len(levels), 1))
        points[:, j] = levels
        return points
