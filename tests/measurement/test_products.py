"""Product formulas, separation and partition curves: results, refusals, properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from optimizer.errors import InputError
from optimizer.measurement import (
    build_up,
    concentration_criterion,
    fit_partition,
    grade_recovery,
    implied_reject,
    n_product,
    partition_numbers,
    product_index,
    schulz_efficiency,
    separation_efficiency,
    sharpness_balance,
    two_product,
    water_band,
    weighed_recovery,
)

NAN = np.nan
FRACTIONS = st.floats(0.0, 1.0)
INNER = st.floats(0.02, 0.98)
thorough = settings(max_examples=150, deadline=None, derandomize=True)


class TestTwoProduct:
    def test_scalar_and_array_agree(self):
        one = two_product(0.9, 0.99, 0.4)
        many = two_product([0.9, 0.5], [0.99, 0.8], [0.4, 0.1])
        assert many.recovery.shape == (2,)
        assert float(one.recovery) == pytest.approx(float(many.recovery[0]), rel=1e-14)
        assert float(one.ratio) == pytest.approx(0.59 / 0.50)
        assert float(one.enrichment) == pytest.approx(1.1)

    @pytest.mark.parametrize(
        ("assays", "text"),
        [
            ((0.5, 0.4, 0.3), r"impossible measurement \(feed 0.5, product 0.4, reject 0.3\)"),
            ((0.2, 0.4, 0.3), "feed assay must lie between those of product and reject"),
            ((0.4, 0.4, 0.3), "feed assay must lie between"),
            ((0.4, 0.4, 0.4), "feed assay must lie between"),
            ((0.2, 0.4, -0.1), "an assay is negative"),
        ],
    )
    def test_refuses_impossible_assays(self, assays, text):
        with pytest.raises(InputError, match=text) as caught:
            two_product(*assays)
        assert caught.value.code == "impossible-measurement"

    def test_refusal_names_the_element(self):
        with pytest.raises(InputError, match=r"at element 1 \(feed 0.95,"):
            two_product([0.5, 0.95], 0.9, 0.1)

    def test_mask_blanks_only_impossible_cells(self):
        found = two_product([0.5, 0.95, NAN], 0.9, 0.1, errors="mask")
        assert_allclose(found.recovery, [0.9, NAN, NAN])
        assert list(found.reason != "") == [False, True, False]

    def test_poorer_product_is_possible_and_reported(self):
        assert not two_product(0.5, 0.1, 0.9).upgraded
        assert two_product(0.5, 0.9, 0.1).upgraded

    def test_unknown_error_of_one_assay_leaves_none(self):
        found = two_product(0.9, 0.99, 0.4, feed_se=0.01, product_se=0.01)
        assert np.isnan(found.recovery_se)
        assert np.isnan(found.yield_se)

    def test_shared_error_of_a_scale_cancels(self):
        # A common scale error of 1 % in all assays changes neither yield nor recovery.
        assays = np.array([0.9, 0.99, 0.4])
        covariance = 1e-4 * np.outer(assays, assays)
        found = two_product(*assays, covariance=covariance)
        assert float(found.recovery_se) < 1e-9
        independent = two_product(*assays, covariance=np.diag(np.diag(covariance)))
        assert float(independent.recovery_se) == pytest.approx(0.00984, abs=5e-6)

    def test_flags_assays_too_close(self):
        assert two_product(0.90, 0.91, 0.85).ill_conditioned
        assert not two_product(0.90, 0.99, 0.40).ill_conditioned

    @thorough
    @given(FRACTIONS, FRACTIONS, FRACTIONS)
    def test_recovery_is_a_fraction_or_reported_impossible(self, f, c, t):
        found = two_product(f, c, t, errors="mask")
        if str(found.reason):
            assert np.isnan(found.recovery)
        else:
            assert 0.0 <= found.yield_ <= 1.0
            assert -1e-12 <= found.recovery <= 1.0 + 1e-12
            closed = found.yield_ * c + (1.0 - found.yield_) * t
            assert float(closed) == pytest.approx(f, abs=1e-12)


class TestWeighed:
    def test_two_routes_agree(self):
        built = build_up([40.0, 60.0], [0.95, 0.30])
        by_feed = weighed_recovery(100.0, built.head, 40.0, 0.95)
        by_assay = two_product(built.head, 0.95, 0.30)
        assert_allclose([by_feed.recovery, by_assay.recovery], built.recovery[0], rtol=1e-12)
        assert_allclose([by_feed.yield_, by_assay.yield_], built.share[0], rtol=1e-12)

    @pytest.mark.parametrize(
        ("weighed", "text"),
        [
            ((100.0, 0.5, 120.0, 0.4), "the product outweighs the feed"),
            ((100.0, 0.3, 40.0, 0.95), "more wanted material than was fed"),
            ((0.0, 0.3, 0.0, 0.95), "nothing to recover"),
            ((100.0, -0.3, 40.0, 0.95), "a mass or an assay is negative"),
        ],
    )
    def test_refuses_impossible_weights(self, weighed, text):
        with pytest.raises(InputError, match=text):
            weighed_recovery(*weighed)
        assert np.isnan(weighed_recovery(*weighed, errors="mask").recovery)

    def test_weighing_alone_sets_the_yield(self):
        found = weighed_recovery(100.0, 0.5, 40.0, 0.9, se=(1.0, 0.0, 0.0, 0.0))
        assert float(found.yield_se) == pytest.approx(0.4 * 0.01)

    def test_build_up_refuses_negative(self):
        with pytest.raises(InputError, match="negative"):
            build_up([1.0, -1.0], [0.5, 0.5])

    @thorough
    @given(arrays(float, 4, elements=INNER), arrays(float, 4, elements=INNER))
    def test_shares_and_recoveries_add_to_one(self, mass, assay):
        built = build_up(mass, assay, mass_se=0.01, assay_se=0.01)
        assert_allclose([built.share.sum(), built.recovery.sum()], 1.0, rtol=1e-12)
        assert assay.min() - 1e-12 <= built.head <= assay.max() + 1e-12
        assert (built.recovery_se > 0).all()


class TestNProduct:
    def test_two_products_are_the_formula(self):
        general = n_product([0.9], [[0.99], [0.4]], feed_se=0.01, products_se=0.02)
        formula = two_product(0.9, 0.99, 0.4, feed_se=0.01, product_se=0.02, reject_se=0.02)
        assert float(general.yield_[0]) == pytest.approx(float(formula.yield_), rel=1e-12)
        assert float(general.yield_se[0]) == pytest.approx(float(formula.yield_se), rel=1e-12)
        assert float(general.recovery[0, 0]) == pytest.approx(float(formula.recovery), rel=1e-12)
        assert float(general.recovery_se[0, 0]) == pytest.approx(float(formula.recovery_se))

    @pytest.mark.parametrize(
        ("feed", "products", "text"),
        [
            ([3.0, 6.0], [[50.0, 8.0], [50.0, 8.0], [0.2, 0.5]], "too similar"),
            ([60.0, 6.0], [[50.0, 8.0], [2.0, 55.0], [0.2, 0.5]], "yield is outside 0 to 1"),
            ([0.0, 6.0], [[50.0, 8.0], [2.0, 55.0], [0.2, 0.5]], "too similar"),
            ([3.0], [[50.0], [2.0], [0.2]], "3 outlets need the assays of 2 components, got 1"),
        ],
    )
    def test_refuses(self, feed, products, text):
        with pytest.raises(InputError, match=text):
            n_product(feed, products)

    def test_one_bad_cell_does_not_affect_the_others(self):
        good, alike = [[50.0, 8.0], [2.0, 55.0], [0.2, 0.5]], [[50.0, 8.0]] * 3
        found = n_product([[3.0, 6.0]] * 3 + [[NAN, 6.0]], [good, alike, good, good], errors="mask")
        assert_allclose(found.yield_[[0, 2]].sum(axis=1), 1.0)
        assert np.isnan(found.yield_[[1, 3]]).all()
        assert [bool(text) for text in found.reason] == [False, True, False, False]

    @thorough
    @given(arrays(float, 4, elements=st.floats(0.05, 1.0)), st.integers(0, 2**32 - 1))
    def test_recovers_the_yields_that_made_the_feed(self, share, seed):
        yields = share / share.sum()
        products = np.random.default_rng(seed).uniform(0.01, 1.0, (4, 3))
        found = n_product(yields @ products, products, errors="mask")
        if found.condition < 1e4:
            assert_allclose(found.yield_, yields, atol=1e-8)


class TestSeparation:
    @thorough
    @given(INNER, INNER, INNER)
    def test_definition_equals_schulz(self, grade, recovery, feed):
        yield_, _ = implied_reject(grade, recovery, feed)
        by_definition = separation_efficiency(recovery, grade, feed)
        assert_allclose(by_definition, schulz_efficiency(yield_, grade, feed), atol=1e-9)

    def test_perfect_and_void_separation(self):
        assert float(separation_efficiency(1.0, 1.0, 0.9)) == pytest.approx(1.0)
        # A splitter sends the same share of every material to the product: efficiency 0.
        assert float(separation_efficiency(0.4, 0.9, 0.9)) == pytest.approx(0.0, abs=1e-12)
        assert float(product_index(0.4, 0.9, 0.9)) == pytest.approx(0.4 * 0.6)

    @thorough
    @given(INNER, st.floats(-8, 8), st.floats(-8, 8))
    def test_round_trip(self, feed, sharpness, balance):
        grade, recovery = grade_recovery(sharpness, balance, feed)
        found = partition_numbers(grade, recovery, feed, errors="mask")
        # A grade that rounds to 1 has lost its unwanted share, so the conversion is not invertible.
        if 1.0 - grade > 1e-9 and 1e-9 < recovery < 1.0 - 1e-9 and str(found.reason) == "":
            assert float(found.sharpness) == pytest.approx(sharpness, abs=1e-4)
            assert float(found.balance) == pytest.approx(balance, abs=1e-4)

    def test_extremes_stay_defined(self):
        sharpness, balance = sharpness_balance([1.0, 0.5], [0.0, 0.5])
        assert list(sharpness) == [np.inf, 0.0]
        assert np.isnan(balance[0])
        grade, recovery = grade_recovery([np.inf, 0.0], 0.0, 0.3)
        assert_allclose(grade, [1.0, 0.3])
        assert_allclose(recovery, [1.0, 0.5])

    @pytest.mark.parametrize(
        ("values", "text"),
        [
            ((97.2, 0.9, 0.5), "are fractions, 0 to 1"),
            ((0.9, 0.9, 1.0), "must hold both"),
            ((0.0, 0.9, 0.5), "grade 0 recovers nothing"),
            ((0.30, 0.95, 0.5), "more unwanted material than was fed"),
        ],
    )
    def test_refuses(self, values, text):
        with pytest.raises(InputError, match=text):
            partition_numbers(*values)
        assert np.isnan(partition_numbers(*values, errors="mask").sharpness)

    def test_missing_is_not_impossible(self):
        found = partition_numbers([0.95, NAN], [NAN, 0.9], 0.8)
        assert np.isnan(found.p_wanted).all()
        assert list(found.reason) == ["", ""]


class TestPartitionCurve:
    @pytest.mark.parametrize("form", ["logistic", "gaussian"])
    def test_recovers_its_own_curve(self, form):
        density = np.linspace(1.0, 2.0, 9)
        made = fit_partition(density, _curve(density, 1.43, 0.12, form), form=form)
        assert made.d50 == pytest.approx(1.43, abs=1e-6)
        assert made.ep == pytest.approx(0.12, abs=1e-6)
        assert made.inside
        assert made.partition_number(1.43 + 0.12) == pytest.approx(0.75, abs=1e-6)
        assert made.partition_number(1.43 - 0.12) == pytest.approx(0.25, abs=1e-6)

    def test_errors_of_a_step_are_unknown(self):
        found = fit_partition([1.0, 2.0, 3.0, 4.0], [0.0, 0.0, 1.0, 1.0])
        assert 2.0 < found.d50 < 3.0
        assert found.ep < 0.5
        assert np.isnan([found.d50_se, found.ep_se]).all()

    def test_cut_outside_the_classes_is_reported(self):
        density = np.array([1.0, 1.1, 1.2])
        assert not fit_partition(density, _curve(density, 1.5, 0.2, "logistic")).inside

    @pytest.mark.parametrize(
        ("density", "share", "text"),
        [
            ([1.0, 2.0], [0.1, 0.9], "at least three density classes"),
            ([1.0, 2.0, 3.0], [10.0, 50.0, 90.0], "shares from 0 to 1, got 10 to 90"),
            ([1.0, 2.0, 3.0], [0.1, NAN, 0.9], "shares from 0 to 1"),
            ([1.0, 2.0, 3.0], [0.9, 0.5, 0.1], "pass 1 minus them"),
        ],
    )
    def test_refuses(self, density, share, text):
        with pytest.raises(InputError, match=text):
            fit_partition(density, share)

    def test_bands_fall_with_the_criterion(self):
        assert water_band([3.0, 1.6, 1.3, 1.0, NAN]).tolist() == [
            "effective to about 0.075 mm",
            "effective to about 1.7 mm",
            "effective to about 6.35 mm",
            "not feasible by gravity",
            "",
        ]
        assert float(concentration_criterion(1.3, 1.2, 0.0)) == pytest.approx(1.3 / 1.2)


def _curve(density, d50, ep, form):
    """The partition curve computed directly from its definition."""
    from math import erf, exp, log, sqrt

    z = (density - d50) / ep
    if form == "logistic":
        return np.array([1 / (1 + exp(-log(3) * v)) for v in z])
    return np.array([(1 + erf(0.6744897501960817 * v / sqrt(2))) / 2 for v in z])
