"""The interface of a fitted surrogate to other modules, and the records that it returns.

Planning, diagnosis and comparison depend on this protocol only; its implementation (an average of
pairs of processes) can change without changes to them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from optimizer.interval import Intervals
from optimizer.text.sentences import Sentence, sentence

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimizer.gaussian_process.inputs import Inputs
    from optimizer.model.joint import Pair
    from optimizer.time_effects.effects import TimeEffects
    from optimizer.time_effects.information import Information
    from optimizer.time_effects.occasions import Cells

    Floats = NDArray[np.float64]


# From this weight on, a description is named alone.
ALONE_FROM = 0.8


@dataclass(frozen=True)
class Favored:
    """A description of a deck, and how much the runs favor it.

    Attributes:
        name: name of the description.
        says: what it says of a deck, a clause.
        weight: its share in the average, 0 to 1.
    """

    name: str
    says: str
    weight: float


@dataclass(frozen=True)
class FavoredDescriptions:
    """The descriptions of a deck that answers are averaged over, most favored first."""

    each: tuple[Favored, ...]

    @property
    def sentence(self) -> str:
        """What the runs favor, in one sentence.

        >>> one, other = Favored("a", "it is flat", 0.6), Favored("b", "it is round", 0.4)
        >>> FavoredDescriptions((one, other)).sentence
        'The runs do not decide how the deck works: it is flat (60 %), or it is round (40 %).'
        """
        first, *others = self.each
        if first.weight >= ALONE_FROM or not others:
            return sentence("favors_one", first=_told(first))
        return sentence("favors_none", first=_told(first), second=_told(others[0]))

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "says": self.sentence,
            "weights": {one.name: round(one.weight, 4) for one in self.each},
        }


def _told(one: Favored) -> Sentence:
    return sentence("weighed", says=one.says, weight=100.0 * one.weight)


@dataclass(frozen=True)
class Prediction:
    """Predicted true grade and recovery."""

    grade: Intervals
    recovery: Intervals


@dataclass(frozen=True)
class Latent:
    """Sharpness and balance of n settings as predicted by each member, normal within a member.

    Args:
        mean: means of sharpness and balance, shape (members, 2, n).
        variance: variance of the sharpness, and variance of the balance given the sharpness, shape
            (members, 2, n).
        cut: slope of the balance on the sharpness, given the readings, shape (members, n).
    """

    mean: Floats
    variance: Floats
    cut: Floats

    @property
    def members(self) -> list[Latent]:
        """One record for each member, whose arrays lack the first axis."""
        return [Latent(*part) for part in zip(self.mean, self.variance, self.cut, strict=True)]

    def draws(self, normals: Floats) -> tuple[Floats, Floats]:
        """Draws of one member's sharpness and balance, each (k, n), from normals of shape (k,
        2)."""
        off = normals[:, :1] * np.sqrt(self.variance[0])
        balance = self.mean[1] + self.cut * off + normals[:, 1:] * np.sqrt(self.variance[1])
        return self.mean[0] + off, balance


class FittedSurrogate(Protocol):
    """Grade and recovery as functions of settings and material, learned from runs.

    Inputs A are settings and material in unit coordinates, shape (n, d). ``coarse`` requests a
    rough answer from fewer members and nodes, which is enough for a shortlist.
    """

    @property
    def n_members_(self) -> int:
        """Number of draws of hyperparameters that answers are averaged over."""

    @property
    def exact(self) -> bool:
        """Whether the processes hold every set-point exactly and all set-points are of one line."""

    @property
    def latent_readings_(self) -> tuple[Floats, Floats]:
        """Sharpness and balance of each run, to which the processes were fitted, each (n,)."""

    @property
    def run_weights_(self) -> Floats:
        """Weight of each run, in (0, 1]: near 0 where its readings contradict all others, (n,)."""

    @property
    def time_effects_(self) -> TimeEffects | None:
        """What changes with time, as of the moment of the predictions; None where nothing does."""

    @property
    def time_information_(self) -> tuple[Information, Cells] | None:
        """What the readings say of effects of time, and the occasions of the runs; None where too
        few are dated."""

    @property
    def share_of_runs_(self) -> Floats:
        """Share of each run in the mean reading of its set-point, shape (n,)."""

    @property
    def favored_(self) -> FavoredDescriptions:
        """The descriptions of a deck that answers are averaged over, most probable first."""

    @property
    def agreement_(self) -> float | None:
        """Correlation between the first group of runs, of which predictions are, and the others, by
        the first grouping of the inputs; None where runs are not grouped."""

    @property
    def normals_(self) -> Floats:
        """Fixed standard normals behind predictions, shape (draws, 2)."""

    @property
    def pairs_(self) -> Sequence[Pair]:
        """Joint posteriors of sharpness and balance, one for each member."""

    def pairs(self, step: int = 1) -> Sequence[Pair]:
        """The pair of every ``step``-th member, joined to one stack where that is possible."""

    def latent(self, A: ArrayLike | Inputs, coarse: bool = False) -> Latent:
        """Predicted sharpness and balance at A."""

    def predict(self, A: ArrayLike | Inputs, feed_odds: float, level: float = 0.9) -> Prediction:
        """Mean and central interval of the true grade and recovery at A."""

    def outlook(
        self, A: ArrayLike | Inputs, min_grade: float, feed_odds: float, coarse: bool = False
    ) -> tuple[Floats, Floats]:
        """Chance that the true grade at A is at least ``min_grade``; mean true recovery; (n,)
        each."""

    def expect(
        self,
        function: Callable[[Floats, Floats, Floats], Floats],
        A: ArrayLike | Inputs,
        coarse: bool = False,
    ) -> Floats:
        """Posterior mean, (n,), of a function of sharpness, balance (both (draws, n)) and A."""

    def chance_of_grade(self, A: ArrayLike | Inputs, min_grade: float, feed_odds: float) -> Floats:
        """Chance that the true grade at A is at least ``min_grade``, shape (n,)."""

    def mean_yield(self, A: ArrayLike | Inputs, feed_odds: float) -> Floats:
        """Share of the feed that goes to the product at A, shape (n,)."""

    def noise_covariance(self) -> Floats:
        """Covariance of the noise of one reading of sharpness and of balance beyond the errors that
        are stated, shape (2, 2)."""

    def reading_sd(self) -> tuple[float, float]:
        """Standard deviations of the noise of one reading, of sharpness and of balance."""
