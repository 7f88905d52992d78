"""Reconciles the masses and assays of a feed and of the streams into which it splits.

The masses and assays of the outlets are the unknowns; the feed is their sum. Every balance then
closes by construction, and a missing measurement is one residual fewer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import lsq_linear, nnls

from optimizer.errors import InputError
from optimizer.measurement.fit_statistics import NUMERICAL_ZERO, Closure, Fit
from optimizer.measurement.propagation import AnyArray, BoolArray, FloatArray, jacobian
from optimizer.measurement.reconcile import SIGNIFICANCE

# A feed and two outlets.
FEWEST_STREAMS = 3
QUANTITIES = ("mass", "assay", "yield", "recovery")
# Relative error assumed for a measurement whose error is unknown. It sets weights only: no standard
# error or p-value that depends on it is reported.
ASSUMED_RELATIVE_ERROR = 0.01
# Step, in standard errors of the measurements, below which the search has converged. It is far
# below the digits of any figure, and is reached since the last steps converge quadratically.
CONVERGED = 1e-9
# Steps and halvings of a step allowed. Balances of two to five streams with a third of the
# measurements missing took 3 steps in the median and 28 at most.
MOST_STEPS = 200
MOST_HALVINGS = 30
# Smallest reading, as a share of the largest of its kind. A reading of zero still has an error, and
# a first guess of zero would start the search at a bound, where the slopes of assays vanish.
SMALLEST_SHARE = 1e-3
# Largest mass searched, as a multiple of the largest weighed one: with contradictory assays the
# best mass is infinite.
MOST_MASS = 1e6
# A value nearer than this to a bound, relative to the largest of its kind, counts as at the bound.
AT_BOUND = 1e-9


@dataclass(frozen=True)
class StreamBalance:
    """Balanced values of s streams, the feed first, with k assayed components.

    A value that the measurements do not determine is NaN and is named in ``undetermined``. A
    standard error that depends on a measurement of unknown error is NaN.

    Attributes:
        names: names of the streams, s texts.
        mass, mass_se: masses and their standard errors, shape (s,).
        assay, assay_se: assays and their standard errors, shape (s, k).
        yield_, yield_se: mass of each stream over that of the feed, shape (s,).
        recovery, recovery_se: component in each stream over that in the feed, shape (s, k).
        closure: tests of the balances; the measurements are in the order of ``labels``. There is no
            p-value and no suspect when an error is unknown.
        correlation: correlations of the errors of q = 2 (s + s k) values, shape (q, q): masses,
            assays by stream, yields, recoveries by stream; NaN where an error is unknown or zero.
        labels: names of the measurements: masses, then assays by stream.
        undetermined: names of the values that the measurements do not determine.
        at_bound: names of masses and assays that were stopped at a bound: at zero, at the assay of
            pure material, or at the largest mass that is searched.
    """

    names: tuple[str, ...]
    mass: FloatArray
    mass_se: FloatArray
    assay: FloatArray
    assay_se: FloatArray
    yield_: FloatArray
    yield_se: FloatArray
    recovery: FloatArray
    recovery_se: FloatArray
    closure: Closure
    correlation: FloatArray
    labels: tuple[str, ...]
    undetermined: tuple[str, ...]
    at_bound: tuple[str, ...]

    @property
    def suspects(self) -> tuple[str, ...]:
        """Name of the measurement that is most likely wrong.

        There are several names when the balances cannot distinguish them, and none when no
        adjustment is significant.
        """
        return tuple(self.labels[i] for i in self.closure.suspects)


def reconcile_streams(
    mass: ArrayLike,
    assay: ArrayLike,
    mass_se: ArrayLike = np.nan,
    assay_se: ArrayLike = np.nan,
    *,
    names: Sequence[str] | None = None,
    pure: float = np.inf,
    significance: float = SIGNIFICANCE,
) -> StreamBalance:
    """Adjusts masses and assays so that they balance.

    The sum Σ ((adjusted - measured) / se)² is the least possible.
    The balances are M_feed = Σ M_i and M_feed a_feed,j = Σ M_i a_ij for each component j. They are
    solved by repeated linearization; the errors come from the linearized covariance at the
    solution.

    Args:
        mass: masses of the feed, then of the outlets, shape (s,); NaN where not weighed. Without
            any mass, the yields can still be determined by enough assays.
        assay: assays, shape (s,) or (s, k); NaN where not assayed.
        mass_se, assay_se: standard errors, of shapes that broadcast with these. If the error of a
            measurement is unknown (NaN), `ASSUMED_RELATIVE_ERROR` sets its weight.
        names: names of the s streams, for messages; numbers when None.
        pure: largest possible assay.
        significance: level of the measurement test.

    Raises:
        InputError: fewer than two outlets, shapes that disagree, a value outside its range, or a
            standard error of zero.

    Source: S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection, Gulf
    2000, chapter 4 on bilinear systems (from memory).

    >>> found = reconcile_streams(
    ...     [100.0, 40.0, 61.0], [0.60, 0.95, 0.37], [1.0, 0.5, 0.5], [0.01, 0.01, 0.01]
    ... )
    >>> round(float(found.recovery[1, 0]), 4), round(float(found.recovery_se[1, 0]), 4)
    (0.627, 0.0074)
    >>> found.closure.dof
    2
    """
    problem = _Problem.checked(mass, assay, mass_se, assay_se, names, pure)
    return _balance(problem, _snapped_to_bounds(problem, _search(problem)), significance)


@dataclass(frozen=True)
class _Problem:
    """The measurements of s streams (the feed first) and k components, and their residuals.

    The parameters θ are the masses and then the assays of the s - 1 outlets, stream by stream.
    Masses are divided by ``unit``, the largest mass, so that the search does not depend on the unit
    of the table.
    """

    names: tuple[str, ...]
    shape: tuple[int, int]
    measured: FloatArray
    se: FloatArray
    assumed: BoolArray
    used: NDArray[np.intp]
    pure: float
    unit: float

    @classmethod
    def checked(
        cls,
        mass: ArrayLike,
        assay: ArrayLike,
        mass_se: ArrayLike,
        assay_se: ArrayLike,
        names: Sequence[str] | None,
        pure: float,
    ) -> _Problem:
        m, a, m_se, a_se = _shaped(mass, assay, mass_se, assay_se)
        s = len(m)
        labels = tuple(names) if names is not None else tuple(f"stream {i}" for i in range(s))
        if s < FEWEST_STREAMS or len(labels) != s:
            raise InputError(
                f"a balance needs the feed and at least two outlets, named one by one; got {s}"
                f" streams and {len(labels)} names.",
                code="balance-shape",
                hint="Add the missing stream with NaN for what was not measured.",
            )
        measured, se = np.concatenate([m, a.ravel()]), np.concatenate([m_se, a_se.ravel()])
        _refuse_values(measured, se, _labels(labels, a.shape[1]), s, pure)
        unit = float(np.max(m, where=np.isfinite(m), initial=0.0)) or 1.0
        measured[:s], se[:s] = m / unit, m_se / unit
        assumed = np.isfinite(measured) & np.isnan(se)
        m_se, a_se = relative_errors(m / unit, a, ASSUMED_RELATIVE_ERROR, ASSUMED_RELATIVE_ERROR)
        se = np.where(assumed, np.concatenate([m_se, a_se.ravel()]), se)
        used = np.flatnonzero(np.isfinite(measured))
        return cls(labels, (s, a.shape[1]), measured, se, assumed[used], used, pure, unit)

    def residual(self, theta: AnyArray) -> AnyArray:
        """(fitted - measured) / se of the measurements used: (..., p) to (..., m)."""
        s, k = self.shape
        fitted = self.quantities(theta)[..., : s + s * k]
        result: AnyArray = ((fitted - self.measured) / self.se)[..., self.used]
        return result

    def slopes(self, theta: FloatArray) -> FloatArray:
        return jacobian(self.residual, theta)

    def quantities(self, theta: AnyArray) -> AnyArray:
        """Masses, assays, yields, recoveries of all streams: (..., 2 (s + s k))."""
        s, k = self.shape
        lead = theta.shape[:-1]
        mass = theta[..., : s - 1]
        metal = mass[..., None] * theta[..., s - 1 :].reshape(*lead, s - 1, k)
        feed = mass.sum(axis=-1, keepdims=True)
        feed_metal = metal.sum(axis=-2)
        with np.errstate(all="ignore"):
            head = feed_metal / feed
            yields = mass / feed
            recovery = (metal / feed_metal[..., None, :]).reshape(*lead, -1)
        one = np.ones_like(head)
        assays = theta[..., s - 1 :]
        parts = [feed, mass, head, assays, np.ones_like(feed), yields, one, recovery]
        return np.concatenate(parts, axis=-1)

    def bounds(self) -> tuple[FloatArray, FloatArray]:
        s, k = self.shape
        upper = np.concatenate([np.full(s - 1, MOST_MASS), np.full((s - 1) * k, self.pure)])
        return np.zeros(len(upper)), upper

    def start(self) -> FloatArray:
        """A start inside the bounds: measured values, and estimates for what was not measured."""
        s, k = self.shape
        mass, assay = self.measured[:s].copy(), self.measured[s:].reshape(s, k)
        known = np.isfinite(assay)
        mean = np.where(known, assay, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
        assay = np.where(known, assay, mean)
        if np.isnan(mass).all():
            mass[0] = 1.0
        sign = np.where(np.arange(s) == 0, -1.0, 1.0)
        balances = sign * np.vstack([np.ones(s), (assay / np.where(mean > 0, mean, 1.0)).T])
        missing = np.isnan(mass)
        if missing.any():
            rest = balances[:, ~missing] @ mass[~missing]
            mass[missing] = nnls(balances[:, missing], -rest)[0]
        return np.concatenate([_at_least_smallest(mass)[1:], assay[1:].ravel()])


def _search(problem: _Problem) -> FloatArray:
    """The θ of least squares inside the bounds, by Gauss-Newton steps, halved until they descend.

    Each step solves the linearized problem with its bounds, so that an assay at zero can stay
    there. Directions on which no measurement depends keep their starting values.
    """
    lower, upper = problem.bounds()
    theta = problem.start()
    residual = problem.residual(theta)
    for _ in range(MOST_STEPS):
        slopes = problem.slopes(theta)
        size = np.linalg.norm(slopes, axis=0)
        size = np.where(size > 0, size, 1.0)
        room = ((lower - theta) * size, (upper - theta) * size)
        step = lsq_linear(slopes / size, -residual, room, method="bvls").x / size
        for _ in range(MOST_HALVINGS):
            trial = np.clip(theta + step, lower, upper)
            after = problem.residual(trial)
            if after @ after <= residual @ residual:
                break
            step = step / 2.0
        else:
            break
        theta, residual = trial, after
        if np.abs(step * size).max() < CONVERGED:
            break
    return theta


def _shaped(
    mass: ArrayLike, assay: ArrayLike, mass_se: ArrayLike, assay_se: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Masses, shape (s,), assays, shape (s, k), and their errors in the shapes of the values."""
    m, a, m_se, a_se = (np.asarray(x, dtype=float) for x in (mass, assay, mass_se, assay_se))
    a, a_se = (x[:, None] if x.ndim == 1 else x for x in (a, a_se))
    try:
        if a.shape[:1] != m.shape or a.ndim != 2:
            raise ValueError
        return m, a, np.broadcast_to(m_se, m.shape), np.broadcast_to(a_se, a.shape)
    except ValueError:
        raise InputError(
            f"masses {m.shape}, assays {a.shape} and their errors {m_se.shape}, {a_se.shape} do not"
            " belong together.",
            code="balance-shape",
            hint="Give (s,) masses, (s, k) assays, and errors of the same shapes or one number.",
        ) from None


