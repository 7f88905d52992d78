"""Middlings of a balance against published tables, another program and simulation.

Each check names its source.
"""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat

from optimizer.measurement.balancing import balance_tests

NAN = float("nan")
STREAMS = ("feed", "product", "middlings", "reject")


def balanced(mass, assay, mass_se=(NAN,) * 4, assay_se=(NAN,) * 4, pure=1.0):
    table = {"test_id": ["a"] * 4, "stream": STREAMS, "mass": mass, "assay": assay}
    (found,) = balance_tests({**table, "mass_se": mass_se, "assay_se": assay_se}, pure=pure)
    return found


def test_a_density_class_between_product_and_reject():
    """A tin ore in heavy liquids: grams and % Sn by density class, with the printed cumulative
    shares of mass and tin of all lighter classes, 68.48 and 87.27 wt%, 3.78 and 9.70 % Sn.

    Source: a university examination on heavy-liquid tests, seen as a public copy; its data resemble
    those in B. A. Wills, Mineral Processing Technology, chapter on heavy-liquid tests (from
    memory). The product is heavier than 2.85, the middlings are from 2.75 to 2.85.
    """
    grams = [31.4, 184.4, 522.2, 393.4, 238.2, 218.4, 157.4, 51.0, 203.6]
    tin = [0.003, 0.04, 0.04, 0.04, 0.17, 0.34, 0.37, 1.30, 9.60]
    classes = np.array([grams, tin])
    parts = [classes[:, 7:], classes[:, 5:7], classes[:, :5]]
    mass = [part[0].sum() for part in parts]
    assay = [part.prod(axis=0).sum() / part[0].sum() for part in parts]
    found = balanced([NAN, *mass], [NAN, *assay], pure=78.6)
    assert 100 * found.middlings_share == pytest.approx(87.27 - 68.48, abs=0.01)
    assert 100 * found.recovery == pytest.approx(100.0 - 9.70, abs=0.01)
    tin_share = found.middlings_share * found.middlings_grade / found.feed_grade
    assert 100 * tin_share == pytest.approx(9.70 - 3.78, abs=0.01)
    assert found.feed_grade == pytest.approx(1.12, abs=0.005)


def test_the_weights_of_a_three_product_formula():
    """Lead and zinc from one feed (3.0 % Pb, 6.0 % Zn): a lead concentrate with 50 % Pb, a zinc
    concentrate with 2 % Pb and a tailing with 0.2 % Pb weigh 5.28401, 9.36459 and 85.3514 % of the
    feed; 88.0668 and 6.24306 % of the lead are in the first two.

    Source: a worked example of the three-product formula (standard, as in Wills and Finch, Mineral
    Processing Technology, 8th ed. 2016, chapter 3, from memory), seen on a public page.
    """
    weights, lead = [5.28401, 9.36459, 85.3514], [50.0, 2.0, 0.2]
    found = balanced([NAN, *weights], [NAN, *lead], pure=100.0)
    assert 100 * found.middlings_share == pytest.approx(9.36459, abs=1e-4)
    assert found.feed_grade == pytest.approx(3.0, abs=1e-4)
    assert 100 * found.recovery == pytest.approx(88.0668, abs=1e-3)
    of_lead = 100 * found.middlings_share * found.middlings_grade / found.feed_grade
    assert of_lead == pytest.approx(6.24306, abs=1e-3)


def test_three_weighed_outlets_as_uncertainties():
    """With as many measurements as the balance needs, share and grade are formulas of them, whose
    errors the package `uncertainties` propagates by its own derivatives."""
    mass, mass_se = [400.0, 120.0, 480.0], [4.0, 2.0, 5.0]
    assay, assay_se = [0.98, 0.80, 0.35], [0.004, 0.02, 0.03]
    found = balanced([NAN, *mass], [NAN, *assay], [NAN, *mass_se], [NAN, *assay_se])
    p, m, r = (ufloat(*each) for each in zip(mass, mass_se, strict=True))
    share = m / (p + m + r)
    assert found.dof == 0
    assert found.middlings_share == pytest.approx(share.n, rel=1e-9)
    assert found.middlings_share_se == pytest.approx(share.s, rel=1e-6)
    assert (found.middlings_grade, found.middlings_grade_se) == pytest.approx((0.80, 0.02))


def test_reconciled_middlings_vary_as_their_errors_say():
    """Monte Carlo, 200 draws, seed 0: the standard deviation of a share or grade that is reconciled
    from drawn measurements is the standard error of the balance. A standard deviation of 200 draws
    is known to 5 %; four times that is allowed."""
    mass = np.array([1000.0, 400.0, 120.0, 480.0])
    assay = np.array([0.656, 0.98, 0.80, 0.35])
    assay[0] = (mass[1:] @ assay[1:]) / mass[0]
    mass_se, assay_se = np.array([10.0, 6.0, 4.0, 8.0]), np.array([0.01, 0.004, 0.02, 0.02])
    rng = np.random.default_rng(0)
    ids = [f"{k:03d}" for k in range(200) for _ in STREAMS]
    drawn = {
        "test_id": ids,
        "stream": STREAMS * 200,
        "mass": (mass + mass_se * rng.standard_normal((200, 4))).ravel(),
        "assay": (assay + assay_se * rng.standard_normal((200, 4))).ravel(),
        "mass_se": np.tile(mass_se, 200),
        "assay_se": np.tile(assay_se, 200),
    }
    results = balance_tests(drawn)
    truth = balanced(mass, assay, mass_se, assay_se)
    assert truth.dof == 2
    for name in ("middlings_share", "middlings_grade"):
        values = np.array([getattr(result, name) for result in results])
        se = getattr(truth, f"{name}_se")
        assert values.std() == pytest.approx(se, rel=0.1)  # of 200: two standard errors
        assert values.mean() == pytest.approx(getattr(truth, name), abs=4 * se / 14)
    # Weights alone would leave more of the error: the redundant balances take part of it away.
    alone = ufloat(120, 4) / ufloat(1000, 10)
    assert truth.middlings_share_se < 0.97 * alone.s
