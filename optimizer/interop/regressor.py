"""The model of one quantity as an estimator of scikit-learn.

``GaussianProcess`` itself trusts its arrays and takes coordinates between 0 and 1. This class
checks what it is given and scales it, so that every tool of scikit-learn works on it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils import check_random_state
from sklearn.utils.validation import check_is_fitted, validate_data
from threadpoolctl import threadpool_limits

from optimizer.evidence.fitting import MOST_POINTS
from optimizer.gaussian_process.estimation import Estimated
from optimizer.gaussian_process.hyperparameters import NormalPrior
from optimizer.gaussian_process.kernel import Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.noise import Noise
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.gaussian_process.solvers import InducingPoints
from optimizer.model.surrogate import MEMBERS

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

NO_NOISE = NormalPrior(-20.0, 0.1)
"""Prior of readings whose errors are all known: the estimated part is next to none, and is there
because rounding does not allow none."""
# For an output of variance 1. The variance is about 1, as Hvarfner, Hellsten & Nardi have it (ICML
# 2024, "Vanilla Bayesian optimization performs great in high dimensions"): by a vaguer prior twelve
# readings of a function that is flat in most places are all taken for noise. The noise may be next
# to none, as of a computed function, or most of the variance: it was chosen on functions that no
# report judges by (six-hump camel, Goldstein-Price, Rosenbrock, Hartmann-3).
VARIANCE, ESTIMATED_NOISE = NormalPrior(0.0, 0.5), NormalPrior(-10.0, 3.0)
NOISES = {"estimated": ESTIMATED_NOISE, "known": NO_NOISE}
TRENDS = ("constant", "linear", "quadratic")
LARGEST_SEED = 2**31 - 1


class SurrogateRegressor(RegressorMixin, BaseEstimator):
    """Gaussian-process regression of one quantity by the process that learns a deck.

    A trend with shrunk coefficients plus a smooth deviation with a Matern-5/2 covariance and one
    length scale for each feature. Repeated rows are collapsed exactly. With few rows, predictions
    are averaged over draws of the hyperparameters; with more than 400 distinct rows, inducing
    points represent them. What is special to decks is left out: coordinates of a bed, the second
    quantity, priors on the scale of logits.

    Args:
        trend: ``"constant"``, ``"linear"`` or ``"quadratic"``.
        noise: ``"estimated"``: each reading has one more error, whose variance is estimated;
            ``"known"``: readings have no error beyond ``known_variance``.
        bounds: lowest and highest value of each feature, shape (d, 2), in the features' units, on
            which the priors on length scales are based; None for the range of the rows.
        members: number of draws of the hyperparameters; 1 for their mode; None for 16 up to 40
            rows, 8 up to 100, 4 up to 300, and 1 beyond.
        random_state: seed of the search for the hyperparameters; equal seeds and rows give equal
            predictions, at any number of threads.

    Attributes:
        process_: the fitted process, in coordinates from 0 to 1.
        n_features_in_, feature_names_in_: as scikit-learn defines them.

    >>> X = np.linspace(0.0, 3.0, 8)[:, None]
    >>> model = SurrogateRegressor(noise="known").fit(X, np.sin(X[:, 0]))
    >>> mean, sd = model.predict([[1.5]], return_std=True)
    >>> bool(abs(mean[0] - np.sin(1.5)) < 0.02), bool(sd[0] < 0.1)
    (True, True)
    """

    def __init__(
        self,
        *,
        trend: str = "linear",
        noise: str = "estimated",
        bounds: ArrayLike | None = None,
        members: int | None = None,
        random_state: int | np.random.RandomState | None = 0,
    ) -> None:
        self.trend = trend
        self.noise = noise
        self.bounds = bounds
        self.members = members
        self.random_state = random_state

    def fit(
        self, X: ArrayLike, y: ArrayLike, known_variance: ArrayLike | None = None
    ) -> SurrogateRegressor:
        """Fit to n rows.

        Args:
            X: features, shape (n, d), without missing values.
            y: readings of the quantity, shape (n,), in any unit.
            known_variance: known variance of each reading, shape (n,), in squared units of y; one
                number for all; 0 when None.

        Raises:
            ValueError: when an array or a parameter is not as described.
        """
        rows: Floats
        rows, y = validate_data(self, X, y, dtype=np.float64, y_numeric=True, ensure_min_samples=2)
        y = np.asarray(y, dtype=np.float64)
        variance = _variance_of(known_variance, len(y))
        self._set_scale(rows)
        kind = _one_of("noise", self.noise, NOISES)
        distinct = len(np.unique(rows, axis=0))
        members = self.members or next((m for most, m in MEMBERS if distinct <= most), 1)
        process = GaussianProcess(
            kernel=Kernel(variance=VARIANCE),
            mean=Mean(_one_of("trend", self.trend, TRENDS)),
            noise=Noise(NOISES[kind]),
            solver=InducingPoints(MOST_POINTS),
            hyperparameters=Estimated(members),
            random_state=int(check_random_state(self.random_state).randint(LARGEST_SEED)),
        )
        # With several threads, sums in another order would round differently.
        with threadpool_limits(1):
            self.process_ = process.fit(self._unit(rows), y, known_variance=variance)
        return self

    def predict(self, X: ArrayLike, return_std: bool = False, return_cov: bool = False) -> Any:
        """Posterior of the true quantity, without the errors of readings.

        Args:
            X: features, shape (n, d).
            return_std: whether to return standard deviations too, shape (n,).
            return_cov: whether to return the covariance too, shape (n, n).

        Returns:
            mean, shape (n,); or (mean, standard deviation); or (mean, covariance), in units of y.

        Raises:
            NotFittedError: before ``fit``.
            ValueError: when X is not as described.
        """
        check_is_fitted(self)
        rows: Floats = validate_data(self, X, reset=False, dtype=np.float64)
        with threadpool_limits(1):
            return self.process_.predict(self._unit(rows), return_std, return_cov)

    def _set_scale(self, X: Floats) -> None:
        """Lowest value and width of each feature, shape (d,)."""
        ends = np.column_stack([X.min(axis=0), X.max(axis=0)])
        if self.bounds is not None:
            given = np.asarray(self.bounds, dtype=float)
            if given.shape != ends.shape or not np.all(given[:, 0] < given[:, 1]):
                raise ValueError(
                    f"bounds must hold a lower and a higher number for each of {len(ends)} "
                    f"features; shape {given.shape} was given, or a lower end is not below its "
                    "higher end."
                )
            ends = given
        self._low = ends[:, 0]
        # A feature that never changes has no width, and says nothing.
        self._width = np.where(ends[:, 1] > ends[:, 0], ends[:, 1] - ends[:, 0], 1.0)

    def _unit(self, X: Floats) -> Floats:
        return np.asarray((X - self._low) / self._width)


def _variance_of(known: ArrayLike | None, n: int) -> Floats:
    """Known variances of n readings, shape (n,).

    Raises:
        ValueError: when there are not 1 or n of them, or one is negative or not a number.
    """
    given = np.asarray(0.0 if known is None else known, dtype=float)
    if given.shape not in ((), (n,)) or not np.all((given >= 0.0) & np.isfinite(given)):
        raise ValueError(
            f"known_variance must be one number, or {n} numbers, none of them negative; "
            f"shape {given.shape} was given."
        )
    return np.broadcast_to(given, n)


def _one_of(name: str, value: str, known: Any) -> str:
    """The value of a parameter.

    Raises:
        ValueError: when it is not among the known ones.
    """
    if value not in known:
        raise ValueError(f"{name} must be one of {', '.join(known)}; {value!r} was given.")
    return value