def relative_errors(
    mass: FloatArray, assay: FloatArray, of_mass: float, of_assay: float
) -> tuple[FloatArray, FloatArray]:
    """Standard errors of masses and assays: the shares ``of_mass`` and ``of_assay`` of the values.

    Values far below the largest of their kind get the error of `SMALLEST_SHARE` of the largest.
    """
    return of_mass * _at_least_smallest(mass), of_assay * _at_least_smallest(assay)


def _at_least_smallest(readings: FloatArray) -> FloatArray:
    """Raises readings, shape (s,) or (s, k), to at least `SMALLEST_SHARE` of the largest."""
    largest = np.max(readings, axis=0, where=np.isfinite(readings), initial=0.0)
    return np.asarray(np.maximum(readings, SMALLEST_SHARE * np.where(largest > 0, largest, 1.0)))


def _labels(names: Sequence[str], k: int) -> tuple[str, ...]:
    """Names of the entries of `_Problem.quantities`."""
    component = [""] if k == 1 else [f" of component {j + 1}" for j in range(k)]
    return tuple(
        f"{kind}{part} of {name}"
        for kind, parts in zip(QUANTITIES, ([""], component) * 2, strict=True)
        for name in names
        for part in parts
    )


def _refuse_values(
    measured: FloatArray, se: FloatArray, labels: tuple[str, ...], s: int, pure: float
) -> None:
    limit = np.where(np.arange(len(measured)) < s, np.inf, pure)
    outside = (measured < 0) | (measured > limit) | np.isinf(measured)
    if outside.any():
        i = int(np.argmax(outside))
        raise InputError(
            f"{labels[i]} is {measured[i]:g}; it must lie between 0 and {limit[i]:g}.",
            code="measurement-range",
            hint="Assays are in the unit of the pure material: as shares of it, 97.2 % is 0.972.",
        )
    if (measured[:s] == 0).any() and not (measured[:s] > 0).any():
        raise InputError("every mass weighed is zero.", code="measurement-range")
    exact = np.isfinite(measured) & (se <= 0)
    if exact.any():
        i = int(np.argmax(exact))
        raise InputError(
            f"{labels[i]} has a standard error of {se[i]:g}; no measurement is exact.",
            code="measurement-error",
            hint="Leave the error empty when it is not known.",
        )


