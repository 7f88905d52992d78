"""Correlated errors of a balance against another program and simulation, and on their way to runs.

Each check names its source.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import logit
from uncertainties import covariance_matrix, ufloat, umath

from optimizer import Brief, History, Site, load_logs
from optimizer.evidence.assembly import evidence_of
from optimizer.measurement.balancing import balance_tests
from optimizer.operations.balancing.balance import balance

NAN = float("nan")
STREAMS = ("feed", "product", "reject")
PAIRS = ([0, 0, 1], [1, 2, 2])
"""Grade and recovery, grade and feed, recovery and feed."""


def balanced(mass, assay, mass_se, assay_se):
    table = {"test_id": ["a"] * 3, "stream": STREAMS, "mass": mass, "assay": assay}
    (found,) = balance_tests({**table, "mass_se": mass_se, "assay_se": assay_se})
    return found


def errors_of(found):
    """Standard errors and correlations of grade, recovery and feed grade, shapes (3,) and (3,)."""
    return (
        np.array([found.grade_se, found.recovery_se, found.feed_grade_se]),
        np.array(
            [
                found.grade_recovery_correlation,
                found.grade_feed_correlation,
                found.recovery_feed_correlation,
            ]
        ),
    )


def expected_of(*values):
    """The same of quantities of the `uncertainties` package."""
    covariance = np.array(covariance_matrix(values))
    se = np.sqrt(np.diag(covariance))
    return se, (covariance / np.outer(se, se))[PAIRS]


# Where as many values are measured as the balance needs, nothing is reconciled, and grade, recovery
# and feed grade are formulas of the measurements. The package `uncertainties` propagates their
# errors, with the correlations, by its own derivatives.


def test_two_products_as_uncertainties():
    f, c, t = ufloat(0.90, 0.010), ufloat(0.98, 0.004), ufloat(0.50, 0.020)
    recovery = c * (f - t) / (f * (c - t))
    found = balanced([NAN] * 3, [0.90, 0.98, 0.50], [NAN] * 3, [0.010, 0.004, 0.020])
    assert found.method == "two-product"
    for ours, theirs in zip(errors_of(found), expected_of(c, recovery, f), strict=True):
        assert_allclose(ours, theirs, rtol=1e-6, atol=1e-9)
    # Grade and feed grade are measured apart; only the recovery shares errors with both.
    assert found.grade_feed_correlation == pytest.approx(0.0, abs=1e-9)
    assert found.grade_recovery_correlation < -0.1
    assert found.recovery_feed_correlation > 0.5


def test_weighed_outlets_as_uncertainties():
    p, r, c, t = ufloat(40, 0.4), ufloat(60, 0.6), ufloat(0.95, 0.01), ufloat(0.30, 0.02)
    found = balanced([NAN, 40, 60], [NAN, 0.95, 0.30], [NAN, 0.4, 0.6], [NAN, 0.01, 0.02])
    assert found.method == "weighed"
    feed = (p * c + r * t) / (p + r)
    recovery = p * c / (p * c + r * t)
    for ours, theirs in zip(errors_of(found), expected_of(c, recovery, feed), strict=True):
        assert_allclose(ours, theirs, rtol=1e-6, atol=1e-9)


MASS, ASSAY = np.array([100.0, 40.0, 60.0]), np.array([0.56, 0.95, 0.30])
MASS_SE, ASSAY_SE = np.array([1.0, 0.4, 0.6]), np.array([0.010, 0.005, 0.015])


def test_reconciled_streams_as_uncertainties():
    """With two measurements to spare: the adjusted values are x - V Aᵀ (A V Aᵀ)⁻¹ (balances), with
    the balances of mass and metal linearized at the solution. Source: S. Narasimhan and
    C. Jordache, Data Reconciliation and Gross Error Detection, Gulf 2000 (from memory); grade,
    recovery and feed grade are propagated by the package `uncertainties`."""
    found = balanced(MASS, ASSAY, MASS_SE, ASSAY_SE)
    assert found.method == "reconciled"
    x = [ufloat(v, s) for v, s in zip([*MASS, *ASSAY], [*MASS_SE, *ASSAY_SE], strict=True)]
    v = np.diag(np.square([*MASS_SE, *ASSAY_SE]))
    sign = np.array([1.0, -1.0, -1.0])
    slopes = np.array([[*sign, 0, 0, 0], [*(sign * ASSAY), *(sign * MASS)]])
    gain = v @ slopes.T @ np.linalg.inv(slopes @ v @ slopes.T)
    # The measurements close exactly, so that the solution is at the measured values.
    gaps = slopes @ (np.array(x) - np.array([*MASS, *ASSAY]))
    mass, assay = np.split(np.array(x) - gain @ gaps, 2)
    recovery = mass[1] * assay[1] / (mass[0] * assay[0])
    for ours, theirs in zip(
        errors_of(found), expected_of(assay[1], recovery, assay[0]), strict=True
    ):
        assert_allclose(ours, theirs, rtol=1e-6, atol=1e-9)


def test_correlations_agree_with_simulation():
    """2,000 repetitions of a true balance, seed 5, each balanced anew. A correlation rho that is
    estimated from n draws has a standard error of (1 - rho²) / √n (R. A. Fisher 1921, from memory).
    The tolerance is four of them, plus 0.01 for what the first order leaves out."""
    rng, n = np.random.default_rng(5), 2000
    mass = MASS + MASS_SE * rng.standard_normal((n, 3))
    assay = ASSAY + ASSAY_SE * rng.standard_normal((n, 3))
    repeated = balance_tests(
        {
            "test_id": np.repeat([f"t{k}" for k in range(n)], 3),
            "stream": STREAMS * n,
            "mass": mass.ravel(),
            "assay": assay.ravel(),
            "mass_se": np.tile(MASS_SE, n),
            "assay_se": np.tile(ASSAY_SE, n),
        }
    )
    drawn = np.corrcoef([[r.grade, r.recovery, r.feed_grade] for r in repeated], rowvar=False)
    _, expected = errors_of(balanced(MASS, ASSAY, MASS_SE, ASSAY_SE))
    assert np.abs(expected).max() > 0.2
    tolerance = 4 * (1 - expected**2) / np.sqrt(n) + 0.01
    assert np.all(np.abs(drawn[PAIRS] - expected) < tolerance)


HEAD = "test_id,stream,mass [kg],mass_se,assay [%],assay_se [%],line,feed_rate,end_raise,side_tilt,"
HEAD += "eccentric_speed,air\n"
TEST = (
    "{id},feed,,,93.1,0.5,deck-1,2.0,2.5,2.4,455,40\n"
    "{id},product,902,4,98.7,0.2,,,,,,\n"
    "{id},reject,104,2,41.5,1.5,,,,,,\n"
)


@pytest.mark.parametrize("unit", ["", "%"])
def test_a_file_of_streams_gives_the_evidence_the_errors_of_its_balance(tmp_path, unit):
    """From the file to the logits, whose covariance is that of the package `uncertainties` for the
    logits of the balanced values: the logit of a share with few errors per cent is linear enough
    that its variance as a counted share differs by less than 10 %."""
    streams = tmp_path / "streams.csv"
    streams.write_text(HEAD + TEST.format(id="T1") + TEST.format(id="T2"), encoding="utf-8")
    done = balance(streams, tmp_path / "balanced.csv")
    test = done.streams.results[0]
    material = {"unit": unit, "low": 50 if unit else 0.5, "high": 100 if unit else 1.0}
    site = Site.from_dict({"material": {"feed_grade": material}})
    history = History(tmp_path / "history")
    report = load_logs([done.log], history, site)
    assert (report.added, report.rejected) == (2, 0), report.rejects
    runs = history.at().runs(site)
    names = ("grade_recovery_correlation", "grade_feed_correlation", "recovery_feed_correlation")
    for name in ("grade_se", "recovery_se", *names):
        assert runs[name][0].as_py() == pytest.approx(getattr(test, name), abs=1e-9)
    scale = 100.0 if unit else 1.0
    for name in ("feed_grade", "feed_grade_se"):
        assert runs[name][0].as_py() == pytest.approx(scale * getattr(test, name), abs=1e-7)

    evidence = evidence_of(runs, site, Brief())
    read = evidence.readings
    assert evidence.feed_odds[0] == pytest.approx(logit(test.feed_grade), abs=1e-8)
    variance = read.grade_variance[0], read.recovery_variance[0], read.feed_variance[0]
    covariance = (
        read.grade_recovery_covariance[0],
        read.grade_feed_covariance[0],
        read.recovery_feed_covariance[0],
    )
    size = np.sqrt(np.outer(variance, variance)[PAIRS])
    assert_allclose(covariance / size, errors_of(test)[1], atol=1e-8)
    p, r, c, t = ufloat(902, 4), ufloat(104, 2), ufloat(0.987, 0.002), ufloat(0.415, 0.015)
    f = ufloat(0.931, 0.005)
    implied = (p * c + r * t) / (p + r)
    # One measurement is to spare: the feed assay. Both feed grades are weighted by their precision,
    # which is what least squares does to first order.
    gap = f - implied
    best = [
        value - covariance_matrix([value, gap])[0][1] / gap.s**2 * gap
        for value in (c, p * c / (p * c + r * t), implied)
    ]
    logits = [umath.log(value / (1 - value)) for value in best]
    theirs = np.array(covariance_matrix(logits))
    assert_allclose(variance, np.diag(theirs), rtol=0.1)
    assert_allclose(covariance, theirs[PAIRS], rtol=0.1, atol=0.02 * float(np.min(variance)))


def test_a_feed_grade_of_the_file_is_kept(tmp_path):
    """A column of the feed grade in the file is copied, with its own error, and the balance then
    says how grade and recovery are correlated and nothing about the feed."""
    streams = tmp_path / "streams.csv"
    rows = (HEAD + TEST.format(id="T1")).splitlines()
    rows = [f"{row},{cell}" for row, cell in zip(rows, ["Feed Grade %", "93", "", ""], strict=True)]
    streams.write_text("\n".join(rows) + "\n", encoding="utf-8")
    done = balance(streams, tmp_path / "balanced.csv")
    history = History(tmp_path / "history")
    assert load_logs([done.log], history).rejects == ()
    (run,) = history.at().runs().to_pylist()
    assert (run["feed_grade"], run["feed_grade_se"]) == (0.93, None)
    assert run["grade_feed_correlation"] is run["recovery_feed_correlation"] is None
    assert run["grade_recovery_correlation"] != 0
