"""Ask and tell, as scikit-optimize does, with the model and the gain that plan trials on a deck.

Beyond scikit-optimize, an optimizer may be told the error of a reading, constraints that are only
known by trying, and trials that failed; and what was asked for and not told yet is pending, so that
several trials may be under way. The function is learned on a scale on which readings far from the
minimum are compressed (``warp``); constraints are learned as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtr
from sklearn.base import clone
from sklearn.utils import check_random_state
from skopt.space import Space
from skopt.utils import create_result, is_2Dlistlike
from threadpoolctl import threadpool_limits

from optimizer.errors import InputError, LimitError
from optimizer.interop.gain import Gain
from optimizer.interop.lattice import Lattice, space_of
from optimizer.interop.regressor import LARGEST_SEED, SurrogateRegressor
from optimizer.interop.told import Told, checked, one_each, rank
from optimizer.interop.warp import Warp, WarpedRegressor
from optimizer.model.deck_state import AveragedDeckState, deck_state_of
from optimizer.planning.trial_selection import FAILING, LEAST_EVEN

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from scipy.optimize import OptimizeResult

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# The model needs this many readings; until then, trials spread.
FEWEST_READINGS = 3
# Number of points tried among which each draw finds its incumbent; others can hardly be the best.
MOST_INCUMBENTS = 40
# Chance of meeting all constraints from which a trial may be named as the best.
SURE = 0.9
# Number of points tried around which the search starts.
STARTS = 5


@dataclass(frozen=True)
class Learned:
    """What the trials told so far teach.

    Attributes:
        objective: model of the function, whose readings are warped.
        constraints: model of each constraint.
        works: chance that a trial gives a reading; None where none has failed.
    """

    objective: WarpedRegressor
    constraints: tuple[SurrogateRegressor, ...]
    works: AveragedDeckState | None


class Optimizer:
    """Minimizes a function of which only trials are known, in the words of scikit-optimize.

    Dimensions are scikit-optimize's ``Real`` (``uniform`` or ``log-uniform``), ``Integer`` and
    ``Categorical``, or its short forms. A continuous dimension is searched on a lattice of 65,537
    levels. Not supported, because the model and the gain are ours: ``base_estimator``,
    ``acq_func``, ``acq_optimizer``, ``initial_point_generator``, ``space_constraint`` and times of
    trials (``"EIps"``).

    Args:
        dimensions: the dimensions of the space.
        random_state: seed; equal seeds and trials give equal points, at any number of threads.
        n_initial_points: number of trials that spread over the space before the model chooses; None
            for twice the number of dimensions and 2 more, and at least 6.

    Attributes:
        space: the space, whose coordinates go from 0 to 1.
        told: the trials told so far, in order.
        pending: points that were asked for and not told yet, each a list; a point that will not be
            tried may be removed from it, and one that others try added to it.

    Raises:
        InputError: when a dimension is of a kind that is not supported.

    >>> optimizer = Optimizer([(-2.0, 2.0)], random_state=1)
    >>> for _ in range(12):
    ...     x = optimizer.ask()
    ...     result = optimizer.tell(x, (x[0] - 0.5) ** 2)
    >>> bool(abs(result.x[0] - 0.5) < 0.05)
    True
    """

    def __init__(
        self,
        dimensions: Sequence[Any],
        random_state: int | np.random.RandomState | None = None,
        n_initial_points: int | None = None,
    ) -> None:
        self.space: Space = space_of(dimensions)
        self.rng = check_random_state(random_state)
        self.told: list[Told] = []
        self.pending: list[list[Any]] = []
        self._lattice = Lattice(self.space)
        self._seed = int(self.rng.randint(LARGEST_SEED))
        spread = max(6, 2 * len(self.space.dimensions) + 2)
        self.n_initial_points = spread if n_initial_points is None else n_initial_points
        self._learned: tuple[int, Learned] | None = None

    @property
    def Xi(self) -> list[list[Any]]:
        """Points told so far, as scikit-optimize names them."""
        return [each.x for each in self.told]

    @property
    def yi(self) -> list[float]:
        """Readings told so far; NaN where a trial failed."""
        return [each.y for each in self.told]

    # -- telling -----------------------------------------------------------------------------

    def tell(
        self, x: Any, y: Any, noise: Any = None, constraint: Any = None, fit: bool = True
    ) -> OptimizeResult:
        """Tell the result of a trial, or of several.

        Args:
            x: the point, a list of one value for each dimension; or a list of points.
            y: the reading, a number; None or NaN for a trial that failed; or a list of these.
            noise: standard deviation of the reading's error, in units of y; None where it is not
                known, and is estimated; or a list of these.
            constraint: reading of a constraint, which is met at 0 and below; or a tuple of several;
                or a list of these. Every trial that did not fail has equally many.
            fit: whether the answer holds a model; the model is fitted in any case when it is
                needed to ask.

        Returns:
            ``get_result()``.

        Raises:
            InputError: when the point is not in the space, or a number is missing or is none.
                Nothing is taken then.
        """
        several = is_2Dlistlike(x)
        points = [list(each) for each in x] if several else [list(x)]
        n = len(points)
        columns = [one_each(name, v, n, several) for name, v in
                   (("y", y), ("noise", noise), ("constraint", constraint))]  # fmt: skip
        new = [checked(self.space, *each) for each in zip(points, *columns, strict=True)]
        numbers = {len(each.constraint) for each in (*self.told, *new) if not each.failed}
        if len(numbers) > 1:
            raise InputError(
                f"trials have {' and '.join(map(str, sorted(numbers)))} constraints.",
                hint="Tell equally many with every trial that did not fail.",
            )
        for each in new:
            self.told.append(each)
            if each.x in self.pending:
                self.pending.remove(each.x)
        return self.get_result(fit)

    # -- asking ------------------------------------------------------------------------------

    def ask(self, n_points: int | None = None) -> list[Any]:
        """The next point to try, or several.

        What is asked for is pending until it is told, and further points take account of it: asking
        twice gives two points, unlike in scikit-optimize.

        Args:
            n_points: how many points to ask for; None for one.

        Returns:
            A point, a list of one value for each dimension; or a list of ``n_points`` points.

        Raises:
            InputError: when ``n_points`` is below 1.
            LimitError: when every point of a space without continuous dimensions is pending.
        """
        count = 1 if n_points is None else n_points
        if count < 1:
            raise InputError(f"n_points must be at least 1; {n_points} was given.")
        with threadpool_limits(1):
            points = self._spread(count)
            if len(points) < count:
                points += self._gainful(count - len(points), points)
        self.pending += points
        return points[0] if n_points is None else points

    def _spread(self, count: int) -> list[list[Any]]:
        """Points that spread over the space, as many as are due before the model chooses."""
        good = sum(not each.failed for each in self.told)
        begun = len(self.told) + len(self.pending)
        due = count if good < FEWEST_READINGS else min(count, self.n_initial_points - begun)
        if due <= 0:
            return []
        index = self._lattice.spread(begun + due, np.random.default_rng(self._seed))
        return [self._lattice.point(row) for row in index[begun:]]

    def _gainful(self, count: int, also: list[list[Any]]) -> list[list[Any]]:
        """Points of the highest gain, picked one after another."""
        learned, lattice = self._model(), self._lattice
        under_way = [*self.pending, *also]
        tried, pending = self._inputs(self.Xi), self._inputs(under_way)
        good = tried[[not each.failed for each in self.told]]
        order = _promising(learned, good)
        gain = Gain(
            learned.objective.regressor.process_,
            [c.process_ for c in learned.constraints],
            np.unique(np.vstack([good[order[:MOST_INCUMBENTS]], pending]), axis=0),
            count,
            self._seed,
        )

        def score(index: Indices) -> Floats:
            inputs = lattice.inputs(index)
            value = gain.log_gain(inputs)
            if learned.works is None:
                return value
            chance = learned.works.chance_even(inputs)
            # As on a deck, likely failures rank below all other trials.
            return np.where(chance >= LEAST_EVEN, value, FAILING) + np.log(chance)

        rng = np.random.default_rng((self._seed, len(self.told), len(under_way)))
        near = lattice.nearest(good[order[:STARTS]])
        busy, known = lattice.nearest(pending), lattice.nearest(tried)
        picks: list[list[Any]] = []
        for _ in range(count):
            best = lattice.best(score, near, np.vstack([known, busy]), rng)
            if best is None:  # every point was tried: repeating one is better than none
                best = lattice.best(score, near, busy, rng)
            if best is None:
                raise LimitError(
                    "every point of the space is pending.",
                    code="nothing-new",
                    hint="Tell results first, or remove points from 'pending'.",
                )
            picks.append(lattice.point(best))
            busy = np.vstack([busy, best])
            gain.extend(lattice.inputs(best[None, :]))
        return picks

    def _inputs(self, points: list[list[Any]]) -> Floats:
        """Coordinates of points from 0 to 1, shape (n, columns)."""
        columns = self.space.transformed_n_dims
        if not points:
            return np.empty((0, columns))
        return np.asarray(self.space.transform(points), dtype=float).reshape(-1, columns)

    # -- learning ----------------------------------------------------------------------------

    def _model(self) -> Learned:
        """What the trials told so far teach, fitted once for each number of them."""
        if self._learned is None or self._learned[0] != len(self.told):
            self._learned = len(self.told), self._fitted()
        return self._learned[1]

    def _fitted(self) -> Learned:
        X = self._inputs(self.Xi)
        worked = np.array([not each.failed for each in self.told])
        good = [each for each in self.told if not each.failed]
        noise = [each.noise for each in good]
        bounds = np.tile([0.0, 1.0], (X.shape[1], 1))
        # A trend would promise the most at the corners, where least is known.
        plain = SurrogateRegressor(trend="constant", bounds=bounds, random_state=self._seed)
        y = np.array([each.y for each in good])
        regressor = clone(plain).set_params(noise="estimated" if None in noise else "known")
        variance = np.array([(each or 0.0) ** 2 for each in noise])
        objective = WarpedRegressor(regressor, Warp.fitted(y)).fit(X[worked], y, variance)
        constraints = [
            clone(plain).fit(X[worked], column)
            for column in np.array([each.constraint for each in good]).T
        ]
        works = None if worked.all() else deck_state_of(None).fit(X, worked)
        return Learned(objective, tuple(constraints), works)

    # -- answering ---------------------------------------------------------------------------

    def get_result(self, fit: bool = True) -> OptimizeResult:
        """The trials told so far, as scikit-optimize's plots take them.

        Args:
            fit: whether to put the model of the function into ``models``, as soon as there are
                enough trials.

        Returns:
            ``x`` and ``fun``, the best trial that meets all constraints by its readings (or, where
            none does, the one that comes nearest to it, and infinity) and, where there is a model,
            is likely to meet them in truth, with its reading; ``x_iters``; ``func_vals``, infinite
            for trials that failed or do not meet a constraint; ``space``; ``models``, none or one,
            in the coordinates of ``space.transform``. Beyond scikit-optimize: ``readings``,
            ``noise`` and ``constraints`` as they were told.

        Raises:
            InputError: when nothing was told yet.
        """
        if not self.told:
            raise InputError("nothing was told yet.", hint="Call tell first.")
        enough = sum(not each.failed for each in self.told) >= FEWEST_READINGS
        models = []
        if fit and enough and len(self.told) >= self.n_initial_points:
            with threadpool_limits(1):
                models = [self._model().objective]
        values = [each.y if each.counts else np.inf for each in self.told]
        result = create_result(self.Xi, values, self.space, self.rng, models=models)
        best = self._best(bool(models))
        result.x, result.fun = best.x, best.y if best.counts else np.inf
        # Which trials spread, and by which gain the others were chosen, as the plots read it.
        result.specs = {
            "args": {
                "dimensions": self.space,
                "n_random_starts": self.n_initial_points,
                "acq_func": "EI",
                "acq_func_kwargs": {},
            },
            "function": "Optimizer",
        }
        result.readings = np.array(self.yi)
        result.noise = [each.noise for each in self.told]
        result.constraints = [each.constraint for each in self.told]
        return result

    def _best(self, fitted: bool) -> Told:
        """The trial that is named as the best: by readings or, where there are constraints and a
        model, by what it expects at the trials that meet the constraints by their readings. The
        lowest such reading is often that of a trial that truly breaks a constraint."""
        counting = [each for each in self.told if each.counts]
        if not fitted or not counting or not counting[0].constraint:
            return min(self.told, key=rank)
        learned, points = self._model(), self._inputs([each.x for each in counting])
        chance = np.ones(len(points))
        for model in learned.constraints:
            mean, sd = model.predict(points, return_std=True)
            chance *= ndtr(-mean / sd)
        short = np.maximum(SURE - chance, 0.0)
        return counting[int(np.lexsort((learned.objective.predict(points), short))[0])]


def _promising(learned: Learned, points: Floats) -> Indices:
    """Order of points, shape (n, columns), from the one that may be the best."""
    mean, sd = learned.objective.predict(points, return_std=True)
    met = np.ones(len(points), dtype=bool)
    for model in learned.constraints:
        at, off = model.predict(points, return_std=True)
        met &= at - 2.0 * off <= 0.0
    return np.lexsort((mean - sd, ~met))