def _balance(problem: _Problem, theta: FloatArray, significance: float) -> StreamBalance:
    s, k = problem.shape
    fit = Fit(problem.slopes(theta), problem.residual(theta))
    gradient = jacobian(problem.quantities, theta)
    sensitivity, open_ = fit.sensitivity(gradient), np.where(fit.determined(gradient), 0.0, np.nan)
    values = problem.quantities(theta) + open_
    variance = np.square(sensitivity).sum(axis=1) + open_
    guessed = np.square(sensitivity[:, problem.assumed]).sum(axis=1) > NUMERICAL_ZERO * variance
    errors = np.where(guessed, np.nan, np.sqrt(variance))
    closure = fit.closure(significance)
    if problem.assumed.any():
        closure = replace(closure, p_value=float("nan"), suspects=())
    labels = _labels(problem.names, k)
    cut = np.cumsum([s, s * k, s])
    mass, assay, yield_, recovery = np.split(values, cut)
    mass_se, assay_se, yield_se, recovery_se = np.split(errors, cut)
    return StreamBalance(
        names=problem.names,
        mass=mass * problem.unit,
        mass_se=mass_se * problem.unit,
        assay=assay.reshape(s, k),
        assay_se=assay_se.reshape(s, k),
        yield_=yield_,
        yield_se=yield_se,
        recovery=recovery.reshape(s, k),
        recovery_se=recovery_se.reshape(s, k),
        closure=closure,
        correlation=_correlation(sensitivity, errors),
        labels=tuple(labels[i] for i in problem.used),
        undetermined=tuple(labels[i] for i in np.flatnonzero(np.isnan(values))),
        at_bound=tuple(labels[i] for i in _moved_to_bound(problem, theta)),
    )


