"""Grade, recovery and yield of each test from a table of weighed and assayed streams.

In comes a table with one row for each stream; out comes one `BalanceResult` for each test. If the
rows of a test determine it exactly, it is solved by weights or by the two-product formula. With
more measurements than needed, the test is reconciled. With too few, its result names the values
that are not determined.

Middlings are an outlet like any other, and a product of their own: the result has their share of
the feed and their grade. If they go back to the feed, they are named in ``returned``, and the
result is that of the FRESH feed, in steady state. Where the feed row was sampled before they join
it, they drop out of the balance (feed = product + reject). Where it was sampled after they join it,
the deck is balanced with them as an outlet, and the result is referred to the fresh feed
(`fresh_feed`).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.special import ndtri

from optimizer.errors import InputError
from optimizer.measurement.balancing.fresh_feed import (
    FEED_GRADE,
    GRADE,
    RECOVERY,
    YIELD,
    of_fresh_feed,
    split_of,
)
from optimizer.measurement.balancing.result import OF_MIDDLINGS, AdjustedStream, BalanceResult
from optimizer.measurement.balancing.stream_table import (
    MIDDLINGS,
    StreamTable,
    StreamTest,
    read_tests,
)
from optimizer.measurement.balancing.streams import (
    ASSUMED_RELATIVE_ERROR,
    FEWEST_STREAMS,
    StreamBalance,
    reconcile_streams,
)
from optimizer.measurement.formula import two_product, weighed_recovery
from optimizer.measurement.reconcile import SIGNIFICANCE
from optimizer.measurement.separation import separation_efficiency

# Number of redundant balances, over all tests, from which the errors are estimated; with five, the
# relative error of the estimate is about a third (1 / √(2 x 5)).
ENOUGH_BALANCES = 5
# Misfit, in squared standard errors, that cannot be rounding when no measurement is redundant.
IMPOSSIBLE_MISFIT = 1e-6
# Relative gap between the measured feed assay and the one computed from the outlets; a larger gap
# gives a warning when no error was stated.
CLOSURE_GAP = 1e-3


def balance_tests(
    table: StreamTable,
    *,
    returned: Collection[str] = (),
    sampled_after_return: bool = False,
    mass_relative_se: float | None = None,
    assay_relative_se: float | None = None,
    pure: float = 1.0,
    significance: float = SIGNIFICANCE,
) -> list[BalanceResult]:
    """Grade, recovery and yield of every test in a table of streams.

    Args:
        table: columns by name (a data frame or a dictionary of sequences), with one row for each
            stream. Needed are ``test_id``, ``stream`` (``product``, ``feed``, further outlets by
            any name) and ``assay`` (share of wanted material, in the unit of ``pure``); optional
            are ``mass`` or ``mass_rate``, ``mass_se``, ``assay_se`` and ``count`` (particles
            counted for the assay, which give its standard error when none is stated). A test must
            list all its outlets; only a test with just a product implies a reject.
        returned: names of the streams that go back to the feed, see the module's docstring.
        sampled_after_return: whether the feed was sampled after these streams had joined it.
        mass_relative_se, assay_relative_se: relative standard errors of weights and of assays that
            state none. If a test states no error at all, its measurements are weighted by equal
            relative errors. It then gets standard errors only if all such tests together have at
            least `ENOUGH_BALANCES` redundant balances, from which the relative error is estimated.
        pure: assay of pure wanted material, 1 for fractions.
        significance: level of the test of closure and of the measurement test.

    Returns:
        One result for each test, in the order of the table. A test whose rows are faulty or
        contradict each other is ``impossible`` and has the reason as a warning; other tests are not
        affected.

    Raises:
        InputError: a column is missing or contains text where numbers are needed.

    >>> streams = ["feed", "product", "reject"]
    >>> table = {"test_id": ["a"] * 3, "stream": streams, "assay": [0.90, 0.99, 0.40]}
    >>> (found,) = balance_tests(table)
    >>> found.method, round(found.recovery, 4), found.recovery_se
    ('two-product', 0.9322, nan)
    """
    tests = [
        test.with_relative_errors(mass_relative_se, assay_relative_se)
        for test in read_tests(table, returned, sampled_after_return)
    ]
    solved = [_solve(test, pure, significance) for test in tests]
    error = _pooled_error(tests, solved)
    for i, test in enumerate(tests):
        if error and test.states_no_error and not test.fault:
            note = f"no error stated: {error:.2%} of each value is assumed, estimated from all gaps"
            tests[i] = replace(test.with_relative_errors(error, error), notes=(*test.notes, note))
            solved[i] = _solve(tests[i], pure, significance)
    return [
        _result(test, found, pure, significance) for test, found in zip(tests, solved, strict=True)
    ]


def _solve(test: StreamTest, pure: float, significance: float) -> StreamBalance | str:
    """The balanced streams of a test, or the reason why there are none."""
    reason = test.fault or _contradiction(test)
    if reason:
        return reason
    try:
        found = reconcile_streams(
            test.mass,
            test.assay,
            test.mass_se,
            test.assay_se,
            names=test.names,
            pure=pure,
            significance=significance,
        )
    except InputError as error:
        return str(error)
    if found.closure.dof == 0 and found.closure.chi2 > IMPOSSIBLE_MISFIT:
        return "a stream would need an assay below zero or above that of pure material"
    return found


def _contradiction(test: StreamTest) -> str:
    """Why measurements that exactly determine a test cannot all be true; empty if they can."""
    if np.isnan(test.mass).all() and len(test.names) == FEWEST_STREAMS:
        return str(two_product(*test.assay, errors="mask").reason)
    if np.isnan(test.mass[2:]).all() and np.isnan(test.assay[2:]).all():
        (feed_mass, mass), (feed, product) = test.mass[:2], test.assay[:2]
        return str(weighed_recovery(feed_mass, feed, mass, product, errors="mask").reason)
    return ""


def _pooled_error(tests: list[StreamTest], solved: list[StreamBalance | str]) -> float | None:
    """Relative error of all measurements, estimated from the gaps of tests that state no error.

    Tests with a value at a bound are left out, since their misfit comes from a mistake. None when
    there are too few redundant balances.
    """
    closures = [
        found.closure
        for test, found in zip(tests, solved, strict=True)
        if test.states_no_error and isinstance(found, StreamBalance) and not found.at_bound
    ]
    balances = sum(closure.dof for closure in closures)
    if balances < ENOUGH_BALANCES:
        return None
    return ASSUMED_RELATIVE_ERROR * math.sqrt(sum(c.chi2 for c in closures) / balances)


def _result(
    test: StreamTest, found: StreamBalance | str, pure: float, significance: float
) -> BalanceResult:
    missing = _missing_mass(test)
    if isinstance(found, str):
        notes = (*test.notes, found)
        return BalanceResult(test.test_id, "impossible", warnings=_sentences(notes), **missing)
    closure, method = found.closure, _method(test, found)
    back = [test.names.index(name) for name in test.returned]
    split = of_fresh_feed(found, back) if back else split_of(found)
    (feed_grade, grade, recovery, yield_), se = split.values.tolist(), split.se.tolist()
    result = BalanceResult(
        test_id=test.test_id,
        method=method,
        grade=grade,
        grade_se=se[GRADE],
        grade_count=test.grade_count,
        recovery=recovery,
        recovery_se=se[RECOVERY],
        yield_=yield_,
        yield_se=se[YIELD],
        feed_grade=feed_grade,
        feed_grade_se=se[FEED_GRADE],
        # A count for the feed of the deck is none for the fresh feed.
        feed_grade_count=math.nan if back else test.feed_grade_count,
        grade_recovery_correlation=float(split.correlation[GRADE, RECOVERY]),
        grade_feed_correlation=float(split.correlation[GRADE, FEED_GRADE]),
        recovery_feed_correlation=float(split.correlation[RECOVERY, FEED_GRADE]),
        enrichment=grade / feed_grade if feed_grade else math.nan,
        separation_efficiency=float(separation_efficiency(recovery, grade, feed_grade, pure)),
        chi2=math.nan if math.isnan(closure.p_value) else closure.chi2,
        dof=closure.dof,
        p_value=closure.p_value,
        suspect=" or ".join(found.suspects) or None,
        adjusted=_adjusted(test, found),
        **missing,
    )
    notes = (*test.notes, *_warnings(test, found, result, significance))
    return replace(result, warnings=_sentences(notes), **_of_middlings(test, found))


def _missing_mass(test: StreamTest) -> dict[str, Any]:
    """Mass that was fed and did not leave, and its share; NaN where not all was weighed."""
    if not len(test.mass):
        return {}
    fed = float(test.mass[0])
    missing = fed - float(test.mass[1:].sum())
    return {"missing_mass": missing, "missing_share": missing / fed if fed else math.nan}


def _of_middlings(test: StreamTest, found: StreamBalance) -> dict[str, Any]:
    """Share and grade of the middlings with their errors, by name; empty without such a stream."""
    if MIDDLINGS not in test.names or MIDDLINGS in test.returned:
        return {}
    k = test.names.index(MIDDLINGS)
    values = found.yield_[k], found.yield_se[k], found.assay[k, 0], found.assay_se[k, 0]
    return dict(zip(OF_MIDDLINGS, map(float, values), strict=True))


def _sentences(phrases: Iterable[str]) -> tuple[str, ...]:
    """Turns phrases into sentences: capitalizes the first letter and adds a full stop."""
    return tuple(phrase[0].upper() + phrase[1:].rstrip(".") + "." for phrase in phrases)


def _method(test: StreamTest, found: StreamBalance) -> str:
    """How the result was obtained, a value of `BalanceResult.method`."""
    if np.isnan(found.recovery[1, 0]):
        return "undetermined"
    if found.closure.dof:
        return "reconciled"
    weighed, both = np.isfinite(test.mass), np.isfinite(test.mass) & np.isfinite(test.assay)
    if not weighed.any():
        return "two-product"
    return "weighed" if both[:2].all() or both[1:].all() else "solved"


def _adjusted(test: StreamTest, found: StreamBalance) -> tuple[AdjustedStream, ...]:
    columns = (
        found.mass,
        found.mass_se,
        found.assay[:, 0],
        found.assay_se[:, 0],
        test.mass,
        test.assay,
    )
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return tuple(AdjustedStream(name, *row) for name, row in zip(test.names, rows, strict=True))


def _warnings(
    test: StreamTest, found: StreamBalance, result: BalanceResult, significance: float
) -> list[str]:
    """Warnings about the figures of a test."""
    warnings = [
        *_on_errors(test),
        *_on_closure(test, result, significance),
        *_on_missing_mass(test, result, significance),
    ]
    if result.method == "two-product":
        split = two_product(*test.assay, errors="mask")
        if split.ill_conditioned:
            worst = max(float(split.yield_amplification), float(split.recovery_amplification))
            warnings.append(
                "the assays lie close together: an error of 1 % in each is an error of "
                f"{worst:.0f} % in yield or recovery"
            )
    if result.grade < result.feed_grade:
        warnings.append(
            "the product is poorer than the feed: product and reject may be swapped, or the assay"
            " may be that of the unwanted material"
        )
    warnings.extend(f"{name} stopped at its limit" for name in found.at_bound)
    scale_free = np.isnan(test.mass).all()
    unknown = [name for name in found.undetermined if not (scale_free and name.startswith("mass"))]
    if unknown:
        warnings.append(f"the measurements do not determine: {', '.join(unknown)}")
    return warnings


def _on_errors(test: StreamTest) -> list[str]:
    """Warnings about measurements that state no error."""
    if test.states_no_error:
        return [
            "no error stated: adjustments are weighted by equal relative errors, and no standard"
            " error can be given"
        ]
    parts = (("mass", test.mass, test.mass_se), ("assay", test.assay, test.assay_se))
    warnings = []
    for kind, values, errors in parts:
        bare = np.isfinite(values) & np.isnan(errors)
        names = ", ".join(name for name, without in zip(test.names, bare, strict=True) if without)
        if names:
            warnings.append(
                f"no error stated for the {kind} of {names}: standard errors that need it are left"
                " out; state the error, or one relative error for all"
            )
    return warnings


def _on_closure(test: StreamTest, result: BalanceResult, significance: float) -> list[str]:
    """Warnings about balances that do not close."""
    if result.p_value < significance:
        text = (
            f"the balances do not close within the errors (chi2 {result.chi2:.1f} on"
            f" {result.dof}, p {result.p_value:.2g})"
        )
        return [f"{text}; most likely wrong: {result.suspect}" if result.suspect else text]
    fed = test.mass[1:].sum() * test.assay[0]
    gap = float(test.mass[1:] @ test.assay[1:] / fed) - 1.0 if fed else math.nan
    if test.states_no_error and abs(gap) > CLOSURE_GAP:
        return [f"the outlets add up to a feed assay that differs by {gap:+.2%} from the measured"]
    return []


def _on_missing_mass(test: StreamTest, result: BalanceResult, significance: float) -> list[str]:
    """A warning about mass that is missing by more than the errors of the weights can explain.

    Where a weight states no error, a gap that is larger than `CLOSURE_GAP` is said.
    """
    missing, fed = result.missing_mass, test.mass[0]
    by_errors = float(ndtri(1.0 - significance / 2.0) * np.sqrt(np.square(test.mass_se).sum()))
    if math.isnan(missing) or abs(missing) <= (
        CLOSURE_GAP * fed if math.isnan(by_errors) else by_errors
    ):
        return []
    weighed = f"the feed weighs {fed:g} and all outlets together {fed - missing:g}"
    if missing < 0:
        return [f"{weighed}: more leaves than was fed; weigh them over the same minutes"]
    return [
        f"{weighed}: mass is missing; look for an outlet that was not weighed, dust and spillage"
    ]