def _correlation(sensitivity: FloatArray, errors: FloatArray) -> FloatArray:
    """Correlations of q values of the given errors and sensitivities, see `Fit.sensitivity`."""
    known = np.where(errors > 0, errors, np.nan)
    found = sensitivity @ sensitivity.T / known / known[:, None]
    return np.asarray(np.clip(found, -1.0, 1.0))


def _moved_to_bound(problem: _Problem, theta: FloatArray) -> list[int]:
    """Masses and assays that were moved to a bound, by their index among the labels."""
    s, k = problem.shape
    lower, upper = problem.bounds()
    # The feed is not among the parameters: masses start one later, assays k later still.
    index = np.arange(len(theta)) + np.where(np.arange(len(theta)) < s - 1, 1, 1 + k)
    moved = ((theta == lower) | (theta == upper)) & (problem.measured[index] != theta)
    return [int(i) for i in index[moved]]


def _snapped_to_bounds(problem: _Problem, theta: FloatArray) -> FloatArray:
    """Sets values of θ that are within rounding of a bound to the bound."""
    lower, upper = problem.bounds()
    mass, assay = np.split(theta, [problem.shape[0] - 1])
    largest = assay.reshape(len(mass), -1).max(axis=0)
    unit = np.concatenate([np.ones(len(mass)), np.tile(largest, len(mass))])
    theta = np.where(theta - lower < AT_BOUND * unit, lower, theta)
    return np.where(upper - theta < AT_BOUND * unit, upper, theta)
